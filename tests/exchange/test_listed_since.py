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


def plan_row(to: Path, *more, as_of="2026-08-20", record=lambda r: r, case=CASE):
    bundle = json.loads((case / "record.bundle.json").read_text("utf-8"))
    kept = [{**e, "resource": r} for e in bundle["entry"] if (r := record(copy.deepcopy(e["resource"]))) is not None]
    entries = [*kept, *({"fullUrl": f"http://ehr.example/{r['resourceType']}/{r['id']}", "resource": r} for r in more)]
    file = to / "record.json"
    file.write_text(json.dumps({"resourceType": "Bundle", "type": "collection", "entry": entries}), "utf-8")
    found = waykeeper.gaps(str(case / "plan.bundle.json"), str(file), as_of=as_of)
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


def changed(words, **fields):
    """The order of these words with other fields."""

    def change(resource):
        named = resource.get("medicationCodeableConcept", {}).get("text") == words
        return {**resource, **fields} if named else resource

    return change


def test_an_order_that_names_another_medicine_today_is_told(tmp_path):
    record = changed("warfarin 5 mg", medicationCodeableConcept={"text": "dabigatran 150 mg oral capsule"})
    found = plan_row(tmp_path, record=record)
    assert (found.verdict, found.severity) == ("needs-review", 3)
    assert "dabigatran 150 mg oral capsule (" in found.reason
    assert "in the plan: warfarin 5 mg)" in found.reason


@pytest.mark.parametrize(("dose", "told"), [(2.5, False), (5, True)])
def test_a_dose_on_which_the_rule_turns_is_told_when_it_changes(tmp_path, dose, told):
    """Apixaban 2.5 mg is the dose of prevention, 5 mg that of treatment: the needle in the back waits longer after it
    (ASRA timing table, as in rules/anticoagulants.yaml)."""
    much = {"value": dose, "unit": "mg", "system": "http://unitsofmeasure.org", "code": "mg"}
    record = changed(
        "apixaban 2.5 mg", dosageInstruction=[{"text": "twice a day", "doseAndRate": [{"doseQuantity": much}]}]
    )
    reason = plan_row(tmp_path, record=record, case=CASE.parent / "clocks-forward", as_of="2026-01-02").reason
    assert ("apixaban 2.5 mg, 5 mg a dose (" in reason) is told
    assert ("in the plan: apixaban 2.5 mg, 2.5 mg a dose" in reason) is told


def test_another_strength_of_what_turns_on_none_is_not(tmp_path):
    record = changed("warfarin 5 mg", medicationCodeableConcept={"text": "warfarin 2 mg oral tablet"})
    assert plan_row(tmp_path, record=record).verdict == "current"


def test_what_an_order_only_points_at_is_not_compared(tmp_path):
    """Its Medication may not have been read."""

    def pointing(resource):
        if resource.get("medicationCodeableConcept", {}).get("text") != "warfarin 5 mg":
            return resource
        kept = {k: v for k, v in resource.items() if k != "medicationCodeableConcept"}
        return {**kept, "medicationReference": {"reference": "Medication/17", "display": "as listed"}}

    assert plan_row(tmp_path, record=pointing).verdict == "current"


@pytest.mark.parametrize("case", sorted(p.parent for p in CASE.parent.glob("*/plan.bundle.json")), ids=lambda p: p.name)
def test_the_list_that_a_plan_was_made_from_is_never_news(tmp_path, case):
    assert "in the plan: " not in plan_row(tmp_path, case=case, as_of="2024-01-01").reason
