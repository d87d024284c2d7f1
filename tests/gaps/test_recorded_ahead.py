"""Nothing is done, released, met or restarted because of a day that has not come: end to end through the command.

That what is recorded for tomorrow has not happened yet: common practice, no source. FHIR R4 goal-status `completed`:
"The goal is no longer being sought" (hl7.org/fhir/R4/valueset-goal-status.html); how it ended is said by
Goal.achievementStatus (hl7.org/fhir/R4/valueset-goal-achievement.html). Statuses of MedicationStatement: see
tests/fhir/test_doses_told.py. Surgery is on 2026-03-18; the first medicine's hold is answered with two missed days, so
that its last dose is on 2026-03-15.
"""

from datetime import date

import pytest

from gaps.exported import exported, gaps, part, row
from waykeeper.exchange.noted_changes import Noted, completed

HELD = "hold/https://alder-quay.example/record-rows|AQ-1001-medicines-1"
MEDICINE = "medicine/https://alder-quay.example/record-rows|AQ-1001-medicines-3"
TASK_CODES = "https://waykeeper.example/fhir/CodeSystem/task"


def output(code, **value):
    return {"type": {"coding": [{"system": TASK_CODES, "code": code}]}} | value


def done(item, name, day, *outputs):
    """The plan with one Task of an item completed on a day."""
    made = exported()
    task = part(made, item, name)
    task |= {"status": "completed", "executionPeriod": {"end": day}}
    if outputs:
        task["output"] = list(outputs)
    return made


def said(folder, resources, as_of, item):
    found = row(gaps(folder, resources, as_of), item)
    return found["verdict"], found["severity"], found["reason"]


@pytest.mark.parametrize(
    ("item", "name", "day", "words"),
    [
        ("task/consent", "task", "2026-03-16", ("needs-review", "done", "done")),
        ("question/stairs_at_home", "ask", "2026-02-10", ("needs-review", "done", "done")),
        ("gate/medicines-answered", "gate", "2026-03-10", ("needs-review", "released", "released")),
        (MEDICINE, "review", "2026-03-04", ("needs-review", "done", "done")),
    ],
)
def test_what_is_done_tomorrow_is_not_done(item, name, day, words, tmp_path):
    said_by = {MEDICINE: ("decision", "continue"), "question/stairs_at_home": ("answer", "no")}
    told = [output(said_by[item][0], valueString=said_by[item][1])] if item in said_by else []
    made = done(item, name, day, *told)
    before, after = f"{day[:8]}{int(day[8:]) - 1:02}", f"{day[:8]}{int(day[8:]) + 1:02}"
    found = [said(tmp_path, made, as_of, item) for as_of in (before, day, after)]
    assert tuple(word for word, _, _ in found) == words
    assert "a day that has not come" in found[0][2] and found[0][1] >= 2


def test_a_gate_is_shut_by_what_is_done_tomorrow(tmp_path):
    made = done("task/resume-sheet", "task", "2026-03-22")
    reasons = [said(tmp_path, made, day, "gate/discharge-readiness")[2] for day in ("2026-03-21", "2026-03-22")]
    assert "In doubt: Sheet that says when" in reasons[0] and "Sheet that says when" not in reasons[1], reasons


def test_a_restriction_released_tomorrow_holds(tmp_path):
    made = done("gate/film-check", "gate", "2026-05-06")
    item = "restriction/non-weight-bearing"
    word, severity, reason = said(tmp_path, made, "2026-05-05", item)
    assert (word, severity) == ("needs-review", 3) and "Wed 2026-05-06, a day that has not come" in reason
    assert said(tmp_path, made, "2026-05-06", item)[0] == "released"


def answered(*more, days=2, day="2026-03-05"):
    hold, number = output("decision", valueString="hold"), output("missed-days", valueInteger=days)
    return [*done(HELD, "confirm", day, hold, number), *more]


def test_an_answer_of_tomorrow_is_no_answer(tmp_path):
    word, severity, reason = said(tmp_path, answered(), "2026-03-04", HELD)
    assert (word, severity) == ("needs-review", 3) and "Thu 2026-03-05, a day that has not come" in reason
    assert said(tmp_path, answered(), "2026-03-05", HELD)[0] == "answered"


def statement(status, day, **pointer):
    order = part(exported(), HELD, "hold")
    pointer = pointer or {"reference": f"MedicationRequest/{order['id']}"}
    return {
        "resourceType": "MedicationStatement", "id": f"ms-{status}-{day}", "status": status, "basedOn": [pointer],
        "subject": {"reference": "Patient/1"}, "effectiveDateTime": day, "medicationCodeableConcept": {"text": "x"},
    }  # fmt: skip


@pytest.mark.parametrize(
    ("status", "day", "word", "says"),
    [
        ("completed", "2026-03-16", "taken", "A dose was taken on Mon 2026-03-16"),
        ("completed", "2026-03-15", "stopped", "last dose taken Sun 2026-03-15"),
        ("active", "2026-03-16", "taken", "A dose was taken on Mon 2026-03-16"),
        ("unknown", "2026-03-16", "taken", "A dose was taken on Mon 2026-03-16"),
        ("stopped", "2026-03-15", "stopped", "last dose taken Sun 2026-03-15"),
        ("not-taken", "2026-03-16", "answered", "not recorded yet. It is recorded as not taken on Mon 2026-03-16."),
        ("not-taken", "2026-03-15", "answered", "not recorded yet. It is recorded as not taken on Sun 2026-03-15."),
        ("intended", "2026-03-16", "answered", "not recorded yet."),
        ("intended", "2026-03-15", "answered", "not recorded yet."),
        ("entered-in-error", "2026-03-16", "answered", "not recorded yet."),
        ("completed", "2026-03-18", "needs-review", "Wed 2026-03-18, a day that has not come"),
        ("not-taken", "2026-03-18", "answered", "not recorded yet."),
    ],
)
def test_what_a_statement_says_of_a_dose(status, day, word, says, tmp_path):
    found, _, reason = said(tmp_path, answered(statement(status, day)), "2026-03-17", HELD)
    assert found == word and says in reason, reason
    assert ("recorded as not taken" in reason) == ("recorded as not taken" in says)


def test_one_dose_taken_weighs_more_than_one_not_taken(tmp_path):
    both = answered(statement("not-taken", "2026-03-17"), statement("completed", "2026-03-16"))
    assert said(tmp_path, both, "2026-03-17", HELD)[0] == "taken"


def test_a_dose_counts_whatever_way_it_names_the_hold(tmp_path):
    order = part(exported(), HELD, "hold")
    for pointer in (
        {"reference": f"https://h.example/fhir/MedicationRequest/{order['id']}/_history/3"},
        {"identifier": order["identifier"][0]},
    ):
        told = answered(statement("completed", "2026-03-16", **pointer))
        assert said(tmp_path, told, "2026-03-17", HELD)[0] == "taken"


def test_a_contact_counts_whatever_way_it_names_the_visit(tmp_path):
    request = part(exported(), "visit/six-week", "request")
    call = {
        "resourceType": "Communication", "id": "c", "status": "not-done", "subject": {"reference": "Patient/1"},
        "about": [{"reference": f"https://h.example/fhir/ServiceRequest/{request['id']}/_history/2"}],
        "sent": "2026-05-08T10:00:00-05:00", "medium": [{"text": "telephone"}],
    }  # fmt: skip
    (contact,) = row(gaps(tmp_path, [*exported(), call]), "visit/six-week")["contacts"]
    assert contact["on"] == "2026-05-08" and not contact["reached"]


ENDS = {
    "": "met", "achieved": "met", "sustaining": "met", "not-achieved": "not-met", "no-progress": "not-met",
    "not-attainable": "not-met", "worsening": "not-met", "no-change": "not-met", "in-progress": "not-met",
    "improving": "not-met", "of nobody's": "not-met",
}  # fmt: skip


def with_goal(**said_of_it):
    made = exported()
    part(made, "goal/eats-and-drinks", "goal").update(said_of_it)
    return made


def achievement(code):
    system = "http://terminology.hl7.org/CodeSystem/goal-achievement"
    return {"achievementStatus": {"coding": [{"code": "local", "system": "s"}, {"system": system, "code": code}]}}


@pytest.mark.parametrize("code", ENDS)
def test_a_goal_that_is_closed_is_met_only_where_it_was_achieved(code, tmp_path):
    more = achievement(code) if code else {}
    made = with_goal(lifecycleStatus="completed", statusDate="2026-03-19", statusReason="sick all day", **more)
    word, _, reason = said(tmp_path, made, "2026-03-20", "goal/eats-and-drinks")
    assert word == ENDS[code]
    if word == "not-met":
        assert f"recorded as {code.replace('-', ' ')} (sick all day)" in reason and "Thu 2026-03-19" in reason


@pytest.mark.parametrize(
    ("status", "word"),
    [("cancelled", "excused"), ("rejected", "excused"), ("entered-in-error", "needs-review"), ("active", "not-met")],
)
def test_a_goal_that_was_given_up_is_excused_with_the_reason(status, word, tmp_path):
    made = with_goal(
        lifecycleStatus=status, statusReason="goes to a ward elsewhere", note=[{"authorString": "R. Alder"}]
    )
    found, _, reason = said(tmp_path, made, "2026-03-20", "goal/eats-and-drinks")
    assert found == word
    assert word != "excused" or "withdrawn by R. Alder (goes to a ward elsewhere)" in reason


def test_a_goal_met_tomorrow_is_not_met(tmp_path):
    made = with_goal(lifecycleStatus="completed", statusDate="2026-03-19")
    word, _, reason = said(tmp_path, made, "2026-03-18", "goal/eats-and-drinks")
    assert word == "needs-review" and "Thu 2026-03-19, a day that has not come" in reason


def test_a_goal_noted_as_done_is_one_that_was_achieved():
    made = with_goal(lifecycleStatus="active", **achievement("not-achieved"))
    goal = part(made, "goal/eats-and-drinks", "goal")
    noted = completed(goal, Noted("R. Alderman", date(2026, 3, 19), "", None, ""))
    assert noted["achievementStatus"]["coding"][0]["code"] == "achieved" and noted["statusDate"] == "2026-03-19"
