"""Another system's import makes a second resource with our identifier: nobody can tell which of them people work with.

That a business identifier stays the same in every copy of a resource: FHIR R4, Resource.id (from memory).
"""

from __future__ import annotations

import json
from datetime import date
from functools import cache

import pytest

from waykeeper.fhir import identity, read_all
from waykeeper.gaps import worklist
from waykeeper.pathway.shelf import folder
from waykeeper.record import resources_of

KINDS = ("Task", "ServiceRequest", "CarePlan", "CommunicationRequest", "MedicationRequest", "Appointment", "Goal")


@cache
def planned():
    bundle = json.loads((folder("sandbox_bundles") / "demo-left" / "plan.bundle.json").read_text("utf-8"))
    return tuple(resources_of(bundle))


def words(held):
    listed = worklist(read_all(held), (), date(2026, 3, 10))
    own = next(r for r in listed.rows if r.item == "plan/plan")
    return own, {r.item: r.verdict for r in listed.rows if r.item != "plan/plan" and r.kind != "gate"}


@pytest.mark.parametrize("status", ["", "completed"])
@pytest.mark.parametrize("kind", KINDS)
def test_a_copy_is_told_and_closes_nothing(kind, status):
    ref, first = next(
        (ref, r) for ref, r in planned()
        if r["resourceType"] == kind and (known := identity(r)) is not None and known.key.kind != "plan"
    )  # fmt: skip
    name = "lifecycleStatus" if kind == "Goal" else "status"
    copy = (f"{kind}/copy", {**first, "id": "copy", name: status or first[name]})
    _, before = words(planned())
    for held in ([*planned(), copy], [copy, *planned()]):
        own, after = words(held)
        assert (own.verdict, own.gap) == ("conflict", True)
        assert f"{kind}/copy and {ref}): they have one identity" in own.reason
        assert after == before


def test_nothing_is_said_of_a_plan_whose_parts_are_there_once():
    assert words(planned())[0].verdict == "current"
