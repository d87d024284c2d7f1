"""Bulk export (FHIR Bulk Data Access 2.0): kick-off, status, manifest, NDJSON files.

An export is a picture of the moment of its kick-off: it remembers which versions stood then, and reads them when the
files are fetched, so that its memory does not grow with the caseload.
"""

from __future__ import annotations

import itertools
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from waykeeper.sandbox.answers import Answer, Ask
from waykeeper.sandbox.extract import bounds
from waykeeper.sandbox.parameters import READ_ONLY, table
from waykeeper.sandbox.refusals import Refusal
from waykeeper.sandbox.resource_json import dump
from waykeeper.sandbox.store import Store, instant

NDJSON = "application/fhir+ndjson"
STATUS, FILE = "$export-status", "$export-file"
_FORMATS = (NDJSON, "application/ndjson", "ndjson")

# The patient compartment of R4 (CompartmentDefinition/patient) for the types held here: the parameters whose reference
# to a patient makes a resource that patient's. Task, Slot and others are in no patient's compartment; Group and List
# are, but the real server exports neither, so neither does the sandbox.
COMPARTMENT: dict[str, tuple[str, ...]] = {
    "AllergyIntolerance": ("patient", "recorder", "asserter"),
    "Appointment": ("actor",),
    "AppointmentResponse": ("actor",),
    "CarePlan": ("patient", "performer"),
    "CareTeam": ("patient", "participant"),
    "Communication": ("subject", "sender", "recipient"),
    "CommunicationRequest": ("subject", "sender", "recipient", "requester"),
    "Condition": ("patient", "asserter"),
    "Consent": ("patient",),
    "Coverage": ("policy-holder", "subscriber", "beneficiary", "payor"),
    "DetectedIssue": ("patient",),
    "DeviceRequest": ("subject", "performer"),
    "DeviceUseStatement": ("subject",),
    "DiagnosticReport": ("subject",),
    "DocumentReference": ("subject", "author"),
    "Encounter": ("patient",),
    "EpisodeOfCare": ("patient",),
    "FamilyMemberHistory": ("patient",),
    "Flag": ("patient",),
    "Goal": ("patient",),
    "Immunization": ("patient",),
    "MedicationAdministration": ("patient", "performer", "subject"),
    "MedicationDispense": ("subject", "patient", "receiver"),
    "MedicationRequest": ("subject",),
    "MedicationStatement": ("subject",),
    "NutritionOrder": ("patient",),
    "Observation": ("subject", "performer"),
    "Patient": ("link",),
    "Procedure": ("patient", "performer"),
    "Provenance": ("patient",),
    "QuestionnaireResponse": ("subject", "author"),
    "RelatedPerson": ("patient",),
    "RequestGroup": ("subject", "participant"),
    "RiskAssessment": ("subject",),
    "Schedule": ("actor",),
    "ServiceRequest": ("subject", "performer"),
    "Specimen": ("subject",),
}


@dataclass(slots=True)
class _Job:
    """One export: the versions of its files, and how often its status was asked."""

    request: str
    time: str
    files: dict[str, tuple[str, list[tuple[int, int]]]] = field(default_factory=dict)  # name: type, (row, version)
    asked: int = 0


class Exports:
    """The exports of a server; the oldest is forgotten where there are more than `most`."""

    def __init__(self, store: Store, most: int = 20, lines: int = 5000) -> None:
        """Export what the store holds, with at most `lines` resources a file."""
        self._store, self._most, self._lines = store, most, lines
        self._jobs: OrderedDict[str, _Job] = OrderedDict()
        self._numbers = itertools.count(1)

    def kick_off(self, ask: Ask) -> Answer:
        """Begin an export of everything, of all patients, or of a group's: 202 and where its status is."""
        if ask.prefers("respond-async") != "yes":
            raise Refusal("WKS229", "an export is asked for with the header Prefer: respond-async")
        types, since = self._asked(ask)
        job = _Job(f"{ask.base}/{'/'.join(ask.path)}", instant(datetime.now(UTC)))
        with self._store.reading():
            patients = self._patients(ask)
            for kind in types:
                self._add(job, kind, self._versions(kind, since, patients))
        token = str(next(self._numbers))
        self._jobs[token] = job
        while len(self._jobs) > self._most:
            self._jobs.popitem(last=False)
        return Answer(202, b"", {"content-location": f"{ask.base}/{STATUS}/{token}"})

    def status(self, ask: Ask) -> Answer:
        """How far an export is: 202 at the first question, as a server that takes its time, then its manifest."""
        token = ask.path[1]
        job = self._job(token)
        if ask.method == "DELETE":
            del self._jobs[token]
            return Answer(202)
        job.asked += 1
        if job.asked == 1:
            return Answer(202, b"", {"x-progress": "reading", "retry-after": "1"})
        output = [
            {"type": kind, "url": f"{ask.base}/{FILE}/{token}/{name}", "count": len(rows)}
            for name, (kind, rows) in job.files.items()
        ]
        manifest = {
            "transactionTime": job.time,
            "request": job.request,
            "requiresAccessToken": False,
            "output": output,
            "error": [],
        }
        return Answer(200, dump(manifest), {"content-type": "application/json"})

    def file(self, ask: Ask) -> Answer:
        """One file: a resource a line, as it stood at the kick-off."""
        job = self._job(ask.path[1])
        if ask.path[2] not in job.files:
            raise Refusal("WKS230", f"this export has no file {ask.path[2][:60]!r}")
        _, rows = job.files[ask.path[2]]
        return Answer(200, b"".join(body + b"\n" for body in self._store.bodies(rows)), {"content-type": NDJSON})

    def _job(self, token: str) -> _Job:
        if token not in self._jobs:
            raise Refusal("WKS230", "there is no such export, or it was deleted")
        return self._jobs[token]

    def _asked(self, ask: Ask) -> tuple[list[str], int | None]:
        """The types and the moment that the parameters name. Raises Refusal on what is not offered."""
        whole = ask.path[0] == "$export"
        allowed = sorted(set(table() if whole else COMPARTMENT) - set(READ_ONLY))
        types, since = allowed, None
        for name, value in ask.query:
            if name == "_type":
                types = value.split(",")
            elif name == "_since":
                found = bounds(value)
                if not found:
                    raise Refusal("WKS229", "_since is an instant")
                since = found[0]
            elif name != "_outputFormat" or value not in _FORMATS:
                raise Refusal("WKS229", f"{name[:40]} is not offered; an export takes _type, _since and NDJSON")
        for kind in types:
            if kind not in allowed:
                where = "on this server" if whole else "in a patient's compartment; export the whole system"
                raise Refusal("WKS229", f"_type: {kind[:40]!r} is not {where}")
        return types, since

    def _patients(self, ask: Ask) -> list[str] | None:
        """The ids of the patients asked for; None for everything."""
        if ask.path[0] == "$export":
            return None
        if ask.path[0] == "Patient":
            return [
                row[0] for row in self._store.query("SELECT id FROM resource WHERE type = 'Patient' AND deleted = 0")
            ]
        group = self._store.get("Group", ask.path[1])
        if group is None or group.deleted:
            raise Refusal("WKS205", f"there is no Group/{ask.path[1][:64]}")
        sql = "SELECT id FROM reference WHERE pk = ? AND key = 'Group.member' AND type = 'Patient'"
        return [row[0] for row in self._store.query(sql, (group.pk,))]

    def _versions(self, kind: str, since: int | None, patients: list[str] | None) -> list[tuple[int, int]]:
        """The rows and versions of a type that stand now, in order of their making."""
        sql = "SELECT pk, version, id FROM resource WHERE type = ? AND deleted = 0 AND updated >= ? ORDER BY pk"
        rows = self._store.query(sql, (kind, since if since is not None else 0))
        if patients is not None:
            theirs = self._theirs(kind, set(patients))
            chosen = set(patients)
            rows = [row for row in rows if row[0] in theirs or (kind == "Patient" and row[2] in chosen)]
        return [(row[0], row[1]) for row in rows]

    def _theirs(self, kind: str, patients: set[str]) -> set[int]:
        """The rows of a type that are in the compartment of one of the patients."""
        found: set[int] = set()
        for name in COMPARTMENT[kind]:
            sql = "SELECT pk, id FROM reference WHERE key = ? AND type = 'Patient'"
            found.update(pk for pk, key in self._store.query(sql, (f"{kind}.{name}",)) if key in patients)
        return found

    def _add(self, job: _Job, kind: str, rows: Sequence[tuple[int, int]]) -> None:
        for number, start in enumerate(range(0, len(rows), self._lines), 1):
            job.files[f"{kind}-{number}.ndjson"] = (kind, list(rows[start : start + self._lines]))
