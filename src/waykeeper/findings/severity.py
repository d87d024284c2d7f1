"""How grave a finding is, in FHIR's words for an issue (OperationOutcome)."""

from __future__ import annotations

from typing import Literal

Severity = Literal["error", "warning", "information"]
