"""What is wrong, and where: findings, their positions and the catalogue of codes."""

from waykeeper.findings.catalogue import Entry, catalogue, entry
from waykeeper.findings.model import Finding, Position, WaykeeperError, did_you_mean, finding
from waykeeper.findings.severity import Severity
from waykeeper.findings.visible import on_one_line, visible

__all__ = [
    "Entry",
    "Finding",
    "Position",
    "Severity",
    "WaykeeperError",
    "catalogue",
    "did_you_mean",
    "entry",
    "finding",
    "on_one_line",
    "visible",
]
