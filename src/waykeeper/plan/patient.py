"""What a plan keeps of a Patient resource: who it is for, and no more."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from waykeeper.plan.model import Identifier, PatientRef

TEST_LABEL = ("http://terminology.hl7.org/CodeSystem/v3-ActReason", "HTEST")


def patient_ref(patient: Mapping[str, Any], identifier: Identifier) -> PatientRef:
    """What a plan keeps of a Patient resource."""
    labels = {(s.get("system"), s.get("code")) for s in (patient.get("meta") or {}).get("security") or []}
    spoken = next(
        (
            str(c.get("code") or "")
            for entry in patient.get("communication") or []
            for c in (entry.get("language") or {}).get("coding") or []
            if entry.get("preferred") or len(patient.get("communication") or []) == 1
        ),
        "",
    )
    dead = patient.get("deceasedDateTime") or ("yes" if patient.get("deceasedBoolean") else "")
    return PatientRef(
        identifier=identifier,
        reference="",
        name=name_of(patient),
        birth_date=str(patient.get("birthDate") or ""),
        language=spoken,
        test_data=TEST_LABEL in labels,
        deceased=str(dead),
    )


def name_of(patient: Mapping[str, Any]) -> str:
    """The patient's name as people say it; "" where none is recorded."""
    name: Mapping[str, Any] = next((n for n in patient.get("name") or [] if n.get("use") != "old"), {})
    return str(name.get("text") or " ".join([*(name.get("given") or []), name.get("family") or ""]).strip())
