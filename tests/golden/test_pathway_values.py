"""The pathways of the library say what the trade and the publications say, on the days on which they say it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from datetime import date, datetime, time
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from waykeeper.medicines import rule_names
from waykeeper.pathway import Clinic, Pathway, check_overlay, library, read_clinic
from waykeeper.pathway.reading import grade
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Item, Plan
from waykeeper.record import Fact, Record, fact, read, resources_of
from waykeeper.timing import add_elapsed
from waykeeper.timing.model import Dates, Moment
from yaml_text import plain

HERE = Path(__file__).parent
NAME = "total-ankle-replacement"
MRN = "https://alder-quay.example/mrn"
BARE = {"resourceType": "Patient", "identifier": [{"system": MRN, "value": "1"}], "name": [{"family": "Bare"}]}
CASES = plain((HERE / "library_cases.yaml").read_text("utf-8"))


@cache
def clinic() -> Clinic:
    made, findings = read_clinic("clinic-demo.yaml", library.read("clinic-demo")[1])
    assert made is not None, findings
    return made


@cache
def pathway(*overlays: str, name: str = NAME) -> Pathway:
    made, findings = library.load(name, overlays, rule_names=rule_names(), clinic=clinic())
    assert made is not None, findings
    return made


def overlays_for(name: str) -> list[tuple[str, ...]]:
    """None, the clinic's own, and each overlay of the library that is for a pathway."""
    read = {one: check_overlay(*library.read(f"overlays/{one}"))[0] for one in library.overlay_names()}
    return [(), clinic().overlays, *((one,) for one, made in read.items() if made and name in made.pathways)]


def moment(text: str) -> Moment:
    if "T" not in text:
        return Moment(date.fromisoformat(text))
    when = datetime.fromisoformat(text)
    return Moment(when.date(), when.time(), clinic().zone)


def plan_of(case: Mapping[str, Any]) -> Plan:
    given = {name: moment(case[name]) for name in ("surgery", "discharge") if name in case}
    record = read(resources_of(BARE))
    return compile_plan(
        pathway(*case.get("overlays", ()), name=case.get("pathway", NAME)), clinic(), record, given, side="left"
    )


def shown(value: Moment | date | str | None) -> str:
    """A moment without its offset; a day alone as a day."""
    return "~" if value is None else str(value)[:16]


def dates_of(item: Item) -> dict[str, str]:
    dates: Dates = item.dates
    window = dates.window
    return {
        "target": shown(dates.target),
        "at": shown(dates.at),
        "open": shown(window.start if window else None),
        "close": shown(window.end if window else None),
        "book_from": shown(dates.book_from),
        "earliest": shown(dates.earliest),
        "valid_from": shown(dates.valid_from),
        "awaited": dates.awaited or "~",
    }


@pytest.mark.parametrize("case", CASES, ids=lambda c: c["name"])
def test_dates(case: dict[str, Any]) -> None:
    plan = plan_of(case)
    found = [i for i in plan.items if str(i.key) == case["item"]]
    assert len(found) == 1, sorted(str(i.key) for i in plan.items)
    wanted = {
        k: v
        for k, v in case.items()
        if k not in {"name", "source", "surgery", "discharge", "overlays", "item", "pathway"}
    }
    assert wanted, "a case without a value checks nothing"
    got = dates_of(found[0])
    assert {k: got[k][: len(v)] for k, v in wanted.items()} == wanted


def test_every_case_names_its_source() -> None:
    assert [c["name"] for c in CASES if not c.get("source")] == []
    assert max(Counter(c["name"] for c in CASES).values()) == 1


def test_each_overlay_is_for_a_pathway_of_the_library() -> None:
    tried = {one for name in library.names() for overlays in overlays_for(name) for one in overlays}
    assert tried == set(library.overlay_names())


@pytest.mark.parametrize("name", library.names())
def test_pathway_and_each_overlay_have_no_finding(name: str) -> None:
    for overlays in overlays_for(name):
        made, findings = library.load(name, overlays, rule_names=rule_names(), clinic=clinic())
        assert made is not None and findings == (), (overlays, findings)


@pytest.mark.parametrize("name", library.names())
def test_seven_phases_and_as_many_items_as_the_first_pathway(name: str) -> None:
    made = pathway(name=name)
    assert [p.name for p in made.phases] == [
        "deciding-and-preparing", "last-two-weeks", "operation-and-stay", "first-two-weeks", "two-to-six-weeks",
        "six-weeks-to-three-months", "three-to-twelve-months",
    ]  # fmt: skip
    assert len(made.items) >= 136
    assert {i.kind for i in made.items} == {"visit", "task", "instruction", "hold", "restriction", "gate", "goal"}
    phases = Counter(i.phase for i in made.items)
    assert min(phases[p.name] for p in made.phases) >= 5


@pytest.mark.parametrize("name", library.names())
def test_what_the_patient_does_is_told_in_both_languages_at_grade_six(name: str) -> None:
    for overlays in overlays_for(name):
        for item in pathway(*overlays, name=name).items:
            if item.kind == "visit" or item.who == "patient":
                assert set(item.words) == {"en", "es"}, item.name
            for language, words in item.words.items():
                found = grade(words, language)
                assert found is not None and found[1] <= 6, (item.name, language, found)
                assert not re.search(r"\b(19|20)\d\d\b|\d{1,2}[/.]\d{1,2}", words), item.name


@pytest.mark.parametrize("name", library.names())
def test_titles_and_reasons_carry_no_date(name: str) -> None:
    months = "january|february|march|april|june|july|august|september|october|november|december"
    for item in pathway(name=name).items:
        assert not re.search(rf"\b({months})\b|\b20\d\d-\d\d", f"{item.title} {item.why}".lower()), item.name


@pytest.mark.parametrize("name", library.names())
def test_who_is_always_a_role_of_the_clinic(name: str) -> None:
    roles = set(clinic().roles)
    assert {i.who for i in pathway(name=name).items} <= roles
    assert {i.released_by for i in pathway(name=name).items if i.released_by} <= roles


@pytest.mark.parametrize("name", library.names())
def test_no_weight_and_no_restart_ends_by_a_date(name: str) -> None:
    restrictions = [i for i in pathway(name=name).items if i.kind == "restriction"]
    assert restrictions
    assert all(i.until.startswith("release of ") for i in restrictions)


def test_the_wash_names_the_leg_and_the_three_minutes() -> None:
    """Three washes, three extra minutes on the leg: common practice, no source."""
    wash = next(i for i in pathway().items if i.name == "antiseptic-wash")
    assert [n.name for n in wash.at] == ["evening-2", "evening-1", "morning"]
    assert "leg for surgery three more minutes" in wash.words["en"] and wash.redo == "on move"


def test_ten_breaths_each_waking_hour() -> None:
    """Ten times an hour while awake: common practice, no source."""
    breathing = next(i for i in pathway().items if i.name == "breathing")
    assert breathing.at[0].phrase.startswith("every 1 hour while awake")
    assert "ten times each hour" in breathing.words["en"]


def test_the_wean_halves_and_then_widens_without_a_hole() -> None:
    """Halve the dose, then widen four hours to six: common practice. At 08:00 taken, at 14:00 next."""
    phrases = {i.name: i.at[0].phrase for i in pathway().items if i.name.startswith("pain-plan-")}
    steps = [p.split(" as needed")[0] for n, p in phrases.items() if n != "pain-plan-off"]
    assert steps == ["every 4 hours", "every 4 hours", "every 6 hours", "every 12 hours"]
    assert "half as much" in next(i for i in pathway().items if i.name == "pain-plan-2").words["en"]
    taken = Moment(date(2026, 3, 25), time(8), clinic().zone)
    assert str(add_elapsed(taken, 6 * 60))[:16] == "2026-03-25T14:00"


def test_no_blanket_rule_for_blood_thinners_unless_a_clinic_names_it() -> None:
    assert "no-blood-thinner-7-days" not in clinic().overlays
    assert "blood_thinners" not in clinic().policies and "blood_thinners" not in pathway().policies
    assert pathway("no-blood-thinner-7-days").policies == {"blood_thinners": "BLANKET_7D"}


def test_each_responsibility_of_the_readme_is_an_item() -> None:
    text = library.folder().joinpath("README.md").read_text("utf-8")
    table = text.split("| responsibility | items |")[1].split("\n\n")[0]
    named = set(re.findall(r"`([a-z0-9-]+)`", table))
    assert len(named) > 60
    assert named <= {i.name for i in pathway().items}


def test_what_the_readme_says_of_hip_and_knee_are_items() -> None:
    text = library.folder().joinpath("README.md").read_text("utf-8")
    table = text.split("| also answered for | items |")[1].split("\n\n")[0]
    named = set(re.findall(r"`([a-z0-9-]+)`", table))
    ours = {i.name for name in OUTCOMES for i in pathway(name=name).items}
    assert named and named <= ours
    ankle = {i.name for i in pathway().items}
    assert ours - ankle <= named | {"walks-without-aid", "work-papers", "cold-pack", "kneeling", "leg-up"}


def condition(code: str, **more: Any) -> dict[str, Any]:
    coding = {"system": "http://hl7.org/fhir/sid/icd-10-cm", "code": code}
    return {"resourceType": "Condition", "code": {"coding": [coding]}, **more}


def swab(day: str, result: str, code: str = "35492-8") -> dict[str, Any]:
    coded = {"coding": [{"system": "http://loinc.org", "code": code}]}
    value = {"text": result}
    return {
        "resourceType": "Observation", "status": "final", "code": coded, "effectiveDateTime": day,
        "valueCodeableConcept": value,
    }  # fmt: skip


REFUTED = {"verificationStatus": {"coding": [{"code": "refuted"}]}}

# (resources, MRSA ever, MRSA within two years of 2026-03-18). Codes: ICD-10-CM; the two years are common practice.
MRSA = {
    "nothing known": ([], "unknown", "unknown"),
    "old history stays flagged": ([condition("Z86.14", onsetDateTime="2019-05-01")], "yes", "unknown"),
    "the boundary day counts": ([swab("2024-03-18", "Positive")], "yes", "yes"),
    "the day before it does not": ([swab("2024-03-17", "Positive")], "yes", "unknown"),
    "an undated finding counts as within": ([condition("Z22.322")], "yes", "yes"),
    "only the year of the boundary": ([condition("Z86.14", onsetDateTime="2024")], "yes", "yes"),
    "only an older year": ([condition("Z86.14", onsetDateTime="2023")], "yes", "unknown"),
    "began long ago, ended within": (
        [condition("A49.02", onsetDateTime="2019-01-01", abatementDateTime="2025-01-01")], "yes", "yes",
    ),
    "a later negative does not remove it": (
        [swab("2024-06-01", "Positive"), swab("2026-02-01", "Negative")], "yes", "yes",
    ),
    "negative alone answers nothing": ([swab("2026-02-01", "Not detected")], "unknown", "unknown"),
    "culture": ([swab("2025-01-01T22:00:00-06:00", "positive", "13317-3")], "yes", "yes"),
    "refuted": ([condition("Z86.14", **REFUTED)], "no", "no"),
    "refuted and found": (
        [condition("Z86.14", **REFUTED), swab("2025-01-01", "Positive")], "contradictory", "contradictory",
    ),
    "header code is no code": ([condition("Z22.32")], "unknown", "unknown"),
}  # fmt: skip


@pytest.mark.parametrize("name", MRSA)
def test_mrsa(name: str) -> None:
    resources, ever, recent = MRSA[name]
    record = Record(BARE, (BARE, *resources))
    rules = {f.name: f for f in pathway().facts}
    got = [fact(record, rules[r], date(2026, 3, 18)) for r in ("mrsa_ever", "mrsa_two_years")]
    assert got == [Fact(ever), Fact(recent)]


# (resources, fact, value): each fact that reads the record, both ways and near misses.
NKA = {"resourceType": "AllergyIntolerance", "code": {"text": "No known allergies"}}
NKDA = {"resourceType": "AllergyIntolerance", "code": {"text": "No known drug allergies"}}


def allergy(words: str) -> dict[str, Any]:
    return {"resourceType": "AllergyIntolerance", "code": {"text": words}}


def order(code: str, words: str, status: str = "active", kind: str = "MedicationRequest") -> dict[str, Any]:
    concept = {"coding": [{"code": code, "display": words}], "text": words}
    return {"resourceType": kind, "status": status, "medicationCodeableConcept": concept}


def answer(code: str) -> dict[str, Any]:
    coded = {"coding": [{"system": "http://loinc.org", "code": "72166-2"}]}
    value = {"coding": [{"code": code}]}
    return {"resourceType": "Observation", "status": "final", "code": coded, "valueCodeableConcept": value}


FORBIDDEN = {"doNotPerform": True}  # FHIR R4, MedicationRequest: an order that the medicine is not to be given

FACTS: list[tuple[list[dict[str, Any]], str, str]] = [
    ([allergy("Chlorhexidine gluconate")], "chlorhexidine_allergy", "yes"),
    ([NKA], "chlorhexidine_allergy", "no"),
    ([NKDA], "chlorhexidine_allergy", "unknown"),  # no drug allergy says nothing of a soap
    ([NKA, allergy("Chlorhexidine")], "chlorhexidine_allergy", "contradictory"),
    ([{**allergy("Chlorhexidine"), **REFUTED}], "chlorhexidine_allergy", "unknown"),
    ([allergy("Latex")], "latex_allergy", "yes"),
    ([condition("Z91.040")], "latex_allergy", "yes"),
    ([allergy("Penicillin V")], "antibiotic_allergy", "yes"),
    ([condition("Z88.0")], "antibiotic_allergy", "yes"),
    ([NKDA], "antibiotic_allergy", "no"),
    ([condition("E11.9")], "diabetes", "yes"),
    ([condition("E10.65")], "diabetes", "yes"),
    ([condition("R73.03")], "diabetes", "unknown"),
    ([condition("E11.9", **REFUTED)], "diabetes", "no"),
    ([condition("I48.91")], "heart_disease", "yes"),
    ([condition("Z95.2")], "heart_disease", "yes"),
    ([condition("I10")], "heart_disease", "unknown"),
    ([order("11289", "warfarin")], "takes_warfarin", "yes"),
    ([order("855332", "Warfarin Sodium 5 MG Oral Tablet")], "takes_warfarin", "yes"),
    ([order("11289", "warfarin", "stopped")], "takes_warfarin", "unknown"),
    ([order("11289", "warfarin", kind="MedicationStatement")], "takes_warfarin", "yes"),
    ([order("1364430", "apixaban")], "takes_warfarin", "unknown"),
    ([FORBIDDEN | order("11289", "warfarin")], "takes_warfarin", "unknown"),
    ([FORBIDDEN | order("11289", "warfarin"), order("11289", "warfarin")], "takes_warfarin", "yes"),
    ([FORBIDDEN | {"doNotPerform": False} | order("11289", "warfarin")], "takes_warfarin", "yes"),
    ([FORBIDDEN | order("327361", "adalimumab")], "takes_biologic", "unknown"),
    ([order("327361", "adalimumab")], "takes_biologic", "yes"),
    ([order("", "upadacitinib 15 mg")], "takes_biologic", "yes"),
    ([order("6851", "methotrexate")], "takes_biologic", "unknown"),
    ([condition("Z79.620")], "takes_biologic", "yes"),
    ([condition("G47.33")], "sleep_apnoea", "yes"),
    ([condition("Z79.891")], "opioids_long_term", "yes"),
    ([condition("F17.210")], "smokes", "yes"),
    ([answer("LA18976-3")], "smokes", "yes"),
    ([answer("LA18978-9")], "smokes", "no"),
    ([answer("LA15920-4")], "smokes", "unknown"),  # former smoker: since when is asked
    ([condition("Z60.2")], "lives_alone", "yes"),
    ([], "stairs_at_home", "unknown"),
]


@pytest.mark.parametrize(("resources", "name", "value"), FACTS)
def test_facts(resources: list[dict[str, Any]], name: str, value: str) -> None:
    rule = next(f for f in pathway().facts if f.name == name)
    assert fact(Record(BARE, (BARE, *resources)), rule, date(2026, 3, 18)) == Fact(value)


@pytest.mark.parametrize(
    ("language", "interpreter", "value"),
    [
        ("es", None, "yes"),
        ("en", None, "no"),
        ("en-US", None, "no"),
        ("es", False, "no"),
        ("en", True, "yes"),
        ("", None, "unknown"),
    ],
)
def test_interpreter(language: str, interpreter: bool | None, value: str) -> None:
    patient: dict[str, Any] = dict(BARE)
    if language:
        patient["communication"] = [{"language": {"coding": [{"code": language}]}, "preferred": True}]
    if interpreter is not None:
        url = "http://hl7.org/fhir/StructureDefinition/patient-interpreterRequired"
        patient["extension"] = [{"url": url, "valueBoolean": interpreter}]
    rule = next(f for f in pathway().facts if f.name == "interpreter_needed")
    assert fact(Record(patient, (patient,)), rule, date(2026, 3, 18)) == Fact(value)


@pytest.mark.parametrize("name", library.names())
def test_unknown_facts_hide_nothing(name: str) -> None:
    """Nothing known: each conditional item stands, and each fact is asked once."""
    plan = plan_of({"surgery": "2026-03-18T07:30", "pathway": name})
    made = pathway(name=name)
    items = {i.key.item for i in plan.items}
    assert {i.name for i in made.items if i.kind != "hold"} <= items
    assert sorted(i.fact for i in plan.items if i.key.kind == "question") == sorted(f.name for f in made.facts)


# The set of the published outcome measure, and the least gain that counts (CBE 3639): joint -> (form, points).
OUTCOMES = {
    "total-knee-replacement": ("KOOS JR", "at least 20 points"),
    "total-hip-replacement": ("HOOS JR", "at least 22 points"),
}


@pytest.mark.parametrize("name", OUTCOMES)
def test_the_outcome_form_and_its_gain_are_those_of_the_published_measure(name: str) -> None:
    form, points = OUTCOMES[name]
    items = {i.name: i for i in pathway(name=name).items}
    assert form in items["outcome-before"].why and form in items["function-better"].measure
    assert items["function-better"].target.startswith(points)


@pytest.mark.parametrize("name", OUTCOMES)
def test_clot_prevention_ends_by_the_surgeon_and_never_by_a_date(name: str) -> None:
    items = {i.name: i for i in pathway(name=name).items}
    assert items["clot-plan"].who == items["clot-prevention-review"].who == "surgeon"
    assert "Do not stop until we tell you" in items["clot-medicine"].words["en"]
    assert items["clot-medicine"].only_if == ("clot_medicine_ordered",)


def test_the_hip_template_of_pain_pills_stays_below_its_published_amount() -> None:
    """At most 30 tablets of 5 mg oxycodone after the hip, 50 after the knee (723 patients, J Arthroplasty)."""
    most = {"total-hip-replacement": 30, "total-knee-replacement": 50}
    for name, limit in most.items():
        steps = [i for i in pathway(name=name).items if re.fullmatch(r"pain-plan-\d", i.name)]
        assert sum(tablets(i.at[0].phrase, whole=i.name == "pain-plan-1") for i in steps) <= limit


def tablets(phrase: str, *, whole: bool) -> float:
    """The most tablets that a step allows; half a tablet each time after the first step. Day 0 counts as a day."""
    found = re.search(r"every (\d+) hours as needed (?:within|(\d+) to) (\d+) days after", phrase)
    assert found, phrase
    hours, low, high = int(found[1]), int(found[2] or 0), int(found[3])
    return (high - low + 1) * 24 / hours * (1 if whole else 0.5)


@pytest.mark.parametrize("name", library.names())
def test_no_words_of_a_stopped_shot_can_be_taken_for_insulin_or_the_clot_shot(name):
    """`Do not start your shot again yet` is read by who injects insulin or a blood thinner: insulin is never left out
    (ADA, Standards of Care: never zero basal, from memory); which shot is meant comes before what not to do."""
    words = next(i.words for i in pathway(name=name).items if i.name == "no-biologic")
    assert words["en"].startswith(
        "If we stopped your shot, drip or pill for arthritis, skin or gut: do not start it again"
    )
    assert "We do not mean insulin or the shot that stops clots." in words["en"]
    assert words["es"].startswith("Si le dijimos que dejara la inyección, el suero o la pastilla para la artritis")
    assert "No hablamos de su insulina ni de la inyección que evita coágulos." in words["es"]


@pytest.mark.parametrize("name", library.names())
def test_the_antiseptic_soap_is_kept_off_face_and_private_parts(name):
    """Labels of chlorhexidine soap: not on the face or head, not in the genital area (from memory)."""
    words = next(i.words for i in pathway(name=name).items if i.name == "antiseptic-wash")
    assert "Keep it off your face and private parts." in words["en"]
    assert "No lo use en la cara ni en sus partes íntimas." in words["es"]


@pytest.mark.parametrize("name", library.names())
def test_a_number_in_one_language_stands_in_the_other(name):
    """`No doble mucho la cadera` was `past 90 degrees` in English."""
    for item in pathway(name=name).items:
        if item.words:
            numbers = [sorted(re.findall(r"\d+", item.words[language])) for language in ("en", "es")]
            assert numbers[0] == numbers[1], item.name
