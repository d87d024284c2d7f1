"""How many whole plans a second: read a record, compile, write as FHIR, serialise; one process, no pool.

    python tests/benchmarks/bench_compile.py [PATIENTS] [ROUNDS]

Every patient is another one: own identifier, own day of surgery, own identifiers of medicines, one of the invented
records of `sandbox_bundles`. `over 100` is the same pathway cut after so many items that a plan has just over 100
resources, `whole` the whole pathway. `never seen` is each of so many further patients once, nothing of them warm.
Times are processor time of this process, for each patient the best of several rounds. Beside each stands the same
calibration loop of plain Python, timed between its rounds: on a busy or another machine the ratio says more than the
milliseconds. The machine's load at the beginning and at the end is printed with them.
"""

from __future__ import annotations

import copy
import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from datetime import date, timedelta
from datetime import time as clock
from pathlib import Path
from typing import Any

import orjson
from calibration import calibration, spent

from waykeeper import fhir
from waykeeper.fhir.conformance import shipped
from waykeeper.pathway.model import Pathway
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.record import read, resources_of
from waykeeper.timing.model import Moment
from waykeeper.validate import validate
from waykeeper.verbs import inputs

BUNDLES = Path(__file__).parents[2] / "sandbox_bundles"
FIRST = date(2026, 3, 2)


def patients(count: int, first: int = 0) -> Iterator[tuple[list[tuple[str, dict[str, Any]]], date]]:
    """So many patients from a number on, each (resources, day of surgery)."""
    files = sorted(BUNDLES.glob("*/record.bundle.json"))
    records = [json.loads(file.read_text("utf-8")) for file in files]
    for number in range(first, first + count):
        record = copy.deepcopy(records[number % len(records)])
        for _, resource in resources_of(record):
            if resource["resourceType"] == "Patient":
                resource["identifier"] = [{"system": "https://example.org/bench", "value": f"P-{number}"}]
            if resource["resourceType"].startswith("Medication"):
                for identifier in resource.get("identifier", ()):
                    identifier["value"] = f"{identifier['value']}-{number}"
        day = FIRST + timedelta(days=number % 250)
        yield resources_of(record), day + timedelta(days=(7 - day.weekday()) % 7 if day.weekday() > 4 else 0)


def processor(work: Callable[[Any], object], things: Iterable[Any], rounds: int) -> tuple[float, float]:
    """Milliseconds of processor time for all things, each at the best of some rounds, and for the calibration loop.

    No result is kept.
    """
    best: dict[int, float] = {}
    unit = 1e9
    for _ in range(rounds):
        for number, thing in enumerate(things):
            best[number] = min(best.get(number, 1e9), spent(lambda one=thing: work(one)))
        unit = min(unit, *(spent(calibration) for _ in range(3)))
    return sum(best.values()), unit


def main(count: int = 44, rounds: int = 5) -> None:
    """Measure and print one line a measure."""
    clinic = inputs.clinic_of("clinic-demo")
    pathway, _ = inputs.pathway_of("total-ankle-replacement", clinic)
    people = list(patients(count))

    def plan(one: tuple[list[tuple[str, dict[str, Any]]], date], pathway: Pathway = pathway) -> Any:
        given = {"surgery": Moment(one[1], clock(7, 30), clinic.zone)}
        return compile_plan(pathway, clinic, read(one[0]), given, side="left", anaesthesia="general")

    cut = next(
        part
        for end in range(1, len(pathway.items) + 1)
        if len(fhir.write(plan(people[0], part := replace(pathway, items=pathway.items[:end])))) > 100
    )

    plans = [plan(one) for one in people]
    few = [fhir.bundle(p) for p in plans[:8]]  # few, because the collector walks over all that is kept
    resources = sum(len(b["entry"]) for b in few) / len(few)
    few_resources = sum(len(fhir.write(plan(one, cut))) for one in people[:8]) / 8
    steps: dict[str, tuple[Callable[[Any], object], list[Any]]] = {
        "over 100": (lambda one: fhir.bundle_json(plan(one, cut)), people),
        "never seen": (lambda one: fhir.bundle_json(plan(one)), list(patients(count, count))),
        "whole": (lambda one: fhir.bundle_json(plan(one)), people),
        "read and compile": (plan, people),
        "write as JSON": (fhir.bundle_json, plans),
        "serialise of it": (orjson.dumps, few),
        "validate": (lambda b: validate(b, profiles=shipped()), few),
    }
    out = sys.stdout.write
    out(f"{count} patients, {resources:.0f} resources a plan; load {os.getloadavg()[0]:.1f}\n")
    for name, (work, things) in steps.items():
        total, unit = processor(work, things, 1 if name == "never seen" else rounds)
        spent = total / len(things)
        size = few_resources if name == "over 100" else resources
        out(f"{name:17} {spent:6.2f} ms a plan, {1000 / spent:5.0f} plans a second, ")
        out(f"{spent * 100 / size:5.2f} ms for 100 resources, {spent / unit:.2f} x the loop of {unit:.1f} ms\n")
    out(f"load {os.getloadavg()[0]:.1f}\n")


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:3]))
