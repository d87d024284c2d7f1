"""What comes onto the record after a plan, or is taken back there, asks that it be made again if and only if compile
would propose something else. The oracle is compile itself, over the invented records and one order for each rule that
turns on a diagnosis.

Statuses: FHIR R4 condition-ver-status ("refuted", "entered-in-error") and condition-clinical ("inactive", "remission",
"resolved"); allergyintolerance-verification and allergyintolerance-clinical likewise.
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from functools import cache
from typing import Any

import pytest

from golden.rewrite import BUNDLES, cases
from merge.small import MRN, clinic, pathway, patient
from waykeeper import fhir
from waykeeper.gaps import worklist
from waykeeper.gaps.model import Row
from waykeeper.medicines import package_rules
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import HoldAnswer, Identifier, Key, Offer, Plan, State
from waykeeper.record import read, resources_of
from waykeeper.timing.model import Moment

SURGERY = Moment(date(2026, 3, 18))
ICD = "http://hl7.org/fhir/sid/icd-10-cm"
WHO = Identifier(MRN, "AQ-NOTED")
Record = list[tuple[str, dict[str, Any]]]


def named(code: str, text: str, onset: str = "2020-05-01", **more: Any) -> dict[str, Any]:
    concept = {"coding": [{"system": ICD, "code": code, "display": text}], "text": text}
    return {"resourceType": "Condition", "code": concept, "onsetDateTime": onset} | more


def status(name: str, code: str) -> dict[str, Any]:
    return {name: {"coding": [{"code": code}]}}


def allergy(text: str, **more: Any) -> dict[str, Any]:
    return {"resourceType": "AllergyIntolerance", "code": {"text": text}} | more


def order(number: int, name: str) -> tuple[str, dict[str, Any]]:
    made = {"resourceType": "MedicationRequest", "status": "active", "intent": "order"}
    return f"MedicationRequest/o{number}", made | {"medicationCodeableConcept": {"text": name}}


@cache
def of_each_rule() -> Record:
    """One order of a medicine for each rule that turns on a diagnosis."""
    rules = package_rules()
    each = [*rules.single.values(), *rules.joint]
    turning = {
        r.name: r.ingredients[0] for r in each if any("indication" in c.when for c in (*r.cases, *r.neuraxial, *r.asks))
    }
    assert len(turning) > 15
    who = ("Patient/1", patient(WHO) | {"id": "1", "gender": "female", "birthDate": "1960-01-01"})
    return [who, *(order(n, name) for n, name in enumerate(turning.values()))]


@cache
def record_of(name: str) -> Record:
    if name == "each rule":
        return of_each_rule()
    if name == "each rule, ill":
        ill = [of_whom("each rule", r, n) for n, r in enumerate(COMES.values()) if r["resourceType"] == "Condition"]
        return [*of_each_rule(), *ill]
    return resources_of(json.loads((BUNDLES / name / "record.bundle.json").read_text("utf-8")))


def of_whom(name: str, resource: dict[str, Any], number: int = 99) -> tuple[str, dict[str, Any]]:
    """A resource of the patient of a record."""
    (whose,) = [ref for ref, r in record_of(name) if r["resourceType"] == "Patient"]
    kind = resource["resourceType"]
    pointer = "patient" if kind == "AllergyIntolerance" else "subject"
    return f"{kind}/new{number}", resource | {pointer: {"reference": whose}}


@cache
def held(name: str) -> tuple[Plan, tuple[tuple[str, dict[str, Any]], ...]]:
    plan = made(record_of(name))
    return plan, tuple((f"{r['resourceType']}/w{n}", r) for n, r in enumerate(fhir.write(plan)))


def made(record: Record) -> Plan:
    return compile_plan(pathway(), clinic(), read(record), {"surgery": SURGERY}, anaesthesia="spinal")


def heard(name: str, record: Record) -> set[Key]:
    """What the list would ask about of a plan of the record by that name, beside the record of today."""
    _, ours = held(name)
    state: State = fhir.read([*ours, *record])[1]
    return set(state.noted_since) | set(state.measured_since)


def otherwise(before: Plan, after: Plan) -> set[Key]:
    """The oracle: what compile proposes otherwise, or asks that it did not ask; a hold may have become a question."""
    now = {item.key.item: item.hold.offer for item in after.items if item.hold is not None}
    was = {item.key: item.hold.offer for item in before.items if item.hold is not None}
    return {key for key, offer in was.items() if offer and (new := now[key.item]) and differ(offer, new)}


def differ(was: Offer, now: Offer) -> bool:
    """That a kidney value is asked for again, with the same days, asks no prescriber anew, unless there is none any
    more (`proposed_since`)."""
    days = [(o.decision, o.missed_days, o.last_dose, o.last_limit) for o in (was, now)]
    lost = now.clearance == "none" and was.clearance not in ("", "none")
    new = {asked for asked in now.question.split("; ") if lost or not asked.startswith("kidney: ")}
    return days[0] != days[1] or bool(new - set(was.question.split("; ")))


COMES = {
    "atrial fibrillation": named("I48.91", "Atrial fibrillation"),
    "an old clot": named("I82.401", "Deep vein thrombosis"),
    "a clot of last month": named("I26.99", "Pulmonary embolism", "2026-02-10"),
    "a clot that is over": named("I26.99", "Embolism", "2026-02-10", **status("clinicalStatus", "resolved")),
    "a stroke of last month": named("I63.9", "Stroke", "2026-02-12"),
    "a valve": named("Z95.2", "Mechanical heart valve"),
    "coronary disease": named("I25.10", "Coronary artery disease"),
    "a stent": named("Z95.5", "Coronary stent"),
    "a stent in other words": named("X1", "State after stent of 2019"),
    "arthritis": named("M06.9", "Rheumatoid arthritis"),
    "severe lupus": named("M32.14", "Lupus nephritis"),
    "adrenal insufficiency": named("E27.1", "Addison disease"),
    "a transplant": named("Z94.0", "Kidney transplant"),
    "myasthenia": named("G70.00", "Myasthenia gravis"),
    "bowel disease": named("K50.90", "Crohn disease"),
    "heart failure": named("I50.9", "Heart failure"),
    "hypertension": named("I10", "Essential hypertension"),
    "cancer": named("C50.919", "Breast cancer"),
    "nothing of the rules": named("M17.12", "Osteoarthritis of the knee"),
    "refuted": named("I50.9", "Heart failure", **status("verificationStatus", "refuted")),
    "a mistake": named("Z95.5", "Coronary stent", **status("verificationStatus", "entered-in-error")),
    "over": named("I50.9", "Heart failure", **status("clinicalStatus", "resolved")),
    "inactive": named("E27.1", "Addison disease", **status("clinicalStatus", "inactive")),
    "ruled out": named("I50.9", "Heart failure ruled out"),
    "an acute kidney failure": named("N17.9", "Acute kidney failure", "2026-02-20"),
    "pregnant": named("Z33.1", "Pregnant", "2026-01-05"),
    "allergy to ibuprofen": allergy("Ibuprofen"),
    "allergy to aspirin": allergy("Aspirin"),
    "allergy to sulfa": allergy("Sulfonamide antibiotics"),
    "allergy to penicillin": allergy("Penicillin"),
    "no allergy": allergy("No known allergies"),
    "allergy refuted": allergy("Ibuprofen", **status("verificationStatus", "refuted")),
    "allergy over": allergy("Ibuprofen", **status("clinicalStatus", "resolved")),
}
RECORDS = ["each rule", "each rule, ill", *cases()]
OVER = [
    status("verificationStatus", "refuted"),
    status("verificationStatus", "entered-in-error"),
    status("clinicalStatus", "resolved"),
    status("clinicalStatus", "inactive"),
]
BOTH = ["each rule", "each rule, ill"]
FEW = ["clocks-forward", "many-medicines", "mrsa-history", "warfarin-right"]
SOME = ["an acute kidney failure", "a clot of last month", "a stent", "cancer", "allergy to ibuprofen", "refuted"]
EACH = [*(("each rule", comes) for comes in COMES), *((name, comes) for name in [BOTH[1], *FEW] for comes in SOME)]
CODES = ["I50", "I26.99", "I82", "Z95.2", "Z95.5", "X1", "E27", "Z94", "C50", "I48", "Z33"]
BACK = [*((code, OVER[0]) for code in CODES), *((code, over) for code in CODES[:2] for over in OVER[1:])]


@pytest.mark.parametrize(("name", "comes"), EACH)
def test_what_comes_is_heard_where_compile_would_propose_something_else(name: str, comes: str) -> None:
    now = [*record_of(name), of_whom(name, COMES[comes])]
    assert heard(name, now) == otherwise(held(name)[0], made(now))


def test_something_is_heard_at_all_and_not_by_everything() -> None:
    """The test above would hold, too, of a list that hears nothing where compile said nothing."""
    before, orders = held("each rule")[0], len(of_each_rule()) - 1
    found = [otherwise(before, made([*of_each_rule(), of_whom("each rule", one)])) for one in COMES.values()]
    assert sum(map(bool, found)) >= 15
    assert all(len(keys) < orders for keys in found)


@pytest.mark.parametrize(("code", "over"), BACK, ids=str)
def test_what_the_record_takes_back_is_heard_likewise(code: str, over: dict[str, Any]) -> None:
    name = "each rule, ill"
    taken = [(ref, r | over if of_code(r, code) else r) for ref, r in record_of(name)]
    assert heard(name, taken) == otherwise(held(name)[0], made(taken))


def of_code(resource: dict[str, Any], code: str) -> bool:
    codings = (resource.get("code") or {}).get("coding") or [{}]
    return resource["resourceType"] == "Condition" and codings[0].get("code", "").startswith(code)


def test_something_is_taken_back_at_all() -> None:
    name = "each rule, ill"
    taken = [(ref, r | OVER[0] if of_code(r, "I50") else r) for ref, r in record_of(name)]
    words = {held(name)[0].item(key).hold.words for key in heard(name, taken)}
    assert words == {"lisinopril", "hydrochlorothiazide"}


@pytest.mark.parametrize("name", BOTH)
def test_an_allergy_that_is_taken_back_is_heard_likewise(name: str) -> None:
    """Of what it turned into a question; where a pause stays one, compile would only ask less."""
    was = [*record_of(name), of_whom(name, COMES["allergy to ibuprofen"], 1), of_whom(name, COMES["pregnant"], 2)]
    before = made(was)
    ours = [(f"{r['resourceType']}/w{n}", r) for n, r in enumerate(fhir.write(before))]
    for gone in ("new1", "new2"):
        now = [(ref, r | status("verificationStatus", "refuted") if ref.endswith(gone) else r) for ref, r in was]
        assert set(fhir.read([*ours, *now])[1].noted_since) == otherwise(before, made(now))


@pytest.mark.parametrize("onset", ["2019-05-01", "2024-05-01"])
def test_the_same_in_other_words_is_heard_where_it_is_asked_in_them(onset: str) -> None:
    name = "each rule, ill"
    now = [*record_of(name), of_whom(name, named("I50.22", "Chronic systolic heart failure", onset))]
    found = otherwise(held(name)[0], made(now))
    assert heard(name, now) == found
    assert bool(found) is (onset == "2024-05-01")


@pytest.mark.parametrize("name", RECORDS)
def test_beside_the_record_that_it_was_made_with_nothing_is_heard(name: str) -> None:
    assert heard(name, record_of(name)) == set()


def test_what_is_only_not_here_is_no_news() -> None:
    name = "each rule, ill"
    assert heard(name, [(ref, r) for ref, r in record_of(name) if r["resourceType"] != "Condition"]) == set()
    some = [(ref, r) for ref, r in record_of(name) if not of_code(r, "I50")]
    assert otherwise(held(name)[0], made(some)) and heard(name, some) == set()


def test_a_plan_that_does_not_say_what_it_turns_on_stays_quiet() -> None:
    """As versions before wrote it."""
    name = "each rule"
    old = json.loads(json.dumps(held(name)[1]))
    for _, resource in old:
        for one in resource.get("extension") or ():
            for part in one.get("extension") or ():
                if part["url"] == "proposed":
                    part["extension"] = [p for p in part["extension"] if p["url"] != "turnsOn"]
    now = [*record_of(name), of_whom(name, COMES["heart failure"])]
    assert heard(name, now)
    assert fhir.read([*old, *now])[1].noted_since == {}


def test_a_condition_that_cannot_be_read_stops_no_list() -> None:
    name = "each rule"
    now = [*record_of(name), of_whom(name, {"resourceType": "Condition", "code": "I50.9"})]
    assert heard(name, now) == set()


def row(name: str, as_of: date, record: Record, answer: HoldAnswer | None, left: frozenset[Key] = frozenset()) -> Row:
    """The verdict of lisinopril, whose pause is one day: last dose on Mon 2026-03-16."""
    plan, ours = held(name)
    state = fhir.read([*ours, *record])[1]
    item = next(i for i in plan.items if i.hold and i.hold.words == "lisinopril")
    states = {**state.items, item.key: replace(state.items[item.key], answer=answer)}
    rows = worklist([(plan, replace(state, items=states, left_over=left))], [], as_of).rows
    return next(found for found in rows if found.item == str(item.key))


ANSWER = HoldAnswer("hold", 1, "Dr Reed", date(2026, 3, 1))


@pytest.mark.parametrize(("as_of", "severity", "who"), [
    (date(2026, 3, 3), 1, "coordinator"),
    (date(2026, 3, 4), 2, "coordinator"),  # two weeks before surgery: an unanswered one would be a gap
    (date(2026, 3, 17), 3, "prescriber"),  # the last-dose day is over
])  # fmt: skip
def test_an_answered_pause_is_told_as_by_a_kidney_value(as_of: date, severity: int, who: str) -> None:
    now = [*record_of("each rule"), of_whom("each rule", COMES["heart failure"])]
    said = row("each rule", as_of, now, ANSWER)
    assert (said.verdict, said.severity, said.who) == ("needs-review", severity, who)
    assert "has come onto the record: Heart failure, Fri 2020-05-01." in said.reason
    assert "The answer stands until a prescriber changes it" in said.reason
    assert "Make the plan again" in said.next_action


def test_from_the_day_of_surgery_on_and_beside_what_changes_nothing_the_answer_is_all() -> None:
    came = of_whom("each rule", COMES["heart failure"])
    other = of_whom("each rule", COMES["nothing of the rules"])
    assert row("each rule", date(2026, 3, 5), [*record_of("each rule"), other], ANSWER).verdict == "answered"
    assert "onto the record" not in row("each rule", SURGERY.day, [*record_of("each rule"), came], ANSWER).reason


def test_what_the_plan_does_not_want_any_more_asks_for_no_other_plan() -> None:
    """The pause became a question: the plan was made again, and its own row asks what becomes of this one."""
    now = [*record_of("each rule"), of_whom("each rule", COMES["heart failure"])]
    key = next(i.key for i in held("each rule")[0].items if i.hold and i.hold.words == "lisinopril")
    assert row("each rule", date(2026, 3, 5), now, ANSWER, frozenset({key})).verdict == "answered"


def test_what_is_taken_back_may_only_shorten_and_is_no_graver_for_the_last_dose() -> None:
    name = "each rule, ill"
    taken = [(ref, r | OVER[0] if of_code(r, "I50") else r) for ref, r in record_of(name)]
    said = row(name, date(2026, 3, 17), taken, ANSWER)
    assert (said.verdict, said.severity) == ("needs-review", 2)
    assert "calls this over or not so: Heart failure" in said.reason


def test_the_order_of_the_record_changes_nothing() -> None:
    """A server gives it in another one than a file: two of one day, or of none, are told by the same of them."""
    name = "each rule"
    twice = [
        named("I50.1", "Left heart failure"),
        named("Z33.1", "Pregnant", "2026-01-05"),
        named("Z34.90", "Normal pregnancy", "2026-01-05"),
        *(named("I48.91", text, "") for text in ("Atrial flutter", "Atrial fibrillation")),
        *(named("I26.99", text, "2026-02-10") for text in ("Pulmonary embolism", "Embolism of the lung")),
        *(allergy(text) for text in ("Naproxen", "Ibuprofen", "Ibuprofen tablets", "Aspirin", "Acetylsalicylic acid")),
    ]
    more = [of_whom(name, one, n) for n, one in enumerate([*twice, COMES["heart failure"]])]
    before = made([*record_of(name), *more])
    ours = [(f"{r['resourceType']}/w{n}", r) for n, r in enumerate(fhir.write(before))]
    after = made([*record_of(name), *reversed(more)])
    assert [i.hold.offer for i in after.items if i.hold] == [i.hold.offer for i in before.items if i.hold]
    assert fhir.read([*ours, *record_of(name), *reversed(more)])[1].noted_since == {}
