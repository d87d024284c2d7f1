"""Narrative: the XHTML subset that FHIR allows (txt-1, txt-2)."""

from __future__ import annotations

from typing import Any

from waykeeper.validate.run import Place, Run


def check_narrative(value: Any, here: Place, run: Run) -> None:
    """The `div` must be well-formed XHTML in its namespace, of the allowed elements and attributes."""
