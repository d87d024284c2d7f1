"""A medicine that came onto the list after the plan was made: it was nowhere until the plan was made again.

That a medicine list is looked through again before an operation, since it changes, is common practice, no source.
"""

import copy
import json
from pathlib import Path

import pytest

import waykeeper
from waykeeper.pathway.shelf import folder

CASE = folder("sandbox_bundles") / "warfarin-right"  # surgery Mon 2026-08-31
PATIENT = next(
    e for e in json.loads((CASE / "record.bundle.json").read_text("utf-8"))["entry"]
    if e["resource"]["resourceType"] == "Patient"
)  # fmt: skip


def order(words="rivaroxaban 20 mg oral tablet", **fields):
    return {
        "resourceType": "MedicationRequest", "id": "new", "status": "active", "intent": "order",
        "subject": {"reference": PATIENT["fullUrl"]}, "medicationCodeableConcept": {"text": words}, **fields,
    }  # fmt: skip


def plan_row(to: Path, *more, as_of="2026-08-20", record=lambda r: r):
    bundle = json.loads((CASE / "record.bundle.json").read_text("utf-8"))
    kept = [{**e, "resource": r} for e in bundle["entry"] if (r := record(copy.deepcopy(e["resource"]))) is not None]
    entries = [*kept, *({"fullUrl": f"http://ehr.example/{r['resourceType']}/{r['id']}", "resource": r} for r in more)]
    file = to / "record.json"
    file.write_text(json.dumps({"resourceType": "Bundle", "type": "collection", "entry": entries}), "utf-8")
    found = waykeeper.gaps(str(CASE / "plan.bundle.json"), str(file), as_of=as_of)
    return next(row for row in found.whole.rows if row.kind == "plan")


def test_it_asks_for_the_prescriber_and_for_the_plan_to_be_made_again(tmp_path):
    assert plan_row(tmp_path).verdict == "current"
    found = plan_row(tmp_path, order())
    assert (found.verdict, found.severity, found.gap) == ("needs-review", 3, True)
    assert "rivaroxaban 20 mg oral tablet (MedicationRequest/new)" in found.reason
    assert "Make the plan again with what the server holds" in found.next_action


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"status": "completed"}, "nobody takes it any more"),
        ({"status": "draft"}, "nobody has ordered it"),
        ({"intent": "plan"}, "nobody has ordered it"),
        ({"doNotPerform": True}, "it is forbidden"),
        ({"words": "warfarin 2 mg oral tablet"}, "the plan's warfarin in another strength: its line stands"),
    ],
)
def test_nothing_is_asked_of(tmp_path, more, why):
    assert plan_row(tmp_path, order(**more)).verdict == "current", why


def test_after_the_operation_orders_are_its_own_matter(tmp_path):
    assert plan_row(tmp_path, order(), as_of="2026-08-31").severity == 3
    assert "rivaroxaban" not in plan_row(tmp_path, order(), as_of="2026-09-01").reason


def test_a_list_that_another_system_keeps_is_not_taken_for_a_new_one(tmp_path):
    """Its rows have other numbers: each medicine would look new, and the patient's own list is somewhere else."""

    def renumbered(resource):
        if resource["resourceType"] in ("MedicationRequest", "MedicationStatement"):
            resource["identifier"] = [
                {"system": "https://other.example/rx", "value": json.dumps(resource["medicationCodeableConcept"])}
            ]
        return resource

    assert plan_row(tmp_path, order(), record=renumbered).verdict == "current"


def test_what_a_person_says_is_taken_counts_as_an_order_does(tmp_path):
    said = {k: v for k, v in order().items() if k != "intent"} | {"resourceType": "MedicationStatement"}
    assert "MedicationStatement/new" in plan_row(tmp_path, said).reason
