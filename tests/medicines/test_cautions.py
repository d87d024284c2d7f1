"""An allergy or a pregnancy of the record stands on the row of the medicine that it meets (labels, from memory)."""

from __future__ import annotations

from typing import Any

import pytest

from medicines.case_files import CALENDAR, entry, moment
from waykeeper.medicines import MedicineRow, page, patient_facts, propose, recorded_cautions, unmet
from waykeeper.plan.model import HoldAnswer
from waykeeper.record.model import Kidney
from waykeeper.report.medicines import medicines_text

SURGERY = moment("2026-03-18T07:30")
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
ICD = "http://hl7.org/fhir/sid/icd-10-cm"


def rows(resources: list[dict[str, Any]], *words: str, **more: Any) -> tuple[MedicineRow, ...]:
    entries = [entry({"words": w}, f"row-{n}") for n, w in enumerate(words)]
    facts = patient_facts(resources)
    return propose(entries, SURGERY, Kidney(), "general", {}, calendar=CALENDAR, facts=facts, **more)


def allergy(text: str = "", *, code: str = "", system: str = RXNORM, **more: Any) -> dict[str, Any]:
    coding = {"coding": [{"system": system, "code": code}]} if code else {}
    return {"resourceType": "AllergyIntolerance", "code": coding | ({"text": text} if text else {}), **more}


def status(name: str, code: str) -> dict[str, Any]:
    return {name: {"coding": [{"code": code}]}}


@pytest.mark.parametrize(
    ("of_record", "words", "asked"),
    [
        (allergy("Aspirin"), "aspirin 81 mg", "allergy or intolerance to aspirin (Aspirin)"),
        (allergy("Allergy to aspirin (finding)"), "celecoxib 200 mg", "that may hold for celecoxib"),
        (allergy(code="1191"), "ibuprofen 400 mg", "that may hold for ibuprofen"),
        (allergy("NSAIDs"), "diclofenac eye drops", "(NSAIDs) that may hold for diclofenac"),
        (allergy("Lisinopril", reaction=[{"substance": {"text": "x"}}]), "enalapril 5 mg", "hold for enalapril"),
        (allergy("ACE inhibitors"), "sacubitril / valsartan 49/51 mg", "that may hold for sacubitril"),
        (allergy("Heparin"), "enoxaparin 40 mg", "that may hold for enoxaparin"),
        (allergy("something", reaction=[{"substance": {"text": "metoprolol"}}]), "metoprolol 25 mg", "to metoprolol"),
        (allergy("Opioids"), "oxycodone 5 mg", "that may hold for oxycodone"),
        (allergy("Penicillin"), "amoxicillin 500 mg", "that may hold for amoxicillin"),
        (allergy("Penicillins"), "cephalexin 500 mg", "that may hold for cephalexin"),
        (allergy("Sulfa drugs"), "sulfamethoxazole-trimethoprim 800-160 mg", "that may hold for sulfamethoxazole"),
    ],
)
def test_an_allergy_is_asked_about_on_the_row_that_it_meets(of_record: dict[str, Any], words: str, asked: str) -> None:
    (row,) = rows([of_record], words)
    assert asked in row.question
    assert "is it taken all the same, and shall it be?" in row.question
    assert [f.code for f in row.findings].count("WKM305") == 1
    assert row.decision in ("ask", "hold")


@pytest.mark.parametrize(
    ("of_record", "words"),
    [
        (allergy("Latex"), "aspirin 81 mg"),
        (allergy("Aspirin"), "acetaminophen 500 mg"),
        (allergy("Codeine"), "oxycodone 5 mg"),  # an opioid that is not borne says nothing of the others
        (allergy("Aspirin", **status("verificationStatus", "refuted")), "aspirin 81 mg"),
        (allergy("Aspirin", **status("verificationStatus", "entered-in-error")), "aspirin 81 mg"),
        (allergy("Aspirin", **status("clinicalStatus", "resolved")), "aspirin 81 mg"),
        (allergy("Aspirin", **status("clinicalStatus", "inactive")), "aspirin 81 mg"),
        (allergy("No known allergy to aspirin"), "aspirin 81 mg"),
        (allergy("Tolerates aspirin, allergic to peanuts"), "aspirin 81 mg"),
        (allergy("No known drug allergies"), "aspirin 81 mg"),
    ],
)
def test_what_it_does_not_meet_is_not_asked(of_record: dict[str, Any], words: str) -> None:
    assert rows([of_record], words) == rows([], words)


@pytest.mark.parametrize(
    ("name", "was"), [("metoprolol", "continue"), ("insulin glargine", "adjust"), ("heparin infusion", "time")]
)
def test_what_was_to_go_on_or_to_be_adjusted_asks_first(name: str, was: str) -> None:
    known = allergy(name.removesuffix(" infusion"))
    assert [rows(found, name)[0].decision for found in ([], [known])] == [was, "ask"]


def test_what_is_known_of_the_medicine_itself_is_asked_once_and_not_for_its_family_too() -> None:
    (row,) = rows([allergy("Aspirin"), allergy("NSAIDs")], "aspirin 81 mg")
    assert row.question.count("the record names an allergy") == 1


def test_a_pause_keeps_its_days_and_an_answer_its_decision() -> None:
    plain, asked = rows([], "ibuprofen 400 mg")[0], rows([allergy("NSAIDs")], "ibuprofen 400 mg")[0]
    assert (asked.decision, asked.missed_days, asked.last_dose) == ("hold", plain.missed_days, plain.last_dose)
    answered = rows([allergy("Aspirin")], "celecoxib 200 mg", answers={"row-0": HoldAnswer("continue")})[0]
    assert (answered.decision, answered.answered) == ("continue", True) and answered.question == ""
    assert any("allergy or intolerance (Aspirin)" in n for n in answered.notes)
    assert [f.code for f in answered.findings] == ["WKM305"]  # it may be known only since the answer: it stays in sight
    ended = [entry({"words": "celecoxib 200 mg", "status": "stopped"})]
    facts = patient_facts([allergy("Aspirin")])
    (row,) = propose(ended, SURGERY, Kidney(), "general", {}, calendar=CALENDAR, facts=facts)
    assert (row.decision, row.findings) == ("already stopped", ())


def pregnant(code: str = "Z33.1", text: str = "", system: str = ICD, **more: Any) -> dict[str, Any]:
    coding = {"coding": [{"system": system, "code": code}]} if code else {}
    return {"resourceType": "Condition", "code": coding | ({"text": text} if text else {}), **more}


def observed(code: str, day: str = "2026-03-01", **more: Any) -> dict[str, Any]:
    value = {"coding": [{"system": "http://snomed.info/sct", "code": code}]}
    asked = {"coding": [{"system": "http://loinc.org", "code": "82810-3"}]}
    known = {"resourceType": "Observation", "status": "final", "code": asked, "valueCodeableConcept": value}
    return {**known, "effectiveDateTime": day, **more}


@pytest.mark.parametrize(
    "words",
    ["methotrexate 15 mg weekly", "ibuprofen 400 mg", "lisinopril 10 mg", "losartan 50 mg", "warfarin 5 mg",
     "valproate 500 mg", "leflunomide 20 mg", "mycophenolate 500 mg"],
)  # fmt: skip
def test_a_pregnancy_is_asked_about_on_what_may_harm_in_it(words: str) -> None:
    (row,) = rows([pregnant()], words)
    assert row.decision in ("ask", "hold") and "the record names a pregnancy" in row.question
    assert [f.code for f in row.findings] == ["WKM306"]


@pytest.mark.parametrize(
    ("of_record", "asked"),
    [
        (pregnant("O09.91"), True),
        (pregnant("Z3A20"), True),
        (pregnant("", "Embarazo de 20 semanas"), True),
        (pregnant("77386006", system="http://snomed.info/sct"), True),
        (pregnant(recordedDate="2025-05-22"), True),  # 300 days before surgery
        (pregnant(recordedDate="2025-05-21"), False),
        (pregnant(abatementDateTime="2026-01-01"), False),
        (pregnant(**status("clinicalStatus", "resolved")), False),
        (pregnant(**status("verificationStatus", "refuted")), False),
        (pregnant("", "Not pregnant"), False),
        (pregnant("Z33.2"), False),  # an encounter that ended one
        (pregnant("O09.91", system="http://loinc.org"), False),
        (observed("77386006"), True),
        (observed("60001007"), False),
        (observed("77386006", "2024-03-01"), False),
        (observed("77386006", status="entered-in-error"), False),
    ],
)
def test_what_names_a_pregnancy_and_how_long(of_record: dict[str, Any], asked: bool) -> None:
    (row,) = rows([of_record], "methotrexate 15 mg weekly")
    assert ("the record names a pregnancy" in row.question) == asked
    assert row.decision == ("ask" if asked else "continue")


def test_of_two_pregnancies_the_newer_counts_and_one_without_a_day() -> None:
    old, new = pregnant(recordedDate="2019-01-01"), pregnant(recordedDate="2026-01-01")
    for pair in ([old, new], [new, old]):
        assert patient_facts(pair)["day:pregnant"] == "2026-01-01"
    for pair in ([old, pregnant()], [pregnant(), old]):
        assert patient_facts(pair)["day:pregnant"] == ""


def test_both_stand_at_the_head_of_the_page() -> None:
    got = rows([allergy("NSAIDs"), pregnant()], "ibuprofen 400 mg", "levothyroxine 50 mcg")
    text = medicines_text(page(got, surgery=SURGERY), 200)
    assert "ALERT: an allergy of the record meets: ibuprofen 400 mg" in text
    assert "ALERT: a pregnancy of the record meets: ibuprofen 400 mg" in text
    assert "ALERT" not in medicines_text(page(rows([], "ibuprofen 400 mg"), surgery=SURGERY), 200)


def test_the_tables_name_only_what_the_rules_know() -> None:
    """A misspelt substance or tag would never meet a row."""
    from waykeeper.medicines import package_rules
    from waykeeper.medicines.tables import table

    rules = package_rules()
    tags = {t for i in rules.ingredients.values() for t in i.tags}
    for fields in [*table("cautions")["allergies"].values(), *table("cautions")["pregnant"]]:
        assert set(fields.get("ingredients", ())) <= set(rules.ingredients)
        assert set(fields.get("tags", ())) <= tags and fields["source"]


def test_an_allergy_beside_what_is_borne_is_not_lost() -> None:
    for said in ("Tolerates aspirin, allergic to NSAIDs", "No known allergy to aspirin but allergic to ibuprofen"):
        assert "allergy" in rows([allergy(said)], "ibuprofen 400 mg")[0].question


PREGNANT = {"resourceType": "Condition", "code": {"text": "Pregnancy"}, "onsetDateTime": "2026-01-05"}


@pytest.mark.parametrize(
    ("said", "sex", "born", "asked"),
    [
        ("Pregnancy", "female", "1990-05-01", True), ("Pregnancy", "", "", True), ("Pregnancy", "male", "1990", False),
        ("Pregnancy", "female", "1950-03-01", False), ("Never pregnant", "female", "1990", False),
        ("Pregnancy of partner", "", "", False), ("Wishes to avoid pregnancy", "female", "1990", False),
    ],
)  # fmt: skip
def test_a_pregnancy_is_that_of_the_patient(said: str, sex: str, born: str, asked: bool) -> None:
    """Nobody is pregnant at 76, and no man is (common practice, no source)."""
    patient = {"resourceType": "Patient", "gender": sex, "birthDate": born}
    found = rows([{**PREGNANT, "code": {"text": said}}, patient], "lisinopril 10 mg")[0]
    assert ("pregnancy" in found.question) == asked


@pytest.mark.parametrize(
    ("of_record", "words", "left"),
    [
        (allergy("Latex"), ["aspirin 81 mg"], ["Latex"]),
        (allergy("Aspirin"), ["celecoxib 200 mg"], []),
        (allergy("Oxycodone"), ["aspirin 81 mg"], ["Oxycodone"]),  # it may be ordered after the operation
        (allergy("Aspirin"), [], ["Aspirin"]),
        (allergy("Aspirin", **status("verificationStatus", "refuted")), ["warfarin 5 mg"], []),
        ({"resourceType": "Condition", "code": {"text": "Pregnant"}}, ["methotrexate 15 mg weekly"], []),
        (
            {"resourceType": "Condition", "code": {"text": "Pregnant"}},
            ["levothyroxine 50 mcg"],
            ["pregnancy (Pregnant)"],
        ),
    ],
)
def test_what_no_medicine_meets_is_told_for_the_whole_list(
    of_record: dict[str, Any], words: list[str], left: list[str]
) -> None:
    made = rows([of_record], *words)
    assert unmet(recorded_cautions([of_record], SURGERY.day), made, SURGERY.day) == left
