"""The monthly measures by hand-counted cases: who is in the denominator, who in the numerator, who is left out."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time, timedelta

import pytest

from gaps.plans import ankle, dates, evidence, item, link, plan, state, visit
from waykeeper.gaps.measures import NOT_MEASURED, SMALLEST, definitions, measures
from waykeeper.plan.model import Contact, HoldAnswer, HoldProposal, ItemState, Key, State
from waykeeper.timing.model import Anchor, Moment, Standing

MARCH = date(2026, 3, 1)
S = date(2026, 3, 18)


def of(name, pairs, found=(), month=MARCH):
    return next(m for m in measures(pairs, found, month) if m.name == name)


def counts(measure):
    return measure.numerator, measure.denominator, len(measure.left_out)


def with_discharge(made, day, standing=Standing.RECORDED):
    return replace(made, anchors=(*made.anchors, Anchor("discharge", Moment(day), standing)))


@pytest.mark.parametrize(("done", "wanted"), [
    (date(2026, 3, 4), (1, 1, 0)), (date(2026, 3, 5), (0, 1, 0)), (None, (0, 1, 0)),
])  # fmt: skip
def test_clearance_counts_up_to_day_minus_14(done, wanted):
    made = plan(item("task", "clearance-received", dates(date(2026, 3, 4))))
    own = state(task__clearance_received={"status": "completed", "cls": "done", "done_on": done})
    assert counts(of("clearance-in-time", [(made, own)])) == wanted


def test_a_surgery_that_nothing_proves_is_left_out_and_listed():
    made = plan(item("task", "clearance-received", dates(date(2026, 3, 4))), standing=Standing.GIVEN)
    found = of("clearance-in-time", [(made, State())])
    assert counts(found) == (0, 0, 1)
    assert "nothing proves the operation of Wed 2026-03-18" in found.left_out[0].why
    assert counts(of("clearance-in-time", [(made, State(proven={"surgery": "Procedure/1"}))])) == (0, 1, 0)


def test_an_operation_of_another_month_and_a_plan_without_a_clearance_are_no_cases():
    made = plan(item("task", "clearance-received", dates(date(2026, 3, 4))))
    assert counts(of("clearance-in-time", [(made, State())], month=date(2026, 4, 30))) == (0, 0, 0)
    assert counts(of("clearance-in-time", [(ankle(), State())])) == (0, 0, 0)


def hold(answer=None, taken=None):
    key = Key("hold", "apixaban")
    proposal = HoldProposal("hold", "pause", missed_days=2, last_dose=date(2026, 3, 15))
    made = replace(item("hold", "apixaban", dates(due_from=date(2026, 3, 4))), hold=proposal)
    return plan(made), State({key: ItemState(key, answer=answer, last_taken=Moment(taken) if taken else None)})


@pytest.mark.parametrize(("answer", "wanted"), [
    (HoldAnswer("hold", 2, "Dr. Amsel", date(2026, 3, 4)), (1, 1, 0)),
    (HoldAnswer("hold", 2, "Dr. Amsel", date(2026, 3, 5)), (0, 1, 0)),
    (HoldAnswer("hold", 2, "Dr. Amsel"), (0, 1, 0)),
    (None, (0, 1, 0)),
])  # fmt: skip
def test_a_hold_is_in_time_when_answered_by_its_own_due_day(answer, wanted):
    assert counts(of("holds-in-time", [hold(answer)])) == wanted


@pytest.mark.parametrize(("taken", "wanted"), [
    (date(2026, 3, 15), (0, 1, 0)), (date(2026, 3, 16), (1, 1, 0)), (date(2026, 3, 18), (1, 1, 0)),
    (date(2026, 3, 19), (0, 1, 0)),
])  # fmt: skip
def test_a_dose_inside_an_answered_hold(taken, wanted):
    """Missed days 2 of surgery Wed 03-18: last dose Sun 03-15, none on 16, 17 and the surgery day."""
    assert counts(of("doses-inside-holds", [hold(HoldAnswer("hold", 2, "A", date(2026, 3, 1)), taken)])) == wanted


@pytest.mark.parametrize(("clock", "wanted"), [(time(14, 0), (0, 1, 0)), (time(20, 0), (1, 1, 0))])
def test_a_dose_after_the_clock_limit_of_its_last_day_is_inside_the_hold_as_in_the_list(clock, wanted):
    """Twenty-four hours before 14:30: what is taken at 20:00 on the day before surgery is inside the hold."""
    key, last = Key("hold", "lisinopril"), date(2026, 3, 17)
    proposal = HoldProposal(
        "hold",
        "pause",
        missed_days=0,
        last_dose=last,
        first_missed=date(2026, 3, 18),
        last_limit=Moment(last, time(14, 30)),
    )
    made = replace(item("hold", "lisinopril", dates(due_from=date(2026, 3, 4))), hold=proposal)
    own = ItemState(key, answer=HoldAnswer("hold", 0, "A", date(2026, 3, 1)), last_taken=Moment(last, clock))
    assert counts(of("doses-inside-holds", [(plan(made), State({key: own}))])) == wanted


@pytest.mark.parametrize(("contact", "wanted"), [
    (Contact(date(2026, 3, 20), "telephone", True), (1, 1, 0)),
    (Contact(date(2026, 3, 20), "telephone", False), (0, 1, 0)),
    (Contact(date(2026, 3, 19), "telephone", True), (0, 1, 0)),
    (Contact(date(2026, 3, 22), "telephone", True), (1, 1, 0)),
    (Contact(date(2026, 3, 23), "telephone", True), (0, 1, 0)),
    (None, (0, 1, 0)),
])  # fmt: skip
def test_reached_by_72_hours_and_voicemail_is_not_reached(contact, wanted):
    made = with_discharge(ankle(), date(2026, 3, 19))
    own = state(visit__two_week={"contacts": (contact,) if contact else ()})
    assert counts(of("call-reached", [(made, own)])) == wanted


def test_a_discharge_of_the_last_days_is_left_out_until_its_three_days_are_over():
    for home, wanted in ((28, (0, 1, 0)), (29, (0, 0, 1)), (30, (0, 0, 1))):
        made = with_discharge(ankle(date(2026, 3, 26)), date(2026, 3, home))
        assert counts(of("call-reached", [(made, State())])) == wanted
        assert counts(of("call-reached", [(made, State())], month=date(2026, 4, 1))) == (0, 0, 0)


@pytest.mark.parametrize(("done", "wanted"), [(date(2026, 3, 17), 1), (date(2026, 3, 18), 0)])
def test_a_class_counts_up_to_the_day_before_surgery(done, wanted):
    own = state(task__joint_class={"status": "completed", "cls": "done", "done_on": done})
    made = plan(item("task", "joint-class", dates(date(2026, 3, 5))))
    assert counts(of("class-attendance", [(made, own)])) == (wanted, 1, 0)


@pytest.mark.parametrize(("day", "status", "wanted"), [
    (date(2026, 3, 30), "fulfilled", (1, 1, 0)), (date(2026, 4, 5), "fulfilled", (1, 1, 0)),
    (date(2026, 4, 6), "fulfilled", (0, 1, 0)), (date(2026, 3, 30), "booked", (0, 1, 0)),
])  # fmt: skip
def test_kept_in_the_window_that_closed_in_the_month(day, status, wanted):
    """Two-week window Sat 03-28 to Sun 04-05: a case of April."""
    made = plan(visit("two-week"))
    found = [evidence("Appointment/1", status, day, link_to=link(made, "two-week"))]
    assert counts(of("kept-in-window", [(made, State())], found, date(2026, 4, 1))) == wanted
    assert counts(of("kept-in-window", [(made, State())], found, MARCH)) == (0, 0, 0)


def test_a_visit_that_is_not_needed_is_no_case():
    made = plan(visit("two-week"))
    own = state(visit__two_week={"cls": "withdrawn", "status": "revoked"})
    assert counts(of("kept-in-window", [(made, own)], (), date(2026, 4, 1))) == (0, 0, 0)


def test_nights_in_hospital_have_a_median_and_no_rate():
    pairs = [(with_discharge(ankle(patient=str(n)), date(2026, 3, 18 + n)), State()) for n in range(4)]
    found = of("length-of-stay", pairs)
    assert [c.value for c in found.cases] == [0, 1, 2, 3]
    assert found.quartiles == (0.75, 1.5, 2.25)
    assert found.rate is None


def test_forms_before_and_after_in_the_published_windows():
    surgery = date(2025, 1, 30)  # its 425th day is 2026-03-31
    made = plan(item("task", "outcome-before"), item("task", "outcome-year"), surgery=surgery)
    forms = {"status": "completed", "cls": "done"}
    own = state(task__outcome_before={**forms, "done_on": date(2024, 12, 1)},
                task__outcome_year={**forms, "done_on": date(2026, 1, 30)})  # fmt: skip
    assert counts(of("forms-complete", [(made, own)])) == (1, 1, 0)
    early = state(task__outcome_before={**forms, "done_on": date(2024, 12, 1)},
                  task__outcome_year={**forms, "done_on": date(2025, 11, 25)})  # fmt: skip
    assert counts(of("forms-complete", [(made, early)])) == (0, 1, 0)


@pytest.mark.parametrize(("before", "after", "complete"), [
    (0, 300, 1), (-90, 425, 1), (-91, 300, 0), (1, 300, 0), (0, 299, 0), (0, 426, 0),
])  # fmt: skip
def test_the_first_and_the_last_day_of_both_windows_of_the_forms_count(before, after, complete):
    """CMS patient-reported outcome measure for hip and knee: 90 to 0 days before, 300 to 425 days after."""
    surgery = date(2025, 1, 30)
    done = {"outcome-before": surgery + timedelta(before), "outcome-year": surgery + timedelta(after)}
    own = State({
        Key("task", name): ItemState(Key("task", name), "completed", "done", done_on=day) for name, day in done.items()
    })  # fmt: skip
    made = plan(*(item("task", name) for name in done), surgery=surgery)
    assert counts(of("forms-complete", [(made, own)])) == (complete, 1, 0)


@pytest.mark.parametrize(("decision", "cases"), [("ask", 1), ("continue", 0)])
def test_a_medicine_that_needs_a_word_of_the_prescriber_is_a_hold_to_be_answered(decision, cases):
    asked = replace(item("medicine", "herbs"), hold=HoldProposal(decision, "herbs"))
    assert counts(of("holds-in-time", [(plan(asked), State())])) == (0, cases, 0)


def test_what_is_not_paused_is_no_case_of_a_dose_inside_a_hold_whether_surgery_is_proven_or_not():
    for standing in (Standing.GIVEN, Standing.RECORDED):
        made = plan(item("task", "clearance-received"), standing=standing)
        assert counts(of("doses-inside-holds", [(made, State())])) == (0, 0, 0)


def test_a_visit_before_surgery_is_no_follow_up():
    """Whether the class was kept has a measure of its own; both windows close in March, before surgery and after."""
    before = item("visit", "joint-class", dates(date(2026, 3, 5), (date(2026, 3, 1), date(2026, 3, 10))))
    after = item("visit", "call-in", dates(date(2026, 3, 25), (date(2026, 3, 20), date(2026, 3, 30))))
    pairs = [(plan(before, after), State())]
    assert [c.item for c in of("kept-in-window", pairs).cases] == ["visit/call-in"]
    assert [c.item for c in of("overdue-at-month-end", pairs).cases] == ["visit/call-in"]


def test_follow_up_of_a_surgery_that_nothing_proves_is_left_out_and_listed():
    pairs = [(plan(visit("two-week"), standing=Standing.GIVEN), State())]
    for name in ("kept-in-window", "overdue-at-month-end"):
        found = of(name, pairs, month=date(2026, 4, 1))
        assert counts(found) == (0, 0, 1)
        assert found.left_out[0].item == "visit/two-week"
        assert found.left_out[0].why == "nothing proves the operation of Wed 2026-03-18"
    assert counts(of("lost-to-follow-up", pairs, month=date(2027, 3, 1))) == (0, 0, 1)
    assert counts(of("forms-complete", pairs, month=date(2027, 5, 1))) == (0, 0, 1)


def test_a_window_that_closes_on_the_last_day_is_closed_for_both_figures_of_visits():
    """Six-week window of surgery 02-10 by hand: 42 days later is 03-24, and 7 more 03-31."""
    made = plan(visit("six-week", date(2026, 2, 10)), surgery=date(2026, 2, 10))
    assert counts(of("kept-in-window", [(made, State())])) == (0, 1, 0)
    assert counts(of("overdue-at-month-end", [(made, State())])) == (1, 1, 0)
    came = [evidence("Appointment/1", "fulfilled", date(2026, 3, 31), link_to=link(made, "six-week"))]
    assert counts(of("kept-in-window", [(made, State())], came)) == (1, 1, 0)
    assert counts(of("overdue-at-month-end", [(made, State())], month=date(2027, 2, 1))) == (1, 1, 0)
    assert counts(of("overdue-at-month-end", [(made, State())], month=date(2027, 3, 1))) == (0, 0, 0)


def test_who_died_after_the_month_counts_in_it_as_alive():
    """What happened since a month's end changes nothing in its figures, whenever they are asked for."""
    made = plan(visit("two-week"), item("task", "clearance-received"))
    later = State(deceased_on=date(2026, 5, 2), deceased=True)
    then = State(deceased_on=date(2026, 4, 2), deceased=True)
    for who in (made, replace(made, patient=replace(made.patient, deceased="2026-05-02T10:00:00-05:00"))):
        assert counts(of("kept-in-window", [(who, later)], month=date(2026, 4, 1))) == (0, 1, 0)
    assert counts(of("kept-in-window", [(who, State())], month=date(2026, 4, 1))) == (0, 1, 0)
    last = State(deceased_on=date(2026, 4, 30), deceased=True)
    assert counts(of("kept-in-window", [(made, last)], month=date(2026, 4, 1))) == (0, 0, 0)
    assert counts(of("kept-in-window", [(made, then)], month=date(2026, 4, 1))) == (0, 0, 0)
    assert counts(of("lost-to-follow-up", [(made, then)], month=date(2027, 3, 1))) == (0, 0, 1)
    assert counts(of("forms-complete", [(made, then)], month=date(2027, 5, 1))) == (0, 0, 1)


def test_what_was_not_done_before_an_operation_stays_undone_when_the_patient_dies_after_it():
    made = plan(item("task", "clearance-received", dates(date(2026, 3, 4))))
    assert counts(of("clearance-in-time", [(made, State(deceased_on=date(2026, 3, 25), deceased=True))])) == (0, 1, 0)
    own = state(task__clearance_received={"cls": "withdrawn", "status": "cancelled"})
    assert counts(of("clearance-in-time", [(made, own)])) == (0, 0, 0)
    gone = replace(made, withdrawn="moved away")
    assert counts(of("clearance-in-time", [(gone, replace(own, plan_status="revoked"))])) == (0, 0, 1)


@pytest.mark.parametrize("status", ["noshow", "fulfilled"])
def test_what_came_of_a_booking_after_the_month_is_no_contradiction_in_it(status):
    """The two-week window closed on Sun 2026-04-05; the booking of May was still ahead at the end of April."""
    made = plan(visit("two-week"))
    found = [evidence("Appointment/1", status, date(2026, 5, 4), link_to=link(made, "two-week"))]
    kept = of("kept-in-window", [(made, State())], found, date(2026, 4, 1))
    assert counts(kept) == (0, 1, 0)
    assert kept.cases[0].why.startswith("booked-late: ")
    gone = (replace(made, withdrawn="moved away"), State(plan_status="revoked"))
    assert counts(of("kept-in-window", [gone], found, date(2026, 4, 1))) == (0, 0, 0)


def test_one_class_of_several_is_enough_and_every_clearance_is_wanted():
    class_, heart = item("task", "class"), item("task", "heart-clearance")
    made = plan(item("task", "joint-class"), class_, item("task", "clearance-received"), heart)
    done = {"status": "completed", "cls": "done", "done_on": date(2026, 3, 1)}
    own = state(task__class=done, task__clearance_received=done)
    assert counts(of("class-attendance", [(made, own)])) == (1, 1, 0)
    assert counts(of("clearance-in-time", [(made, own)])) == (0, 1, 0)


def test_a_medicine_that_was_taken_out_is_not_unanswered():
    made, _ = hold()
    key = made.items[0].key
    own = State({key: ItemState(key, cls="withdrawn", status="cancelled", by="Dr. Amsel")})
    assert counts(of("holds-in-time", [(made, own)])) == (0, 0, 0)


def test_a_discharge_that_nothing_proves_or_of_before_the_operation_is_left_out_and_listed():
    for made in (with_discharge(ankle(), date(2026, 3, 19), Standing.ASSUMED),
                 with_discharge(ankle(), date(2026, 3, 12))):  # fmt: skip
        assert counts(of("call-reached", [(made, State())])) == (0, 0, 1)
        assert counts(of("length-of-stay", [(made, State())])) == (0, 0, 1)
    unproven = with_discharge(plan(standing=Standing.GIVEN), date(2026, 3, 19))
    assert counts(of("length-of-stay", [(unproven, State())])) == (0, 0, 1)


def test_a_call_noted_at_another_plan_of_the_patient_reached_the_patient():
    made, other = with_discharge(ankle(), date(2026, 3, 19)), ankle(date(2025, 9, 1), number=2)
    own = state(visit__six_month={"contacts": (Contact(date(2026, 3, 20), "telephone", True),)})
    assert counts(of("call-reached", [(made, State()), (other, own)])) == (1, 1, 0)


@pytest.mark.parametrize(("month", "first", "last"), [
    (date(2026, 3, 1), date(2025, 1, 1), date(2025, 3, 31)), (date(2028, 3, 1), date(2027, 1, 1), date(2027, 3, 31)),
    (date(2028, 2, 1), date(2026, 12, 1), date(2027, 2, 28)),
])  # fmt: skip
def test_the_twelfth_to_the_fourteenth_month_before_also_across_a_leap_day(month, first, last):
    days = [first - timedelta(days=1), first, last, last + timedelta(days=1)]
    pairs = [(ankle(day, patient=str(n)), State()) for n, day in enumerate(days)]
    found = of("lost-to-follow-up", pairs, month=month)
    assert [c.identifier[-1] for c in found.cases] == ["1", "2"]


def test_who_is_looked_at_in_three_months_is_counted_once():
    """Four operations are four, not twelve: a rate of them would be one of fewer than ten."""
    pairs = [(ankle(date(2025, 1, 15), patient=str(n)), State()) for n in range(4)]
    found = of("lost-to-follow-up", pairs)
    assert (found.rolling, found.rolling_rate) == ((0, 4), None)


def test_no_rate_of_fewer_than_ten_and_three_months_together():
    def pairs(count, first, surgery):
        return [(plan(item("task", "clearance-received"), patient=str(first + n), surgery=surgery), State())
                for n in range(count)]  # fmt: skip

    assert of("clearance-in-time", pairs(SMALLEST - 1, 0, S)).rate is None
    assert of("clearance-in-time", pairs(SMALLEST, 0, S)).rate == 0.0
    months = [*pairs(5, 0, S), *pairs(2, 50, date(2026, 2, 12)), *pairs(4, 100, date(2026, 1, 12))]
    found = of("clearance-in-time", [*months, *pairs(7, 200, date(2025, 12, 12))])
    assert (found.rate, found.rolling, found.rolling_rate) == (None, (0, 11), 0.0)
    done = state(task__clearance_received={"status": "completed", "cls": "done", "done_on": date(2026, 3, 1)})
    some = of("clearance-in-time", [(p, done if n < 9 else s) for n, (p, s) in enumerate(pairs(12, 0, S))])
    assert (some.rate, some.rolling_rate) == (75.0, 75.0)


def test_every_measure_is_defined_and_what_is_not_in_the_record_is_said():
    found = measures([(ankle(), State())], (), MARCH)
    assert [m.name for m in found] == list(definitions())
    assert all(said["title"] and said["numerator"] and said["denominator"] for said in definitions().values())
    assert NOT_MEASURED


def test_a_plan_of_the_clinic_before_and_one_of_the_clinic_now_are_two():
    """Whoever went to another clinic with the same pathway has a plan that is over and one in force."""
    left = plan(visit("two-week"), withdrawn="went to the other clinic")
    now = plan(visit("two-week"))
    now = replace(now, episode=replace(now.episode, clinic_url="https://other.example"))
    request = now.episode.uuid("visit", "two-week", "request")
    came = [evidence("Appointment/1", "fulfilled", date(2026, 3, 30), link_to=f"urn:uuid:{request}")]
    pairs = [(left, State(plan_status="revoked")), (now, State())]
    assert counts(of("kept-in-window", pairs, came, date(2026, 4, 1))) == (1, 1, 0)
    assert counts(of("kept-in-window", pairs, (), date(2026, 4, 1))) == (0, 1, 0)
