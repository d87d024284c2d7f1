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


def pointing(**pointer):
    """The order of warfarin that names it only by a reference."""

    def change(resource):
        if resource.get("medicationCodeableConcept", {}).get("text") != "warfarin 5 mg":
            return resource
        kept = {k: v for k, v in resource.items() if k != "medicationCodeableConcept"}
        return {**kept, "medicationReference": pointer}

    return change


def product(words, **fields):
    return {"resourceType": "Medication", "id": "17", "code": {"text": words}, **fields}


@pytest.mark.parametrize(
    ("medication", "told"),
    [
        (product("warfarin 5 mg"), ""),
        (product("warfarin 2 mg oral tablet"), ""),
        (product("dabigatran 150 mg oral capsule"), "dabigatran 150 mg oral capsule ("),
        (product("Bluvexa", ingredient=[{"itemCodeableConcept": {"text": "apixaban"}}]), "Bluvexa ("),
    ],
)
def test_an_order_that_points_at_its_medication_is_compared_like_any_other(tmp_path, medication, told):
    """FHIR R4, MedicationRequest.medication[x]: many servers know the reference only (common practice, no source)."""
    contained = pointing(reference="#17")
    for record, more in (
        (pointing(reference="Medication/17"), [medication]),
        (lambda r: {**contained(r), "contained": [medication]} if contained(r) != r else r, []),
    ):
        found = plan_row(tmp_path, *more, record=record)
        assert (found.verdict, found.severity) == (("needs-review", 3) if told else ("current", 0))
        assert f"{told}" in found.reason


@pytest.mark.parametrize(
    ("display", "told"),
    [
        ("as listed", "; its Medication was not given; in the plan: warfarin 5 mg)"),
        ("", "name missing (Medication/17) ("),
        ("warfarin", ""),
        ("dabigatran 150 mg", "dabigatran 150 mg ("),
    ],
)
def test_of_a_medication_that_is_not_here_the_display_counts_and_without_one_it_is_asked_about(tmp_path, display, told):
    """What it points at may say more than its display does; nobody knows what an order without one is of."""
    row = plan_row(tmp_path, record=pointing(reference="Medication/17", display=display))
    assert row.verdict == ("needs-review" if told else "current")
    assert told in row.reason


def test_that_no_medication_was_read_at_all_is_said_once(tmp_path):
    """As of an export of some types only: a question in each row of each patient would hide what is to be done."""
    case = tmp_path / "case"
    case.mkdir()
    bundle = json.loads((CASE / "record.bundle.json").read_text("utf-8"))
    for number, entry in enumerate(bundle["entry"]):
        if "medicationCodeableConcept" in entry["resource"]:
            entry["resource"].pop("medicationCodeableConcept")
            entry["resource"]["medicationReference"] = {"reference": f"Medication/{number}"}
    bare = {k: v for k, v in order(status="completed").items() if k != "medicationCodeableConcept"}
    old = [{**bare, "id": f"old{n}", "medicationReference": {"reference": f"Medication/old{n}"}} for n in range(2)]
    bundle["entry"] += [{"fullUrl": f"http://ehr.example/MedicationRequest/{r['id']}", "resource": r} for r in old]
    (case / "record.bundle.json").write_text(json.dumps(bundle), "utf-8")
    found = waykeeper.gaps(str(CASE / "plan.bundle.json"), str(case), as_of="2026-08-20")
    assert next(row for row in found.whole.rows if row.kind == "plan").verdict == "current"
    assert [(f.code, f.details) for f in found.findings] == [
        ("WKC224", "no Medication was read, though orders point at some: these orders are not compared with the plans")
    ]


def test_an_order_without_a_name_is_never_the_one_of_the_plan_that_has_none(tmp_path):
    """Two Medications that nobody could read are two medicines, and an answer about one is none about the other."""
    plan_of = tmp_path / "plan"
    plan_of.mkdir()
    record = json.loads((CASE / "record.bundle.json").read_text("utf-8"))
    bare = {k: v for k, v in order().items() if k != "medicationCodeableConcept"}

    def nameless(number):
        pointed = {**bare, "id": f"n{number}", "medicationReference": {"reference": f"Medication/{number}"}}
        return {"fullUrl": f"http://ehr.example/MedicationRequest/n{number}", "resource": pointed}

    record["entry"].append(nameless(1))
    (plan_of / "record.bundle.json").write_text(json.dumps(record), "utf-8")
    made = waykeeper.compile(
        "total-hip-replacement", clinic="clinic-demo", patient=str(plan_of / "record.bundle.json"), side="right",
        surgery="2026-08-31T07:30",
    )  # fmt: skip
    (plan_of / "plan.bundle.json").write_text(json.dumps(made.bundle), "utf-8")
    assert "name missing" not in plan_row(tmp_path, case=plan_of).reason
    found = plan_row(tmp_path, nameless(2)["resource"], case=plan_of)
    assert "MedicationRequest, name missing (Medication/2) (MedicationRequest/n2)" in found.reason


@pytest.mark.parametrize("case", sorted(p.parent for p in CASE.parent.glob("*/plan.bundle.json")), ids=lambda p: p.name)
def test_the_list_that_a_plan_was_made_from_is_never_news(tmp_path, case):
    assert "in the plan: " not in plan_row(tmp_path, case=case, as_of="2024-01-01").reason
