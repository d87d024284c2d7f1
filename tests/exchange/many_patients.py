"""Plans of many invented patients, compiled once each; and what a server holds of them."""

from __future__ import annotations

import json
from collections import Counter
from functools import cache
from pathlib import Path
from typing import Any

from waykeeper.exchange import Server
from waykeeper.fhir import bundle
from waykeeper.fhir.names import TAG_CODE, TAG_SYSTEM, TEST_LABEL
from waykeeper.medicines import rule_names
from waykeeper.pathway import library, read_clinic
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.record import read
from waykeeper.timing.model import Moment

KINDS = ("CarePlan", "ServiceRequest", "Task", "Goal", "CommunicationRequest")
MRN = "https://alder-quay.example/mrn"


@cache
def _loaded(pathway: str) -> tuple[Any, Any]:
    clinic, _ = read_clinic("clinic-demo", library.read("clinic-demo")[1])
    assert clinic is not None
    found, wrong = library.load(pathway, clinic.overlays, rule_names=rule_names(), clinic=clinic)
    assert found is not None, wrong
    return clinic, found


def plan(
    number: int, *, day: str = "2026-03-18", prefix: str = "MANY", pathway: str = "total-ankle-replacement"
) -> dict[str, Any]:
    """The bundle of one invented patient of whom nothing is known but the name."""
    clinic, found = _loaded(pathway) if pathway else (_loaded("total-ankle-replacement")[0], _small())
    who = {
        "resourceType": "Patient", "id": f"p{number}",
        "meta": {"security": [{"system": TEST_LABEL[0], "code": TEST_LABEL[1]}]},
        "identifier": [{"system": MRN, "value": f"{prefix}-{number:04}"}],
        "name": [{"family": "Invented", "given": [f"Number {number}"]}], "birthDate": "1960-01-01",
    }  # fmt: skip
    from datetime import date, time

    surgery = {"surgery": Moment(date.fromisoformat(day), time(7, 30), clinic.zone)}
    made = compile_plan(found, clinic, read([(f"Patient/p{number}", who)]), surgery, side="left", anaesthesia="general")
    return bundle(made)


def write_folder(folder: Path, count: int, **more: Any) -> list[Path]:
    """One file a patient."""
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for number in range(count):
        files.append(folder / f"{number:04}.json")
        files[-1].write_text(json.dumps(plan(number, **more)))
    return files


def write_ndjson(file: Path, count: int, **more: Any) -> None:
    """One line a patient."""
    with file.open("w") as stream:
        for number in range(count):
            stream.write(json.dumps(plan(number, **more)) + "\n")


def holdings(url: str, kinds: tuple[str, ...] = KINDS) -> Counter[str]:
    """How often each of our resources is there, by our identifier: everything must be there once."""
    server = Server(url)
    held: Counter[str] = Counter()
    for kind in kinds:
        for _, resource in server.search(kind, [("_tag", f"{TAG_SYSTEM}|{TAG_CODE}")]):
            name = next(
                (str(i["value"]) for i in resource.get("identifier", []) if "/identifier/plan" in i["system"]), ""
            )
            held[f"{kind}/{name or resource['id']}"] += 1
    held.update(f"Patient/{i['value']}" for _, r in server.search("Patient", []) for i in r.get("identifier", []))
    return held


def expected(
    bundles: list[dict[str, Any]],
    kinds: tuple[str, ...] = KINDS,
) -> Counter[str]:
    """The same of what was compiled."""
    wanted: Counter[str] = Counter()
    for one in bundles:
        for resource in (e["resource"] for e in one["entry"]):
            kind = resource["resourceType"]
            if kind in kinds:
                name = next(str(i["value"]) for i in resource["identifier"] if "/identifier/plan" in i["system"])
                wanted[f"{kind}/{name}"] += 1
            elif kind == "Patient":
                wanted.update(f"Patient/{i['value']}" for i in resource["identifier"])
    return wanted


@cache
def _small() -> Any:
    from waykeeper.pathway.library import load

    source = Path(__file__).parents[1] / "merge" / "small.yaml"
    clinic, _ = _loaded("total-ankle-replacement")
    found, wrong = load(("small.yaml", source.read_bytes()), [], rule_names(), None, clinic)
    assert found is not None, wrong
    return found


def small_plan(number: int, *, day: str = "2026-03-18", prefix: str = "FEW") -> dict[str, Any]:
    """A plan with one item of each kind: a thousand of them fit into a test."""
    return plan(number, day=day, prefix=prefix, pathway="")
