"""What statements and messages about our resources tell, however they name them, and which of them tell of a dose.

FHIR R4 medication-statement-status (hl7.org/fhir/R4/valueset-medication-statement-status.html): active "The medication
is still being taken", completed "The medication is no longer being taken", not-taken "The medication was not consumed
by the patient", intended "The medication may be taken at some time in the future", stopped and on-hold: halted.
MedicationStatement.effective[x]: "The interval of time during which it is being asserted that the patient is/was/will
be taking the medication"; dateAsserted: "The date when the medication statement was asserted".
"""

import pytest

from waykeeper.fhir.told import last_taken, not_taken, related, told_of

ZONE = "America/Chicago"
HOLD = "MedicationRequest/210"
NUMBER = {"system": "https://alder-quay.example/identifier/plan", "value": "1"}
OWN = [(HOLD, {"resourceType": "MedicationRequest", "id": "210", "identifier": [NUMBER]})]


def statement(status="completed", on=HOLD, **said):
    told = {"resourceType": "MedicationStatement", "status": status, "basedOn": [{"reference": on}]}
    return told | (said or {"effectiveDateTime": "2026-03-17"})


def doses(*statements):
    """The days of the last dose taken, and of the last one not taken."""
    about = related([HOLD], told_of([("", one) for one in statements], OWN))
    return tuple(one and one.day.isoformat() for one in (last_taken(about, ZONE), not_taken(about, ZONE)))


@pytest.mark.parametrize(
    ("status", "told"),
    [
        ("completed", ("2026-03-17", None)),
        ("active", ("2026-03-17", None)),
        ("stopped", ("2026-03-17", None)),
        ("on-hold", ("2026-03-17", None)),
        ("unknown", ("2026-03-17", None)),
        ("of nobody's", ("2026-03-17", None)),
        ("not-taken", (None, "2026-03-17")),
        ("intended", (None, None)),
        ("entered-in-error", (None, None)),
    ],
)
def test_which_statements_tell_of_a_dose(status, told):
    assert doses(statement(status)) == told


@pytest.mark.parametrize(
    ("status", "said", "day"),
    [
        ("completed", {"effectivePeriod": {"start": "2026-01-01", "end": "2026-03-12"}}, "2026-03-12"),
        ("stopped", {"effectivePeriod": {"start": "2026-01-01", "end": "2026-03-12"}}, "2026-03-12"),
        ("active", {"effectivePeriod": {"start": "2026-01-01"}, "dateAsserted": "2026-03-10"}, "2026-03-10"),
        ("active", {"effectivePeriod": {"start": "2026-01-01", "end": "2026-12-31"}, "dateAsserted": "2026-03-10"},
         "2026-03-10"),
        ("active", {"effectivePeriod": {"start": "2026-01-01"}}, "2026-01-01"),
        ("active", {"effectiveDateTime": "2026-03-17T23:30:00-05:00", "dateAsserted": "2026-03-10"}, "2026-03-17"),
        ("completed", {"effectiveDateTime": "2026-03-17T03:30:00Z"}, "2026-03-16"),
        ("completed", {"effectiveDateTime": "2026-03"}, None),
        ("completed", {"dateAsserted": "2026-03-10"}, None),
    ],
)  # fmt: skip
def test_the_day_of_a_dose(status, said, day):
    assert doses(statement(status, **said)) == (day, None)


def test_the_latest_of_each_kind_counts():
    late = {"effectiveDateTime": "2026-03-18"}
    later = statement("intended", effectiveDateTime="2026-03-19")
    assert doses(statement("not-taken", **late), later, statement()) == ("2026-03-17", "2026-03-18")


@pytest.mark.parametrize(
    "pointer",
    [
        {"reference": HOLD},
        {"reference": f"{HOLD}/_history/4"},
        {"reference": f"https://h.example/fhir/{HOLD}"},
        {"reference": f"https://h.example/fhir/{HOLD}/_history/4"},
        {"identifier": NUMBER},
        {"reference": "MedicationRequest?identifier=https://alder-quay.example/identifier/plan|1"},
        {"reference": "#inner"},
    ],
)
@pytest.mark.parametrize("element", ["basedOn", "about"])
def test_whatever_the_way_in_which_it_names_the_resource(pointer, element):
    inner = {"resourceType": "MedicationRequest", "id": "inner", "identifier": [NUMBER]}
    told = {"resourceType": "Communication", element: [pointer], "contained": [inner]}
    assert related([HOLD], told_of([("Communication/1", told)], OWN)) == [told]


@pytest.mark.parametrize("pointer", [{"reference": "MedicationRequest/21"}, {"reference": "#other"}, {"display": HOLD}])
def test_another_resource_is_not_meant(pointer):
    told = {"resourceType": "Communication", "about": [pointer]}
    assert related([HOLD], told_of([("Communication/1", told)], OWN)) == []


def test_only_statements_tell_of_doses():
    assert last_taken([{"resourceType": "Communication", "effectiveDateTime": "2026-03-17"}], ZONE) is None
