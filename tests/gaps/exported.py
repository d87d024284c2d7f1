"""An invented patient's plan as an export of a server, changed by a test, and what the command says of it."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

from waykeeper.cli.main import main

BUNDLES = Path(__file__).parents[2] / "sandbox_bundles"
MRN = "https://alder-quay.example/mrn"
TYPES = "https://alder-quay.example/codes/visit-type"


@cache
def _exported(case, patient, prefix):
    entries = json.loads((BUNDLES / case / "plan.bundle.json").read_text("utf-8"))["entry"]
    named = {}
    for number, entry in enumerate(entries):
        kind = entry["resource"]["resourceType"]
        entry["resource"]["id"] = patient if kind == "Patient" else f"{prefix}{number}"
        named[entry["fullUrl"]] = f"{kind}/{entry['resource']['id']}"
    text = json.dumps([entry["resource"] for entry in entries])
    for urn, reference in named.items():
        text = text.replace(f'"{urn}"', f'"{reference}"')
    return text


def exported(case="demo-left", patient="1", prefix=""):
    """The resources of a plan with the ids and references of a server, each time afresh."""
    return json.loads(_exported(case, patient, prefix))


def part(resources, item, name):
    """The resource that is this part ("request", "confirm", "goal") of an item ("visit/six-week")."""

    def said(resource):
        outer = next((e for e in resource.get("extension", ()) if e["url"].endswith("/StructureDefinition/item")), {})
        return {e["url"]: e.get("valueString") for e in outer.get("extension", ())}

    (found,) = [r for r in resources if (said(r).get("key"), said(r).get("part")) == (item, name)]
    return found


def appointment(name, status="fulfilled", day="2026-04-29", **more):
    """An Appointment at half past nine in Chicago whose type is that of the six-week visit."""
    return {
        "resourceType": "Appointment", "id": name, "status": status, "start": f"{day}T09:30:00-05:00",
        "serviceType": [{"coding": [{"system": TYPES, "code": "TAR-6W"}]}], "description": "6 week check",
        "participant": [{"actor": {"reference": "Patient/1"}, "status": "accepted"}],
    } | more  # fmt: skip


def encounter(name, status="finished", day="2026-04-29", kind="AMB", **more):
    """An Encounter at half past nine in Chicago that says nothing of the visit it may be."""
    return {
        "resourceType": "Encounter", "id": name, "status": status, "subject": {"reference": "Patient/1"},
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": kind},
        "period": {"start": f"{day}T09:30:00-05:00"},
    } | more  # fmt: skip


def gaps(folder, resources, as_of="2026-05-10"):
    """The report of `waykeeper gaps --from FOLDER --json FILE` about an export of these resources."""
    source, made = folder / "export", folder / "report.json"
    source.mkdir(exist_ok=True)
    (source / "all.ndjson").write_text("".join(json.dumps(resource) + "\n" for resource in resources), "utf-8")
    assert main(["gaps", "--from", str(source), "--as-of", as_of, "--json", str(made), "--show-identifiers"]) == 0
    return json.loads(made.read_text("utf-8"))


def row(report, item, identifier=f"{MRN}|AQ-1001"):
    """The one row of an item of a patient."""
    (found,) = [r for r in report["rows"] if r["item"] == item and r["identifier"] == identifier]
    return found
