"""What must happen: pathways, overlays and clinics, read strictly and checked. See README.md."""

from waykeeper.pathway import library
from waykeeper.pathway.checking import check, check_file, check_overlay, check_part, sort_findings
from waykeeper.pathway.clinic import read_clinic
from waykeeper.pathway.editor import jsonschema
from waykeeper.pathway.library import load
from waykeeper.pathway.model import Clinic, Overlay, Pathway, PathwayItem
from waykeeper.pathway.reader import Node, read_yaml

__all__ = [
    "Clinic",
    "Node",
    "Overlay",
    "Pathway",
    "PathwayItem",
    "check",
    "check_file",
    "check_overlay",
    "check_part",
    "jsonschema",
    "library",
    "load",
    "read_clinic",
    "read_yaml",
    "sort_findings",
]
