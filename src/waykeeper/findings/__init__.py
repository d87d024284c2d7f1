"""What is wrong, and where: findings, their positions and the catalogue of codes."""

from waykeeper.findings.catalogue import Entry, catalogue, entry
from waykeeper.findings.model import (
    Finding,
    Position,
    Severity,
    WaykeeperError,
    did_you_mean,
    finding,
    worst,
)

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
    "worst",
]
