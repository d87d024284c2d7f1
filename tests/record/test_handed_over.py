"""What was dispensed or given without an order is a row; nothing is doubled. Invented people only."""

from __future__ import annotations

from datetime import date

import pytest

from waykeeper.record import read

PATIENT = ("Patient/p", {"resourceType": "Patient", "id": "p"})
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
SURGERY = date(2026, 3, 18)


def medicine(words="warfarin 5 mg", code=""):
    coding = {"coding": [{"system": RXNORM, "code": code}]} if code else {}
    return {"text": words, **coding}


def order(words="warfarin 5 mg", code="", id="o", **more):  # noqa: A002 - FHIR's word
    said = {"resourceType": "MedicationRequest", "id": id, "status": "active", "intent": "order",
            "medicationCodeableConcept": medicine(words, code)}  # fmt: skip
    return f"MedicationRequest/{id}", said | more


def dispense(words="warfarin 5 mg", code="", id="d", on="2026-03-01", **more):  # noqa: A002
    said = {"resourceType": "MedicationDispense", "id": id, "status": "completed", "whenHandedOver": on,
            "medicationCodeableConcept": medicine(words, code)}  # fmt: skip
    return f"MedicationDispense/{id}", said | more


def dose(words="warfarin 5 mg", code="", id="a", on="2026-03-01", **more):  # noqa: A002
    said = {"resourceType": "MedicationAdministration", "id": id, "status": "completed", "effectiveDateTime": on,
            "medicationCodeableConcept": medicine(words, code)}  # fmt: skip
    return f"MedicationAdministration/{id}", said | more


def rows(*pairs, **more):
    return [e.reference for e in read([PATIENT, *pairs], surgery=SURGERY, **more).medicines]


def codes(*pairs):
    return [f.code for f in read([PATIENT, *pairs], surgery=SURGERY).findings]


# FHIR R4: MedicationDispense.status, MedicationAdministration.status
@pytest.mark.parametrize("status", ["preparation", "in-progress", "completed", "on-hold", "stopped", "unknown"])
def test_what_was_dispensed_without_an_order_is_a_row(status):
    (entry,) = read([PATIENT, dispense(status=status)]).medicines
    assert (entry.reference, entry.words) == ("MedicationDispense/d", "warfarin 5 mg")
    going_on = status in ("preparation", "in-progress", "completed")
    assert entry.status == ("active" if going_on else status)


@pytest.mark.parametrize("status", ["cancelled", "declined", "entered-in-error"])
def test_what_was_never_handed_over_is_none(status):
    assert rows(dispense(status=status)) == []


@pytest.mark.parametrize("status", ["not-done", "entered-in-error"])
def test_what_was_never_given_is_none(status):
    assert rows(dose(status=status)) == []


def test_a_dose_without_an_order_is_a_row_with_its_day_and_amount():
    given = {"text": "500 mg in two hours", "dose": {"value": 500, "unit": "mg", "code": "mg"}}
    (entry,) = read([PATIENT, dose("infliximab", on="2026-02-25", dosage=given)]).medicines
    assert (str(entry.last_taken), entry.dose_text, str(entry.dose_mg)) == ("2026-02-25", given["text"], "500")


@pytest.mark.parametrize("of", [
    {"authorizingPrescription": [{"reference": "MedicationRequest/o"}]},
    {"authorizingPrescription": [{"reference": "https://a.example/fhir/MedicationRequest/o/_history/2"}]},
    {"authorizingPrescription": [{"identifier": {"system": "urn:rx", "value": "7"}}]},
])  # fmt: skip
def test_an_order_that_is_named_stands_for_it_whatever_its_words(of):
    with_number = order("Coumadin", identifier=[{"system": "urn:rx", "value": "7"}])
    assert rows(with_number, dispense(**of)) == ["MedicationRequest/o"]
    assert rows(with_number, dose(request=next(iter(of.values()))[0])) == ["MedicationRequest/o"]


def test_an_order_that_is_not_in_the_record_stands_for_nothing():
    assert rows(order("aspirin 81 mg"), dispense(authorizingPrescription=[{"reference": "MedicationRequest/9"}])) == [
        "MedicationRequest/o", "MedicationDispense/d",
    ]  # fmt: skip


@pytest.mark.parametrize(("listed", "handed"), [
    (order("Coumadin 5 mg", "855332"), dispense("warfarin 5 mg", "855332")),
    (order("warfarin 5 mg"), dispense("Warfarin  5 MG")),
])  # fmt: skip
def test_a_row_of_the_same_medicine_stands_for_it(listed, handed):
    assert rows(listed, handed) == ["MedicationRequest/o"]


def test_two_medicines_of_which_the_codes_are_all_that_is_known_are_two():
    """Texts that are not there are no words in common (FHIR R4: CodeableConcept.text and Coding.display are 0..1)."""
    assert rows(order(None, "855332"), dispense(None, "1364430")) == ["MedicationRequest/o", "MedicationDispense/d"]
    assert rows(order(None, "855332"), dispense(None, "855332")) == ["MedicationRequest/o"]


@pytest.mark.parametrize("status", ["stopped", "completed", "cancelled", "entered-in-error"])
def test_an_order_that_has_ended_stands_for_nothing_that_was_handed_over(status):
    assert rows(order(status=status), dispense()) == ["MedicationRequest/o", "MedicationDispense/d"]
    assert len(rows(order(doNotPerform=True), dispense())) == 2


def test_a_statement_that_was_made_from_a_dispense_stands_for_it():
    statement = ("MedicationStatement/s", {
        "resourceType": "MedicationStatement", "id": "s", "status": "active",
        "medicationCodeableConcept": medicine("x"),
        "derivedFrom": [{"reference": "MedicationDispense/d"}],
    })  # fmt: skip
    assert rows(statement, dispense()) == ["MedicationStatement/s"]


def test_a_medicine_that_was_dispensed_each_month_is_one_row_the_newest():
    months = [dispense(id=str(n), on=f"2026-0{n}-05") for n in (1, 3, 2)]
    assert rows(*months) == rows(*months[::-1]) == ["MedicationDispense/3"]
    assert rows(*months, dispense("apixaban 5 mg", id="x")) == ["MedicationDispense/3", "MedicationDispense/x"]


def test_an_answer_about_a_row_stands_when_it_is_dispensed_again():
    """The key of the row is that of the first time, the words are those of the newest."""
    march = dispense("warfarin 5 mg", "855332", id="3", on="2026-03-05")
    april = dispense("warfarin 5 MG tablet", "855332", id="4", on="2026-04-05")
    (one,) = read([PATIENT, march]).medicines
    (two,) = read([PATIENT, april, march]).medicines
    assert one.key == two.key == "MedicationDispense/3" and two.words == "warfarin 5 MG tablet"


def test_what_was_dispensed_long_ago_is_counted_and_not_listed():
    old = dispense("amoxicillin 500 mg", on="2024-11-02")
    found = read([PATIENT, old], surgery=SURGERY)
    assert found.medicines == () and [f.code for f in found.findings] == ["WKR106"]
    assert rows(dispense(on="2025-03-18")) and rows(dispense(whenHandedOver="")), "a year, and no day at all"
    assert rows(dispense(on="2025-03-17")) and not rows(dispense(on="2025-03-16")), "366 days, and one more"
    assert len(read([PATIENT, old]).medicines) == 1, "without a surgery nothing is long ago"


def test_a_dose_that_names_no_order_is_no_last_dose_and_is_told():
    """It could turn a question about the last dose into a day; of which order it was nobody says."""
    found = read([PATIENT, order(), dose()], surgery=SURGERY)
    assert [str(e.last_taken) for e in found.medicines] == ["None"]
    assert codes(order(), dose()) == ["WKR107"] and codes(order(), dispense()) == []
    assert codes(order(), dose(request={"reference": "MedicationRequest/o"})) == []
