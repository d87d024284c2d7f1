"""Which Medication an order points at (FHIR R4, bundle, resolving references in bundles)."""

from __future__ import annotations

import pytest

from waykeeper.record import read, resources_of
from waykeeper.record.concepts import routes, text_of

A, B = "https://a.example/fhir", "https://b.example/fhir"


def entry(resource, base=A, url=None):
    address = url if url is not None else f"{base}/{resource['resourceType']}/{resource['id']}"
    return {"fullUrl": address, "resource": resource} if address else {"resource": resource}


def medication(words, id="1"):  # noqa: A002 - FHIR's word
    return {"resourceType": "Medication", "id": id, "code": {"text": words}}


def order(target, id="7"):  # noqa: A002
    return {
        "resourceType": "MedicationRequest",
        "id": id,
        "status": "active",
        "medicationReference": {"reference": target},
    }


def words(*entries):
    patient = entry({"resourceType": "Patient", "id": "p"})
    document = {"resourceType": "Bundle", "type": "collection", "entry": [patient, *entries]}
    return [e.words for e in read(resources_of(document)).medicines]


UNNAMED = "MedicationRequest, name missing"


@pytest.mark.parametrize("target", ["Medication/1", f"{A}/Medication/1", f"{A}/Medication/1/_history/3",
                                    "Medication/1/_history/3"])  # fmt: skip
@pytest.mark.parametrize("url", [None, "", "urn:uuid:0b9e3b5e-8f2c-4d39-9f0e-2f6f6f6f6f6f"])
def test_by_address_by_id_and_in_any_version(target, url):
    assert words(entry(medication("warfarin 5 mg"), url=url), entry(order(target))) == ["warfarin 5 mg"]


def test_two_servers_with_one_id_are_two():
    both = [entry(medication("warfarin 5 mg")), entry(medication("metformin 500 mg"), B)]
    assert words(*both, entry(order("Medication/1")), entry(order("Medication/1", "8"), B)) == [
        "warfarin 5 mg", "metformin 500 mg",
    ]  # fmt: skip
    assert words(*both, entry(order(f"{B}/Medication/1"))) == ["metformin 500 mg"]


def test_where_nobody_says_which_the_row_asks():
    both = [entry(medication("warfarin 5 mg")), entry(medication("metformin 500 mg"), B)]
    (said,) = words(*both, entry(order("Medication/1"), url=""))
    assert said.startswith(UNNAMED) and "several Medications" in said
    twice = [entry(medication("warfarin 5 mg")), entry(medication("warfarin 5 mg"), B)]
    assert words(*twice, entry(order("Medication/1"), url="")) == ["warfarin 5 mg"]


def test_another_servers_medication_is_never_taken_for_it():
    for target in ("Medication/1", f"{A}/Medication/1"):
        assert words(entry(medication("metformin 500 mg"), B), entry(order(target))) == [f"{UNNAMED} (Medication/1)"]


def test_a_medication_that_has_only_ingredients_is_named_by_them():
    parts = [{"itemCodeableConcept": {"text": t}} for t in ("amlodipine", "valsartan")]
    made = {"resourceType": "Medication", "id": "1", "ingredient": parts}
    assert words(entry(made), entry(order("Medication/1"))) == ["amlodipine / valsartan"]


SNOMED = "http://snomed.info/sct"


# HL7 FHIR value set route-codes (R4), SNOMED CT
@pytest.mark.parametrize(("concept", "said"), [
    ({"coding": [{"system": SNOMED, "code": "26643006"}]}, "Oral route"),
    ({"coding": [{"system": SNOMED, "code": "26643006", "display": "by mouth"}]}, "by mouth"),
    ({"coding": [{"system": SNOMED, "code": "26643006"}], "text": "PO"}, "PO"),
    ({"coding": [{"code": "PO"}]}, "PO"),
    ({"coding": [{"system": "urn:own", "code": "99"}, {"system": SNOMED, "code": "34206005"}]}, "Subcutaneous route"),
    ({"coding": [{"system": "urn:own", "code": "99"}, {"code": "9", "display": "nasal"}]}, "nasal"),
    ({"coding": [{"system": SNOMED, "code": "12345678"}]}, "route code 12345678 (not known here)"),
    ({}, ""),
    (None, ""),
])  # fmt: skip
def test_a_route_is_read_in_words(concept, said):
    assert text_of(concept, "route code") == said


def test_the_routes_that_rules_know_by_code_have_words():
    from waykeeper.medicines.tables import table

    coded = {code for codes in table("ways")["codes"].values() for code in codes}
    assert coded - set(routes()) == {"385124005"}, "a dose form, no route"


@pytest.mark.parametrize(
    ("code", "display", "told"),
    [
        (None, "", "apixaban"),
        ({"coding": [{"system": "urn:local", "code": "A17"}]}, "", "apixaban"),
        ({"coding": [{"system": "urn:local", "code": "A17"}]}, "white tablet", "white tablet"),
        ({"coding": [{"system": "urn:local", "code": "A17", "display": "Bluvexa"}]}, "", "Bluvexa"),
    ],
)
def test_a_product_without_a_name_goes_by_what_it_is_made_of(code, display, told):
    """A pause of `A17`, or of a medicine without a name, tells nobody what to leave out: common practice, no source."""
    product = {"resourceType": "Medication", "id": "1", "ingredient": [{"itemReference": {"reference": "Substance/1"}}]}
    product |= {"code": code} if code else {}
    substance = {"resourceType": "Substance", "id": "1", "code": {"text": "apixaban"}}
    made = order("Medication/1")
    made["medicationReference"] |= {"display": display} if display else {}
    assert words(entry(product), entry(substance), entry(made)) == [told]
