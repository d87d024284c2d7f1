"""An answered medicine whose ground has changed: the list asks the prescriber, and the answer stands until then.

Dabigatran before surgery with much bleeding: 2 days from a creatinine clearance of 50 mL/min on, 4 below (PAUSE, JAMA
Intern Med 2019). Cockcroft-Gault of a man of 67 with 80 kg (Nephron 1976;16:31): 81.1 mL/min with a creatinine of 1.0
mg/dL, 36.9 with 2.2. 1 mg/dL is 88.4 umol/L. The patient and the days are invented.
"""

from __future__ import annotations

import copy
from dataclasses import replace
from datetime import date, time, timedelta

import pytest

from merge.small import HOLD, SURGERY, clinic, order, pathway, patient
from merge.stories import answer, hold_part, output
from merge.worlds import Memory, later
from waykeeper.fhir import answers, is_ours, read_all
from waykeeper.fhir.ownership import GROUPS, digest
from waykeeper.gaps import worklist
from waykeeper.merge.held import holding
from waykeeper.merge.medicine_changes import medicine_changes
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Answers
from waykeeper.record import read
from waykeeper.report.move_words import medicine_sentence
from waykeeper.timing.model import Moment

AS_OF = date(2026, 3, 6)
ANSWERED = date(2026, 3, 2)


def measured(code: str, value: float, unit: str, day: str) -> dict:
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
        "effectiveDateTime": day,
        "valueQuantity": {"value": value, "unit": unit, "code": unit},
    }


WELL = [measured("2160-0", 1.0, "mg/dL", "2026-02-20"), measured("29463-7", 80, "kg", "2026-02-20")]
WORSE = measured("2160-0", 2.2, "mg/dL", "2026-03-04")
THINNER = order("aspirin 81 mg tablet") | {
    "identifier": [{"system": "https://alder-quay.example/orders", "value": "rx-2"}]
}


class Ward(Memory):
    """A patient who takes one medicine, with a record that people add to."""

    words, surgery, anaesthesia = "dabigatran 150 mg capsule", SURGERY, "general"

    def __init__(self, words=words):
        super().__init__()
        self.words, self.record, self.clinic = words, [*WELL], clinic()
        self.edit_patient(gender="male")

    def edit_patient(self, **fields):
        self.held = [(ref, {**r, **fields} if ref == self.patient else r) for ref, r in self.held]

    def plan(self, **_):
        state = self.state()
        known = {**patient(self.identifier), "gender": "male"}
        said = [known, order(self.words), *self.record]
        record = read([(f"urn:uuid:{n}", r) for n, r in enumerate(said)], is_ours)
        return compile_plan(
            pathway(), self.clinic, record, {"surgery": Moment(self.surgery, time(7, 30), self.clinic.zone)},
            side="left", anaesthesia=self.anaesthesia, identifier=self.identifier,
            answers=answers(state) if state else Answers(),
        )  # fmt: skip

    def row(self, as_of=AS_OF, came=()):
        """What the list says of the medicine; `came` to the patient's record since."""
        beside = [(f"Observation/{n}", one | {"subject": {"reference": self.patient}}) for n, one in enumerate(came)]
        rows = worklist(read_all([*self.resources(), *beside]), (), as_of).rows
        return next(r for r in rows if r.item == str(HOLD))


def answered(words=Ward.words, days=2):
    world = Ward(words)
    world.push()
    answer(world, days, ANSWERED)
    world.push()
    return world


def test_it_is_told_which_value_changed_and_nothing_of_the_answer_is():
    world = answered()
    stop = world.at(HOLD, "stop")
    world.record.append(WORSE)
    world.push()
    row = world.row()
    assert (row.verdict, row.severity, row.who) == ("needs-review", 2, "prescriber")
    for said in (
        "(Dr Reed) on Mon 2026-03-02: hold, 2 days.", "Proposed now: hold, 4 days (last dose Fri 2026-03-13).",
        "creatinine clearance 36.86 mL/min (creatinine 2.2 mg/dL of Wed 2026-03-04, 80 kg of Fri 2026-02-20); before:",
        "before: creatinine clearance 81.11 mL/min (creatinine 1.0 mg/dL of Fri 2026-02-20, 80 kg",
    ):  # fmt: skip
        assert said in row.reason
    assert world.at(HOLD, "stop") == stop and hold_part(world.at(HOLD, "hold"), "missedDays") == 2
    assert world.state().items[HOLD].answer.decided == ("hold", 2)
    assert world.push().changing == () and world.conflicts() == []


def test_it_grows_graver_until_the_morning_of_surgery_and_then_gives_way_to_the_restart():
    world = answered()
    world.record.append(WORSE)
    world.push()
    days = [date(2026, 3, d) for d in (3, 4, 13, 14, 18, 19)]
    assert [world.row(day).severity for day in days] == [1, 2, 2, 3, 3, 0]
    assert "Fri 2026-03-13, is over" in world.row(days[3]).reason
    assert [world.row(day).by for day in days[:3]] == [date(2026, 3, 4), date(2026, 3, 13), date(2026, 3, 13)]


@pytest.mark.parametrize("again", [2, 4])
def test_an_answer_after_it_closes_it_for_good(again):
    """The same number on another day says that the answer stands."""
    world = answered()
    world.record.append(WORSE)
    world.push()
    answer(world, again, date(2026, 3, 5))
    assert "Proposed now" not in world.row().reason
    world.push()
    assert world.row().verdict == "answered"
    assert world.push().changing == ()
    world.record.append(measured("2160-0", 2.1, "mg/dL", "2026-03-05"))
    world.push()
    assert world.row().verdict == "answered"


def test_an_answer_given_before_the_new_value_was_pushed_is_asked_about():
    world = Ward()
    world.push()
    answer(world, 2, ANSWERED)
    world.record.append(WORSE)
    world.push()
    assert "Proposed now: hold, 4 days" in world.row().reason


def test_without_an_answer_the_new_proposal_simply_stands_there():
    world = Ward()
    world.push()
    world.record.append(WORSE)
    world.push()
    row = world.row()
    assert row.verdict == "unanswered" and "Fri 2026-03-13" in row.reason


@pytest.mark.parametrize(("more", "asks"), [
    (measured("2160-0", 1.1, "mg/dL", "2026-03-04"), False),  # 73.7 mL/min
    (measured("2160-0", 194, "umol/L", "2026-03-04"), True),  # 2.19 mg/dL
    (measured("2160-0", 97, "umol/L", "2026-03-04"), False),  # 1.10 mg/dL
    (measured("98979-8", 31, "mL/min/{1.73_m2}", "2026-03-04"), False),  # an eGFR is not used in its place
    (measured("29463-7", 40, "kg", "2026-03-04"), True),  # 40.6 mL/min
    ({k: v for k, v in WORSE.items() if k != "effectiveDateTime"}, False),  # the dated one counts
])  # fmt: skip
def test_only_what_changes_the_proposal_asks(more, asks):
    world = answered()
    world.record.append(more)
    world.push()
    assert (world.row().verdict == "needs-review") is asks


def test_what_changed_back_is_not_told():
    world = answered()
    world.record.append(WORSE)
    world.push()
    world.record.remove(WORSE)
    world.push()
    assert world.row().verdict == "answered"


def test_a_setting_of_the_clinic():
    """Naproxen by its half-life 4 days, by a rule of a week for all of its kind 7 (clinical.md T42 to T47)."""
    world = answered("naproxen 500 mg tablet", 4)
    world.clinic = replace(world.clinic, policies={**world.clinic.policies, "nsaids": "NSAID_ALL_7D"})
    world.push()
    assert "What changed: the policy NSAID_ALL_7D; before: the policy NSAID_LARGER." in world.row().reason


def test_another_medicine_that_asks_about_it():
    world = answered()
    world.record.append(THINNER)
    world.push()
    assert 'Asked since then: "with aspirin: both thin the blood' in world.row().reason


def test_a_question_in_the_words_of_another_version_is_none(monkeypatch):
    world = answered()
    monkeypatch.setattr("waykeeper.plan.holds.VERSION", "99.0.0")
    world.record.append(THINNER)
    world.push()
    assert world.row().verdict == "answered"


def test_the_next_version_alone_changes_no_hold_and_asks_nothing_where_somebody_wrote_in_it(monkeypatch):
    world = answered()
    monkeypatch.setattr("waykeeper.plan.holds.VERSION", "99.0.0")
    assert world.push().changing == ()
    world.edit(HOLD, "hold", reasonCode=[{"text": "Written by the ward"}])
    assert world.push().changing == () and world.conflicts() == []


def test_a_value_is_no_conflict_with_what_somebody_wrote_in_the_hold():
    """88.6 mL/min by 0.95 in place of 1.0 mg/dL: the same pause, and only what it rests on is another."""
    world = answered()
    world.edit(HOLD, "hold", reasonCode=[{"text": "Written by the ward"}])
    world.record.append(measured("2160-0", 0.95, "mg/dL", "2026-03-04"))
    made = world.push()
    assert made.conflicts == () and [d.reason for d in made.changing] == ["what is proposed changed in the plan"]
    world.record[-1] = WORSE
    assert world.push().conflicts == () and "Proposed now: hold, 4 days" in world.row().reason
    assert world.at(HOLD, "hold")["reasonCode"] == [{"text": "Written by the ward"}]
    assert world.push().changing == ()


def test_an_answer_of_today_stands_by_words_of_its_own():
    """The same answer of the same day is none that came later: the row says what closes it."""
    world = answered()
    world.record.append(WORSE)
    world.push()
    assert "it was answered today, so say in words" in world.row(ANSWERED).next_action
    assert "it was answered today" not in world.row(later(0) - timedelta(10)).next_action
    words = output("text", valueString="the answer stands")
    told = world.at(HOLD, "confirm")["output"]
    world.edit(HOLD, "confirm", output=[*told, words])
    assert world.row(ANSWERED).verdict == "answered"


def test_a_pause_for_another_operation_is_still_told():
    world = answered()
    world.record.append(WORSE)
    world.push()
    ((plan, state),) = read_all(world.resources())
    paused = replace(state, paused_before={HOLD: "the right knee, Mon 2026-03-09"})
    row = next(r for r in worklist([(plan, paused)], (), AS_OF).rows if r.item == str(HOLD))
    assert "Proposed now" in row.reason and "pauses for the right knee, Mon 2026-03-09 already" in row.reason


def test_a_lighter_anaesthetic_asks_mildly_and_keeps_the_round():
    """3 days before a needle, 2 without (ASRA 2018; PAUSE 2019): with more days a move asks in a new round."""
    world = Ward()
    world.anaesthesia = "spinal"
    world.push()
    answer(world, 3, ANSWERED)
    world.push()
    world.anaesthesia = "general"
    world.push()
    row = world.row(date(2026, 3, 17))
    assert row.severity == 2 and "What changed: anaesthesia general; before: anaesthesia spinal." in row.reason
    assert world.at(HOLD, "hold", 2) is None


def test_days_that_a_prescriber_edited():
    world = Ward()
    world.push()
    edit(world, 3)
    world.push()
    assert world.row().verdict == "answered"
    world.record.append(WORSE)
    world.push()
    row = world.row()
    assert "hold, 3 days. That was an answer to this proposal: hold, 2 days" in row.reason
    assert hold_part(world.at(HOLD, "hold"), "missedDays") == 3 and world.conflicts() == []


def edit(world, days):
    """The prescriber changes the dates of the hold itself."""
    last = SURGERY - timedelta(days + 1)
    new = {
        "missedDays": {"valueInteger": days}, "lastDose": {"valueDate": str(last)},
        "firstMissed": {"valueDate": str(last + timedelta(1))},
    }  # fmt: skip
    hold = copy.deepcopy(world.at(HOLD, "hold"))
    for part in (p for e in hold["extension"] for p in e.get("extension", ())):
        part.update(new.get(part["url"], {}))
    world.edit(HOLD, "hold", extension=hold["extension"])


def test_a_moved_surgery_asks_in_a_new_round_as_ever():
    world = answered()
    world.surgery = later(7)
    world.record.append(WORSE)
    world.push()
    assert world.row().verdict == "not-yet-due"
    answer(world, 4, date(2026, 3, 5))
    world.push()
    assert world.row().verdict == "answered"


def test_a_plan_of_before_is_quiet_until_something_changes_again():
    """Nobody can tell to what it was answered: the first plan that keeps it is where the counting begins."""
    world = answered()
    world.held = [(ref, as_before(resource)) for ref, resource in world.held]
    assert world.row().verdict == "answered"
    world.record.append(WORSE)
    made = world.push()
    assert made.conflicts == () and world.row().verdict == "answered"
    world.record.append(measured("29463-7", 120, "kg", "2026-03-05"))  # 55.3 mL/min
    world.push()
    assert world.row().verdict == "answered"  # by now the very number is proposed that was answered
    world.record.append(THINNER)
    world.push()
    assert world.row().verdict == "needs-review"


@pytest.mark.parametrize("touched", [False, True])
def test_a_plan_of_before_gets_what_it_lacks_without_a_conflict(touched):
    world = Ward()
    world.push()
    world.held = [(ref, as_before(resource)) for ref, resource in world.held]
    if touched:
        world.edit(HOLD, "hold", reasonCode=[{"text": "as the surgeon wishes"}])
    assert world.push().conflicts == ()
    assert world.push().changing == ()


def test_a_value_that_came_after_the_plan_asks_for_another_plan_and_then_the_prescriber():
    world = answered()
    came = [*WELL, WORSE]
    days = [date(2026, 3, d) for d in (3, 6, 16, 18)]
    assert [world.row(day, came).severity for day in days] == [1, 2, 3, 0]
    row = world.row(came=came)
    assert row.who == "coordinator" and "(compile --from) and push it" in row.next_action
    for said in ("(Dr Reed) on Mon 2026-03-02: hold, 2 days. Since the plan was made", "creatinine 2.2 mg/dL of Wed"):
        assert said in row.reason
    world.record.append(WORSE)
    world.push()
    assert "Proposed now: hold, 4 days" in world.row(came=came).reason
    answer(world, 2, date(2026, 3, 5))
    assert world.row(came=came).verdict == "answered"


def test_a_value_that_asks_for_no_longer_pause_is_no_alarm():
    world = Ward()
    world.record[0] = measured("2160-0", 2.2, "mg/dL", "2026-02-20")
    world.push()
    answer(world, 4, ANSWERED)
    world.push()
    row = world.row(date(2026, 3, 15), [*world.record, measured("2160-0", 1.0, "mg/dL", "2026-03-10")])
    assert row.severity == 2 and "a longer pause would have begun" not in row.reason


RISES = measured("2160-0", 2.2, "mg/dL", "2026-02-26")  # within days of 1.0: no clearance can be computed


def test_a_creatinine_that_rises_asks_also_where_no_case_of_the_rule_speaks_of_a_missing_value():
    """Apixaban turns below 30 mL/min alone. Nobody knows the clearance of a kidney that fails."""
    world = answered("apixaban 5 mg tablet")
    row = world.row(came=[*WELL, RISES])
    assert row.verdict == "needs-review" and "the formula needs a steady kidney" in row.reason
    world.record.append(RISES)
    world.push()
    row = world.row(came=[*WELL, RISES])
    assert row.verdict == "needs-review" and "the formula needs a steady kidney, measure again" in row.reason
    answer(world, 2, date(2026, 3, 5))
    assert world.row(came=[*WELL, RISES]).verdict == "answered"


def test_a_move_tells_the_prescriber_what_is_asked_now_and_was_not_when_it_was_answered():
    world = answered("apixaban 5 mg tablet")
    world.record.append(RISES)
    world.surgery = later(2)
    plan = world.plan()
    held = holding(plan.episode, world.resources())
    found = next(m for m in medicine_changes(held.plan, held, world.push(plan), AS_OF) if m.item == HOLD)
    assert found.need == "approve again" and len(found.asks) == 1
    said = medicine_sentence(found, None)
    assert "Asked now and not before: kidney: the creatinine changed between 1.0 and 2.2 mg/dL" in said


def test_what_is_asked_of_an_unanswered_pause_stands_beside_it():
    world = Ward("apixaban 5 mg tablet")
    world.record.append(RISES)
    world.push()
    row = world.row(came=world.record)
    assert row.verdict == "unanswered" and "the formula needs a steady kidney" in " ".join(row.questions)


def test_a_pause_that_nobody_answered_is_as_grave_on_the_morning_of_surgery_as_the_day_before():
    """That morning surgery can still be put off. Once its day is over, the row asks what was taken."""
    world = Ward()
    world.push()
    days = [SURGERY + timedelta(days=n) for n in (-1, 0, 1)]
    said = [(row.verdict, row.severity) for row in map(world.row, days)]
    assert said == [("unanswered", 3), ("unanswered", 3), ("never-answered", 2)]
    assert "surgery is" in world.row(SURGERY).reason


def test_where_nobody_has_answered_yet_it_is_told_too():
    world = Ward()
    world.push()
    row = world.row(came=[*WELL, WORSE])
    assert row.verdict == "unanswered" and "Since the plan was made, a newer value has come" in row.reason


@pytest.mark.parametrize(("came", "asks"), [
    ([], False),
    (WELL, False),
    ([*WELL, measured("2160-0", 1.1, "mg/dL", "2026-03-04")], False),  # 73.7 mL/min
    ([*WELL, measured("2160-0", 194, "umol/L", "2026-03-04")], True),
    ([*WELL, measured("2160-0", 2.2, "", "2026-03-04")], True),  # it cannot be read: a person looks at it
    ([*WELL, {k: v for k, v in WORSE.items() if k != "effectiveDateTime"}], False),
    ([measured("2160-0", 2.2, "mg/dL", "2026-01-20")], False),  # what the plan was made with was not read
    ([measured("2160-0", 2.2, "mg/dL", "2026-01-20"), WELL[1]], True),  # its creatinine stands there no more
    ([WELL[1]], False),
    ([measured("29463-7", 40, "kg", "2026-03-04")], False),  # no creatinine was read: nobody can say what follows
    ([measured("2160-0", 2.2, "mg/dL", "2026-02-20"), WELL[1]], True),  # the value of the day was corrected
    ([WELL[0], measured("29463-7", 40, "kg", "2026-03-04")], True),
    ([*WELL, {**WORSE, "status": "entered-in-error"}], False),
    ([*WELL, {**WORSE, "valueQuantity": "2.2"}], False),  # no resource at all
])  # fmt: skip
def test_only_a_newer_value_that_may_change_the_proposal_asks(came, asks):
    assert (answered().row(came=came).verdict == "needs-review") is asks


def test_a_result_that_is_not_final_is_told_as_what_it_is():
    row = answered().row(came=[*WELL, {**WORSE, "status": "preliminary"}])
    assert "the newest creatinine, of Wed 2026-03-04, is preliminary or no plain number" in row.reason


def test_no_medicine_that_looks_at_the_kidney_no_question():
    assert answered("naproxen 500 mg tablet", 4).row(came=[*WELL, WORSE]).verdict == "answered"


def test_a_plan_of_before_says_nothing_of_newer_values():
    world = answered()
    world.held = [(ref, as_before(resource)) for ref, resource in world.held]
    assert world.row(came=[*WELL, WORSE]).verdict == "answered"


def as_before(resource):
    """As a version wrote it that did not keep what is proposed: another scheme, with digests without it."""
    made = copy.deepcopy(resource)
    for extension in made.get("extension", ()):
        if "extension" in extension:
            extension["extension"] = [p for p in extension["extension"] if p["url"] not in ("proposed", "answeredTo")]
    offered = next((e for e in made.get("extension", ()) if e["url"].endswith("/offered")), {"extension": []})
    for part in offered["extension"]:
        if part["url"] == "scheme":
            part["valuePositiveInt"] = 1
        if part["url"] in GROUPS:
            part["valueString"] = digest(made, part["url"])
    return made
