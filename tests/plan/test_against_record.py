"""What the record says against the operation: the side of its diagnoses, the age. A warning asks, nothing is refused.

Words as ICD-10-CM 2026 displays them (US Government work): "Primary osteoarthritis, left ankle and foot".
"""

from datetime import date

import pytest

from waykeeper.plan.against_record import record_notes
from waykeeper.record import read

SURGERY, TITLE = date(2026, 3, 18), "Total ankle replacement"
LEFT = "Primary osteoarthritis, left ankle and foot"


def condition(number=1, text="", **more):
    return {"resourceType": "Condition", "id": f"c{number}", "code": {"text": text}} | more


def status(name, code):
    return {name: {"coding": [{"code": code}]}}


def told(*conditions, side="right", born="1961-04-12", title=TITLE):
    patient = {"resourceType": "Patient", "id": "p", **({"birthDate": born} if born else {})}
    held = [("Patient/p", patient), *((f"Condition/{c['id']}", c) for c in conditions)]
    record = read(held, lambda _: False)
    return [f.code for f in record_notes(record, title, side, SURGERY)]


@pytest.mark.parametrize(
    "conditions",
    [
        (condition(text=LEFT),),
        (condition(text="Arthritis of the ankle", bodySite=[{"coding": [{"display": "Left"}]}]),),
        (condition(code={"coding": [{"code": "M19.072", "display": LEFT}]}),),
        (condition(text=LEFT), condition(2, "Osteoarthritis of right knee"), condition(3, "Atrial fibrillation")),
        (condition(text="OA Lt ankle"),),
        (condition(text="Ankle arthritis, Lt."),),
        (condition(text="Ankle OA (L)"),),
        (condition(text="L ankle post-traumatic arthritis"),),
        (condition(text="Arthritis of ankle", bodySite=[{"text": "L"}]),),
        (condition(text=LEFT), condition(2, "Sprain of right ankle", **status("clinicalStatus", "resolved"))),
        (condition(text=LEFT), condition(2, "Arthritis, right ankle", **status("verificationStatus", "refuted"))),
    ],
)
def test_the_other_side_is_asked_about(conditions):
    assert told(*conditions) == ["WKL113"]
    assert told(*conditions, side="left") == []
    assert told(*conditions, side="") == []  # that the side is not stated is told by itself


@pytest.mark.parametrize(
    "conditions",
    [
        (condition(text=LEFT), condition(2, "Arthritis of right ankle")),
        (condition(text="Bilateral ankle osteoarthritis"),),
        (condition(text="Osteoarthritis of both ankle joints"),),
        (condition(text="Osteoarthritis of left knee"),),
        (condition(text="Ankle pain"), condition(2, "Left bundle branch block")),
        (condition(text="Ankle weakness from L4 radiculopathy"),),
        (condition(text="Ankle oedema, 5 mL drained, CRP 20 mg/L"),),
        (condition(text="R/O ankle fracture"), condition(2, "Ankle pain, o/l")),
        (condition(text="Ankle OA L>R"),),
        (condition(text="B/L ankle OA"),),
        (condition(text="Ankle screws left in place"),),
        (condition(text=LEFT, **status("verificationStatus", "entered-in-error")),),
        (),
    ],
)
def test_what_names_this_side_too_or_something_else_says_nothing(conditions):
    assert told(*conditions) == []


def test_the_words_are_those_of_the_pathway():
    assert told(condition(text="Age-related cataract, left eye"), title="Cataract surgery") == ["WKL113"]


@pytest.mark.parametrize(
    ("born", "found"),
    [
        ("2008-03-18", []),
        ("2008-03-19", ["WKL114"]),
        ("2026-03-10", ["WKL114"]),
        ("2027-01-01", ["WKL114"]),
        ("1915-03-19", []),
        ("1915-03-18", ["WKL114"]),
        ("1961", []),
        ("", []),
    ],
)
def test_the_age_on_the_day_of_surgery(born, found):
    assert told(born=born) == found
