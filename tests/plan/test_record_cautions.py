"""What the record warns of and nothing answers is said when a plan is made; what came later, in the gap report.

Codes of "no known allergy": SNOMED CT as FHIR DSTU2 lists them (valueset-allergyintolerance-substance-code), 716186003
from memory. Statuses: FHIR R4 allergyintolerance-clinical (inactive: "no longer at risk of a reaction"; resolved:
"considered no longer to be present") and allergyintolerance-verification.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from merge.small import MRN, clinic, pathway, patient
from waykeeper import fhir
from waykeeper.gaps import TheatreCase, TheatreList, worklist
from waykeeper.medicines import recorded_cautions
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Identifier, Plan, State
from waykeeper.record import read
from waykeeper.timing.model import Moment

DAY = date(2026, 3, 18)
SNOMED, RXNORM = "http://snomed.info/sct", "http://www.nlm.nih.gov/research/umls/rxnorm"
ICD = "http://hl7.org/fhir/sid/icd-10-cm"
PREGNANT = {"resourceType": "Condition", "code": {"text": "Pregnant"}, "recordedDate": "2026-01-05"}
ANSWERED = {
    "resourceType": "Observation",
    "status": "final",
    "code": {"coding": [{"system": "http://loinc.org", "code": "82810-3"}]},
    "valueCodeableConcept": {"text": "Pregnant"},
    "effectiveDateTime": "2026-03-01",
}


def allergy(text: str = "", code: str = "", system: str = SNOMED, display: str = "", **more: Any) -> dict[str, Any]:
    coding = {"system": system, "code": code} | ({"display": display} if display else {})
    concept = ({"coding": [coding]} if code else {}) | ({"text": text} if text else {})
    return {"resourceType": "AllergyIntolerance", "code": concept, **more}


def condition(text: str = "", **more: Any) -> dict[str, Any]:
    return {"resourceType": "Condition", "code": {"text": text}} | more


def status(name: str, code: str) -> dict[str, Any]:
    return {name: {"coding": [{"code": code}]}}


def told(*resources: dict[str, Any]) -> list[str]:
    return [one.words for one in recorded_cautions(resources, DAY)]


@pytest.mark.parametrize(
    ("resource", "words"),
    [
        (allergy("Povidone-iodine"), "Povidone-iodine"),
        (allergy("Adhesive tape", **status("clinicalStatus", "active")), "Adhesive tape"),
        (allergy("Latex", **status("verificationStatus", "unconfirmed")), "Latex"),
        (allergy("Nickel", criticality="low"), "Nickel"),
        (allergy("Iodine", criticality="high"), "Iodine (severe)"),
        (allergy("Iodine", reaction=[{"severity": "severe"}]), "Iodine (severe)"),
        (allergy(code="91936005", display="Allergy to penicillin"), "Allergy to penicillin"),
        (allergy(code="7980", system=RXNORM), "code 7980"),
        (allergy(code="A17", system="urn:of-the-clinic"), "code A17"),
        (allergy(), "an allergy without a name"),
        (allergy(reaction=[{"substance": {"text": "Codeine"}}]), "Codeine"),
        (allergy("No known allergies", reaction=[{"substance": {"text": "Tape"}}]), "Tape"),
        (allergy("Penicillin", "716186003"), "Penicillin"),
        (allergy("Unknown"), "Unknown"),
        (allergy("No known allergies, tape"), "No known allergies, tape"),
        (allergy("NKDA, iodine"), "NKDA, iodine"),
        (allergy("No known drug allergies - food allergies"), "No known drug allergies - food allergies"),
        (allergy("No known allergies except penicillin"), "No known allergies except penicillin"),
        (condition("Allergy to adhesive tape"), "Allergy to adhesive tape"),
        (
            condition(code={"coding": [{"system": ICD, "code": "Z88.5", "display": "Allergy status to narcotics"}]}),
            "Allergy status to narcotics",
        ),
        (PREGNANT, "pregnancy (Pregnant)"),
        (ANSWERED, "pregnancy (Pregnant)"),
    ],
)
def test_what_stands_is_told_as_it_is_written(resource: dict[str, Any], words: str) -> None:
    assert told(resource) == [words]


@pytest.mark.parametrize(
    "resource",
    [
        allergy("Iodine", **status("verificationStatus", "refuted")),
        allergy("Iodine", **status("verificationStatus", "entered-in-error")),
        allergy("Iodine", **status("clinicalStatus", "inactive")),
        allergy("Iodine", **status("clinicalStatus", "resolved")),
        *(allergy(code=c) for c in ("716186003", "409137002", "160244002", "429625007", "428607008")),
        allergy(code="716186003", display="No known allergy (situation)"),
        allergy("No known allergies", "N1", "urn:of-the-clinic"),
        *map(allergy, ("No known allergies", "NO KNOWN DRUG ALLERGIES", "NKDA", "nka.", "None", "None known", "Nil")),
        *map(allergy, ("No known latex allergy", "Denies allergies", "Sin alergias conocidas")),
        condition("Allergic rhinitis"),
        condition("Family history of allergy to nuts"),
        condition("No known allergies"),
        condition("Allergy to tape", **status("verificationStatus", "refuted")),
        condition("Not pregnant"),
        PREGNANT | {"recordedDate": "2024-01-05"},
        PREGNANT | {"abatementDateTime": "2026-02-01"},
    ],
)  # fmt: skip
def test_what_is_over_a_mistake_or_none_is_not(resource: dict[str, Any]) -> None:
    assert told(resource) == []


def test_a_man_is_not_pregnant() -> None:
    assert told({"resourceType": "Patient", "gender": "male"}, PREGNANT) == []


@settings(deadline=None)  # the first reads all tables, which a busy machine does not do in a fifth of a second
@given(st.permutations([allergy("Tape"), allergy("tape"), allergy("Iodine", criticality="high"), PREGNANT]))
def test_severe_first_each_once_whatever_the_order(resources: list[dict[str, Any]]) -> None:
    assert told(*resources) == ["Iodine (severe)", "Tape", "pregnancy (Pregnant)"]


WORDS = ("no", "known", "drug", "allergies", "latex", "tape", "and", "none", "codeine")


@settings(deadline=None)
@given(st.lists(st.sampled_from(WORDS), min_size=1))
def test_a_text_that_names_a_substance_is_never_left_out(words: list[str]) -> None:
    text = " ".join(words)
    names = {"latex", "tape", "codeine"} & set(words)
    if names and text not in ("no latex allergy", "no known latex allergy"):
        assert told(allergy(text)) == [text]


# of the pathway and the plan

WHO = Identifier(MRN, "M-2")
LATEX, TAPE = allergy("Latex"), allergy("Adhesive tape")
OF_THE_PATIENT = {"subject": {"reference": "Patient/p"}, "patient": {"reference": "Patient/p"}}


def held(*resources: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """The record of a woman of forty, with these."""
    theirs = [(f"{r['resourceType']}/{n}", r | OF_THE_PATIENT) for n, r in enumerate(resources)]
    return [("Patient/p", patient(WHO) | {"id": "p", "birthDate": "1986-04-09"}), *theirs]


def compiled(*resources: dict[str, Any]) -> Plan:
    surgery = {"surgery": Moment(DAY)}
    return compile_plan(pathway(), clinic(), read(held(*resources), fhir.is_ours), surgery, side="left", identifier=WHO)


def notes(plan: Plan) -> list[str]:
    return [f.details for f in plan.findings if f.code == "WKL115"]


def test_what_no_item_of_the_pathway_answers_is_told_in_one_finding() -> None:
    plan = compiled(TAPE, allergy("Iodine", criticality="high"), LATEX, PREGNANT)
    assert notes(plan) == [
        "recorded: Iodine (severe), Adhesive tape, pregnancy (Pregnant); no item of this pathway answers it"
    ]
    assert plan.cautions == ("Iodine (severe)", "Adhesive tape", "Latex", "pregnancy (Pregnant)")


def test_nothing_is_told_where_an_item_depends_on_it_or_none_is_known() -> None:
    assert notes(compiled(LATEX)) == []
    assert notes(compiled(allergy("No known allergies"))) == []
    assert notes(compiled()) == []


def row_of_the_plan(plan: Plan, *resources: dict[str, Any], as_of: date = date(2026, 3, 10)) -> Any:
    written = [(f"{r['resourceType']}/{r['id']}", r) for r in fhir.write(plan)]
    plans = fhir.read_all([*written, *held(*resources)])
    (row,) = (row for row in worklist(plans, [], as_of).rows if row.kind == "plan")
    return row


@pytest.mark.parametrize("later", [LATEX, TAPE, PREGNANT, ANSWERED, condition("Allergy to tape"), allergy(code="A17")])
def test_what_was_recorded_after_the_plan_was_made_is_asked_about(later: dict[str, Any]) -> None:
    (words,) = told(later)
    row = row_of_the_plan(compiled(), later)
    assert (row.verdict, row.severity) == ("needs-review", 3)
    assert f"names what this plan was not made with: {words}. Nobody has said" in row.reason
    assert row_of_the_plan(compiled(later), later).verdict == "current"


def test_after_surgery_it_is_told_beside_what_is_not_proven() -> None:
    row = row_of_the_plan(compiled(), TAPE, as_of=date(2026, 3, 20))
    assert row.verdict == "unproven"
    assert any("not made with: Adhesive tape" in said for said in row.questions)


def test_a_graver_one_is_another_a_pregnancy_told_otherwise_is_not() -> None:
    made = compiled(TAPE, PREGNANT)
    assert row_of_the_plan(made, TAPE, condition("Supervision of pregnancy")).verdict == "current"
    assert "Adhesive tape (severe)" in row_of_the_plan(made, TAPE | {"criticality": "high"}, PREGNANT).reason


def row_of_an_older_plan(plan: Plan, *resources: dict[str, Any], as_of: date = date(2026, 3, 10)) -> Any:
    """Of a plan as it was written before plans said what they were made with."""
    return row_of_the_plan(replace(plan, cautions=None), *resources, as_of=as_of)


@pytest.mark.parametrize("as_of", [date(2026, 3, 10), date(2026, 3, 20)])
def test_a_plan_that_does_not_say_what_it_was_made_with_asks_mildly(as_of: date) -> None:
    """It may heed the allergy, as one to latex has an item of its own: the gravest row of half a caseload is read by
    nobody. Pushed again it says what it was made with."""
    row = row_of_an_older_plan(compiled(LATEX), LATEX, allergy("Penicillin"), as_of=as_of)
    said = "record names Latex; Penicillin, and this plan does not say whether it was made with that"
    if as_of < DAY:
        assert (row.verdict, row.severity, row.gap) == ("needs-review", 1, True)
        assert said in row.reason and "Nobody has said" not in row.reason
    else:
        assert row.verdict == "unproven" and any(said in one for one in row.questions)
    assert row_of_an_older_plan(compiled()).verdict == "current"


@pytest.mark.parametrize("known", [(), (LATEX, PREGNANT)])
def test_a_plan_says_what_it_was_made_with_also_where_that_is_nothing(known: tuple[dict[str, Any], ...]) -> None:
    made = compiled(*known)
    written = [(f"{r['resourceType']}/{r['id']}", r) for r in fhir.write(made)]
    ((read_again, _),) = fhir.read_all([*written, *held(*known)])
    assert read_again.cautions == made.cautions is not None
    older = replace(made, cautions=None)
    assert "caution" not in str(fhir.write(older)[0]["extension"])


def test_it_comes_before_what_is_less_grave_and_after_it_where_nobody_knows() -> None:
    """Behind a day that the theatre list does not show, an allergy was a question of a row of severity 2."""
    made = compiled()
    elsewhere = TheatreList((TheatreCase("line 2", ("urn:of-another|1",), DAY),), DAY, DAY)
    found = []
    for plan in (made, replace(made, cautions=None)):
        whole = worklist([(plan, State(cautions_since=("Latex",)))], [], date(2026, 3, 10), theatre=elsewhere)
        found += [(r.verdict, r.severity) for r in whole.rows if r.item == "plan/plan"]
    assert found == [("needs-review", 3), ("no-case", 2)]


def test_one_that_is_told_as_less_grave_now_asks_nothing() -> None:
    assert row_of_the_plan(compiled(TAPE | {"criticality": "high"}), TAPE).verdict == "current"


def test_what_is_taken_back_or_denied_later_asks_nothing() -> None:
    made = compiled()
    refuted = TAPE | status("verificationStatus", "refuted")
    assert row_of_the_plan(made, refuted, allergy("No known allergies")).verdict == "current"


def test_one_that_cannot_be_read_is_told_by_its_name_and_keeps_no_list_from_being_made() -> None:
    broken = TAPE | {"clinicalStatus": "active"}
    row = row_of_the_plan(compiled(), broken, {"resourceType": "Condition", "code": "x"}, LATEX)
    assert "Latex; an allergy that cannot be read (AllergyIntolerance/0)" in row.reason
