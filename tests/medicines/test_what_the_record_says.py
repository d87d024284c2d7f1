"""What the record says of the patient, beside the reasons on the orders: it asks, and never moves a last dose later."""

from __future__ import annotations

from typing import Any

import pytest

from medicines.case_files import CALENDAR, entry, moment
from waykeeper.medicines import MedicineRow, patient_facts, propose
from waykeeper.record.model import Kidney

SURGERY = moment("2026-03-18T07:30")
ICD = "http://hl7.org/fhir/sid/icd-10-cm"


def condition(code: str, words: str = "", system: str = ICD, **more: Any) -> dict[str, Any]:
    return {"resourceType": "Condition", "code": {"coding": [{"system": system, "code": code}], "text": words}, **more}


def row(words: str, *resources: dict[str, Any], **more: Any) -> MedicineRow:
    facts = patient_facts(resources)
    (found,) = propose(
        [entry({"words": words, **more})], SURGERY, Kidney(), "general", {}, calendar=CALENDAR, facts=facts
    )
    return found


HEART_FAILURE = condition("I50.22", "Chronic systolic heart failure")
CLOT = condition("I82.401", "Clot in the right leg", onsetDateTime="2026-01-25")


@pytest.mark.parametrize("order", ["lisinopril 10 mg", "furosemide 40 mg", "spironolactone 25 mg"])
@pytest.mark.parametrize("reason", [(), ("hypertension",)])
def test_a_failing_heart_of_the_record_asks_whatever_the_order_says(order: str, reason: tuple[str, ...]) -> None:
    """Heart failure: continuing an ACE inhibitor is reasonable (AHA/ACC 2024, 2a), a diuretic is the prescriber's."""
    plain, asked = row(order, indication=reason), row(order, HEART_FAILURE, indication=reason)
    assert (plain.decision, plain.question) == ("hold", plain.question)
    assert "heart failure" not in plain.question
    assert asked.decision == "ask"
    assert "the record names Chronic systolic heart failure: is it taken for that?" in asked.question
    assert (asked.missed_days, asked.last_dose, asked.last_limit) == (
        plain.missed_days,
        plain.last_dose,
        plain.last_limit,
    )


def test_the_words_of_snomed_name_it_too_and_the_family_does_not_count() -> None:
    named = condition("10633002", "Acute congestive heart failure (disorder)", system="http://snomed.info/sct")
    assert row("lisinopril 10 mg", named).decision == "ask"
    shown = {"coding": [{**named["code"]["coding"][0], "display": named["code"]["text"]}]}
    assert row("lisinopril 10 mg", {**named, "code": shown}).decision == "ask"  # as FHIR has the words of a code
    family = condition("430396006", "Family history of heart failure", system="http://snomed.info/sct")
    assert row("lisinopril 10 mg", family).decision == "hold"
    refuted = {**HEART_FAILURE, "verificationStatus": {"coding": [{"code": "refuted"}]}}
    assert row("lisinopril 10 mg", refuted).decision == "hold"


@pytest.mark.parametrize(
    ("order", "code", "named"),
    [
        ("adalimumab 40 mg pen every 2 weeks", "K50.90", "Crohn disease"),
        ("rituximab 500 mg", "C83.30", "Lymphoma"),
        ("methotrexate 15 mg weekly", "C83.30", "Lymphoma"),
    ],
)
def test_a_window_of_rheumatism_asks_where_the_record_names_another_reason(order: str, code: str, named: str) -> None:
    """2022 ACR/AAHKS is written for rheumatic disease: for any other the prescriber who owns it decides."""
    plain, asked = row(order), row(order, condition(code, named))
    assert "is it taken for that?" not in plain.question
    assert (asked.decision, asked.window, asked.missed_days) == ("ask", plain.window, plain.missed_days)
    assert f"the record names {named}: is it taken for that?" in asked.question


def test_an_order_that_gives_its_reason_is_not_asked_about_another_disease() -> None:
    given = {"indication": ["rheumatoid arthritis"]}
    order = "adalimumab 40 mg pen every 2 weeks"
    assert row(order, condition("K50.90", "Crohn disease"), **given).question == row(order, **given).question


def test_aspirin_for_pain_asks_where_the_heart_needs_it() -> None:
    """CHEST 2022, from memory: aspirin of a patient with coronary disease continues; the proposed pause stays shown."""
    found = row("aspirin 325 mg", condition("I25.10", "Coronary disease"), indication=["pain"])
    assert (found.decision, found.missed_days) == ("ask", 7)
    assert "is it taken for that? then it continues" in found.question


@pytest.mark.parametrize("order", ["apixaban 5 mg", "rivaroxaban 20 mg", "edoxaban 60 mg", "dabigatran 150 mg"])
def test_a_recent_clot_is_asked_about_before_an_anticoagulant_pauses(order: str) -> None:
    """Elective surgery waits 3 months after a clot (CHEST 2022, from memory)."""
    given = {"indication": ["deep vein thrombosis"]}
    assert "was the clot or a stroke in the last 3 months?" in row(order, **given).question
    found = row(order, CLOT, **given)
    assert (
        "the record names Clot in the right leg, Sun 2026-01-25: is that within 3 months of surgery?" in found.question
    )
    assert found.last_dose == row(order, **given).last_dose


@pytest.mark.parametrize("order", ["apixaban 5 mg", "warfarin 5 mg", "enoxaparin 80 mg"])
@pytest.mark.parametrize(
    ("day", "asked"),
    [
        ("2025-12-16", True), ("2025-12-15", False), ("2025-12", True), ("2025-11", False), ("2026", True),
        ("2025", True), ("2024", False), ("", True),
    ],
)  # fmt: skip
def test_a_clot_is_recent_by_its_day_and_where_no_day_is_told(order: str, day: str, asked: bool) -> None:
    clot = condition("I63.9", "Stroke", **({"onsetDateTime": day} if day else {}))
    found = row(order, clot, indication=["atrial fibrillation"])
    assert ("within 3 months of surgery?" in found.question) == asked


def test_a_clot_of_long_ago_is_not_asked_about_where_the_order_gives_another_reason() -> None:
    old = condition("I82.401", "Old clot", onsetDateTime="2019-01-01")
    given = {"indication": ["atrial fibrillation"]}
    assert row("apixaban 5 mg", old, **given).question == row("apixaban 5 mg", **given).question


def test_the_newest_clot_counts_and_one_without_a_day_before_it() -> None:
    old = condition("I82.401", "Old clot", onsetDateTime="2019-01-01")
    assert patient_facts([old, CLOT])["day:venous-thromboembolism"] == "2026-01-25"
    assert patient_facts([CLOT, old])["day:venous-thromboembolism"] == "2026-01-25"
    undated = condition("I82.401", "Clot")
    assert patient_facts([CLOT, undated, old])["day:venous-thromboembolism"] == ""


def test_a_mechanical_valve_asks_about_another_anticoagulant_than_warfarin() -> None:
    """Dabigatran did harm with mechanical valves (RE-ALIGN, NEJM 2013, from memory)."""
    found = row("apixaban 5 mg", condition("Z95.2", "Prosthetic heart valve"), indication=["atrial fibrillation"])
    assert "mechanical heart valve" in found.question
    assert "mechanical" not in row("apixaban 5 mg", indication=["atrial fibrillation"]).question


def procedure(code: str, words: str = "", system: str = "http://www.cms.gov/Medicare/Coding/ICD10") -> dict[str, Any]:
    concept = {"coding": [{"system": system, "code": code, "display": words}]}
    done = {"status": "completed", "performedDateTime": "2026-01-05"}
    return {"resourceType": "Procedure", "code": concept, **done}


@pytest.mark.parametrize(
    "resource",
    [
        procedure("027034Z", "Dilation of Coronary Artery, One Artery with Drug-eluting Intraluminal Device"),
        procedure("02713DZ"),
        procedure("415070008", "Percutaneous coronary intervention (procedure)", "http://snomed.info/sct"),
        procedure("415070008", "", "http://snomed.info/sct"),
        condition("Z98.61", "Coronary angioplasty status"),
        condition("Z9861"),
    ],
)
@pytest.mark.parametrize("order", ["clopidogrel 75 mg", "ticagrelor 90 mg", "prasugrel 10 mg"])
def test_a_stent_by_its_code_is_a_stent(order: str, resource: dict[str, Any]) -> None:
    """Cardiology decides before anything is stopped (DAPT review, Korean J Anesthesiol; AHA/ACC 2024, summary)."""
    found = row(order, resource)
    assert (found.decision, found.missed_days, found.confirm_by) == ("ask", None, "cardiologist")


def test_other_procedures_are_no_stent() -> None:
    assert patient_facts([procedure("0SRF0J9", "Replacement of Right Ankle Joint")]) == {}
    assert "stent" not in patient_facts([procedure("C9600", system="https://www.cms.gov/hcpcs")])
    assert patient_facts([procedure("C9600", system="https://www.cms.gov/hcpcs")]) == {}


def test_a_day_is_shown_as_the_record_tells_it() -> None:
    for said, shown in (("2019", "2019"), ("2019-05", "2019-05"), ("2019-05-07", "Tue 2019-05-07")):
        assert patient_facts([condition("I63.9", "Stroke", onsetDateTime=said)])["known:stroke"] == f"Stroke, {shown}"
    assert patient_facts([condition("I63.9", "Stroke", onsetDateTime="soon")])["known:stroke"] == "Stroke"


def test_the_day_of_a_month_is_its_last() -> None:
    for said, day in (("2025-12", "2025-12-31"), ("2024-02", "2024-02-29"), ("2025-13", ""), ("soon", "")):
        assert patient_facts([condition("I63.9", onsetDateTime=said)])["day:stroke"] == day


def test_adrenal_insufficiency_of_the_record_sets_the_flag_on_every_steroid() -> None:
    """An adrenal crisis: endocrinology decides on the dose around the operation, whatever reason the order gives."""
    found = row("prednisone 5 mg", condition("E27.1", "Addison disease"), indication=["rheumatoid arthritis"])
    assert (found.decision, found.confirm_by) == ("continue", "endocrinologist")
    assert "the record names Addison disease: adrenal insufficiency: never left out" in found.question


@pytest.mark.parametrize(
    "said",
    [
        "Breast cancer screening", "Encounter for screening for malignant neoplasm of colon", "Fear of cancer",
        "Corneal transplant", "History of breast cancer", "No history of stroke", "Heat stroke",
        "Pulmonary embolism ruled out", "At risk for DVT", "Risk of heart failure", "Adrenal insufficiency ruled out",
        "Need for DVT prophylaxis", "Stroke prevention", "Family history of stroke", "Superficial thrombosis, no DVT",
    ],
)  # fmt: skip
@pytest.mark.parametrize(
    "order", ["methotrexate 15 mg weekly", "apixaban 5 mg", "lisinopril 10 mg", "prednisone 5 mg", "warfarin 5 mg"]
)
def test_a_text_that_says_more_than_the_disease_changes_nothing(said: str, order: str) -> None:
    words = {"resourceType": "Condition", "code": {"text": said}}
    assert row(order, words) == row(order)
    assert patient_facts([words]) == {}


def test_a_code_counts_whatever_its_name_says_but_not_what_is_taken_back_or_of_the_skin() -> None:
    named = condition("Z86.73", "Personal history of TIA, and cerebral infarction without residual deficits")
    assert "known:stroke" in patient_facts([named])
    for code, said in (
        ("I26.99", "Pulmonary embolism, ruled out"),
        ("C44.311", "Basal cell carcinoma of skin of nose"),
    ):
        assert patient_facts([condition(code, said)]) == {}


@pytest.mark.parametrize(
    "more",
    [
        {"clinicalStatus": {"coding": [{"code": "resolved"}]}}, {"clinicalStatus": {"coding": [{"code": "inactive"}]}},
        {"abatementDateTime": "2001-09-01"},
    ],
)  # fmt: skip
def test_what_is_over_is_so_no_more(more: dict[str, Any]) -> None:
    for code, order in (
        ("I50.21", "lisinopril 10 mg"),
        ("C50.9", "methotrexate 15 mg weekly"),
        ("I63.9", "apixaban 5 mg"),
    ):
        assert row(order, condition(code, onsetDateTime="2001", **more)) == row(order)


def test_a_clot_of_the_last_months_counts_though_it_is_over() -> None:
    over = {"clinicalStatus": {"coding": [{"code": "resolved"}]}}
    found = row("apixaban 5 mg", {**CLOT, **over}, indication=["atrial fibrillation"])
    assert "the record names Clot in the right leg, Sun 2026-01-25: is that within 3 months" in found.question


@pytest.mark.parametrize("code", ["Z86.73", "Z86.718"])
@pytest.mark.parametrize("order", ["apixaban 5 mg", "warfarin 5 mg"])
def test_history_is_not_made_recent_by_the_day_it_was_told(code: str, order: str) -> None:
    """ICD-10-CM: Z86 is personal history; the day of the telling is the visit before surgery."""
    told = condition(code, "Personal history", recordedDate="2026-02-20")
    old = condition("I63.9", "Stroke", onsetDateTime="2015-04-03", recordedDate="2026-02-20")
    for resources in ((told,), (told, old), (old, told)):
        found = row(order, *resources, indication=["atrial fibrillation"])
        assert "within 3 months of surgery" not in found.question
    assert patient_facts([told, old]).get("known:stroke", "").startswith("Stroke, Fri 2015") or code == "Z86.718"
    assert "within 3 months" in row(order, told, CLOT, indication=["atrial fibrillation"]).question


def test_an_onset_in_words_has_its_year() -> None:
    for said, recent in (("in 2009", False), ("in winter", True)):
        clot = condition("I82.401", "DVT", onsetString=said)
        assert ("within 3 months of surgery" in row("apixaban 5 mg", clot, indication=["af"]).question) == recent


@pytest.mark.parametrize(
    "reason",
    [
        "Paroxysmal atrial fibrillation", "Permanent atrial fibrillation", "Chronic atrial fibrillation",
        "Atrial fibrillation, unspecified", "Nonvalvular AF", "stroke prophylaxis", "another reason",
    ],
)  # fmt: skip
def test_a_reason_that_is_stated_is_not_an_unknown_one(reason: str) -> None:
    found, bare = row("apixaban 5 mg", indication=[reason]), row("apixaban 5 mg")
    assert "is it taken for a clot" in bare.question and "is it taken for a clot" not in found.question
    assert (found.decision, found.last_dose) == (bare.decision, bare.last_dose)
    assert "is it taken for a clot" in row("apixaban 5 mg", indication=["history of DVT in 2019"]).question


def test_a_stated_reason_of_a_steroid_or_methotrexate_asks_for_no_other() -> None:
    for reason in ("polymyalgia rheumatica", "COPD"):
        assert row("prednisone 5 mg", indication=[reason], dose_text="1 tablet daily").question == ""
    cancer = condition("C50.9", "Breast cancer")
    order = "methotrexate 15 mg weekly"
    assert row(order, cancer, indication=["psoriasis"]).question == row(order, indication=["psoriasis"]).question


@pytest.mark.parametrize(
    "text",
    [
        "Take 1 tablet by mouth every morning", "1 tablet in the morning", "1 tablet qd", "1 tablet qam",
        "Take 1 tablet by mouth daily with food or milk", "1 tablet every other day", "take 1 tablet (5 mg) every day",
        "1 tablet every morning with breakfast. Do not stop suddenly.", "1 tablet daily. Never stop taking this.",
    ],
)  # fmt: skip
def test_an_ordinary_sig_of_a_steroid_asks_nothing(text: str) -> None:
    assert row("prednisone 5 mg tablet", indication=["rheumatoid arthritis"], dose_text=text).question == ""


@pytest.mark.parametrize("text", ["20 mg for 3 days, then stop", "1 tablet daily, taper", "20 mg daily then 10 mg"])
def test_a_steroid_that_ends_is_still_asked_about(text: str) -> None:
    found = row("prednisone 5 mg tablet", indication=["rheumatoid arthritis"], dose_text=text)
    assert "by its text the dose changes or ends" in found.question


def test_no_question_is_asked_twice() -> None:
    stroke = condition("I63.9", "Ischemic stroke", onsetDateTime="2015-03-02")
    order = entry({"words": "warfarin 5 mg", "indication": ["atrial fibrillation"]})
    facts = patient_facts([stroke])
    (found,) = propose([order], SURGERY, Kidney(), "spinal", {}, calendar=CALENDAR, facts=facts)
    asked = found.question.split("; ")
    assert len(asked) == len(set(asked)) > 1
