"""An expression taken apart has the value that the engine gives it whole, over any record."""

import copy
from datetime import date
from functools import cache

import pytest
from fhirpathpy import compile as compile_path
from fhirpathpy.models import models
from hypothesis import given, settings
from hypothesis import strategies as st

from effort import examples
from waykeeper.pathway import library
from waykeeper.record.evaluation import Evaluation, terms
from waykeeper.verbs import inputs

R4 = models["r4"]
SURGERY = date(2026, 3, 18)


def pathway_expressions():
    """Every FHIRPath of the facts of every pathway in the library."""
    clinic = inputs.clinic_of("clinic-demo")
    pathways = [inputs.pathway_of(name, clinic)[0] for name in library.names()]
    return sorted({e for p in pathways for f in p.facts for e in (f.yes, f.no) if e})


EXPRESSIONS = pathway_expressions()
ODD = [
    "Condition.exists()",
    "Condition.count() = 2",
    "Condition.where(code.text = 'gout').count() = 1",
    "exists()",
    "where(resourceType = 'Condition').exists()",
    "Condition.select($this).count() > 1",
    "Condition.where($this.code.exists()).exists()",
    "Condition = Condition",
    "(Condition | Observation).where(status = 'final').exists()",
    "Condition.code.coding.code.combine(Observation.code.coding.code).count() > 3",
    "Condition.where(subject.reference = %context.where(resourceType = 'Patient').id).exists()",
    "iif(Condition.code.coding.code.join(' ').matches('I1'), true, false) or Condition.code.coding.code",
    "iif(Condition.code.coding.code.matches('I1'), true, false)",
    "iif(Condition.code.text.join(';').matches('['), true, false)",
    "iif(Condition.code.text.join(';').matches('a\\\\.b'), true, false)",
    "iif(Observation.value.join(';').matches('x'), true, false)",
    "Condition.where(recordedDate < %surgery).exists()",
    "Condition.where(code.coding.exists($index = 1)).exists()",
    "Condition.onset.exists() xor Observation.exists()",
    "Condition.where(onset.empty()).exists() or Patient.name.family = 'Aldous'",
    "Condition.repeat(code).exists()",
    "Condition.descendants().where($this = 'I10').exists()",
    "false",
    "Patient",
]


@cache
def engine(expression):
    """The engine's own reading of an expression."""
    return compile_path(expression, R4)


def whole(resources, expression):
    """What the engine says of the expression as it is, over all resources."""
    try:
        told = engine(expression)(copy.deepcopy(resources), {"surgery": SURGERY.isoformat()})
    except Exception:
        return False
    return list(told) == [True]


CODES = ["I10", "Z86.14", "Z22.322", "Z79.891", "E11.9", "G47.33", "Z60.2", "Z72.0", "72166-2", "35492-8", "11289", "x"]
TEXTS = [
    "chlorhexidine",
    "No known allergies",
    "no known allergy",
    "Latex gloves",
    "cefazolin",
    "warfarin 5 mg",
    "gout",
]
DAYS = ["2023-03-17", "2024-03-18", "2024-03-17", "2024", "2025-11-02T10:00:00-06:00", "2019-05"]
codings = st.fixed_dictionaries(
    {}, optional={"code": st.sampled_from(CODES), "display": st.sampled_from(TEXTS), "_code": st.just({"id": "c"})}
)
concepts = st.fixed_dictionaries(
    {}, optional={"coding": st.lists(codings, max_size=3), "text": st.one_of(st.sampled_from(TEXTS), st.just(7))}
)
statuses = st.sampled_from(["confirmed", "refuted", "entered-in-error"]).map(lambda c: {"coding": [{"code": c}]})


def resource(kind, **optional):
    """A resource of one type with some of these elements."""
    return st.fixed_dictionaries({"resourceType": st.just(kind)}, optional=optional)


records = st.lists(
    st.one_of(
        resource(
            "Condition",
            id=st.sampled_from(["a", "b"]),
            code=concepts,
            verificationStatus=statuses,
            onsetDateTime=st.sampled_from(DAYS),
            recordedDate=st.sampled_from(DAYS),
            abatementString=st.just("long ago"),
        ),
        resource("AllergyIntolerance", code=concepts, verificationStatus=statuses),
        resource(
            "Observation",
            code=concepts,
            status=st.sampled_from(["final", "cancelled"]),
            valueString=st.sampled_from(["Positive", "negative"]),
            valueCodeableConcept=st.sampled_from(["LA18976-3", "LA18978-9"]).map(lambda c: {"coding": [{"code": c}]}),
            effectiveDateTime=st.sampled_from(DAYS),
        ),
        resource(
            "MedicationRequest",
            status=st.sampled_from(["active", "stopped"]),
            medicationCodeableConcept=concepts,
            medicationReference=st.just({"reference": "Medication/1"}),
        ),
        resource("MedicationStatement", status=st.just("active"), medicationCodeableConcept=concepts),
    ),
    max_size=6,
).map(lambda rest: [{"resourceType": "Patient", "id": "p", "communication": [
    {"language": {"coding": [{"code": "es"}]}, "preferred": True}]}, *rest])  # fmt: skip


@given(records)
@settings(deadline=None, max_examples=examples(60))
def test_every_fact_of_the_library_is_what_the_engine_says_of_it_whole(resources):
    asked = Evaluation(resources, SURGERY)
    before = copy.deepcopy(resources)
    found = {e: asked.true(e) for e in EXPRESSIONS}
    assert found == {e: whole(resources, e) for e in EXPRESSIONS}
    assert resources == before, "a record is read, never changed"


@given(records, st.sampled_from(ODD))
@settings(max_examples=examples(100), deadline=None)
def test_an_odd_expression_is_what_the_engine_says_of_it_whole(resources, expression):
    assert Evaluation(resources, SURGERY).true(expression) == whole(resources, expression)


@pytest.mark.parametrize("expression", ["exists()", "Condition.where(id = %context.id)", "code.text.exists()"])
def test_what_may_see_the_whole_record_is_shown_the_whole_record(expression):
    assert [t.value.types for t in terms(expression)] == [None]


def test_most_facts_of_the_library_are_read_by_name():
    """Otherwise nothing is remembered, and this room is slow without anything being wrong."""
    parts = [part for e in EXPRESSIONS for t in terms(e) for part in (t.value, t.words) if part]
    assert all(part.names is not None for part in parts)


def test_the_day_of_surgery_is_part_of_what_is_remembered():
    """The boundary of two years counts as within (common practice, no source)."""
    expression = next(e for e in EXPRESSIONS if "2 years" in e)
    code = {"coding": [{"code": "Z86.14"}]}
    history = [{"resourceType": "Patient"}, {"resourceType": "Condition", "code": code, "recordedDate": "2024-03-18"}]
    assert Evaluation(history, date(2026, 3, 18)).true(expression)
    assert not Evaluation(history, date(2026, 3, 19)).true(expression)
    assert Evaluation(history, date(2026, 3, 18)).true(expression)


# FHIRPath N1, 6.5.3 and 6.5.4: one grammar rule holds both; `xor` of two that hold does not hold.
@pytest.mark.parametrize(("operator", "sides"), [("or", 2), ("xor", 1)])
def test_only_or_is_taken_apart(operator, sides):
    assert len(terms(f"Condition.exists() {operator} Observation.exists()")) == sides
