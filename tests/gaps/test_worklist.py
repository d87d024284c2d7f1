"""The worklist: order, theatre list, proof, contacts, putting off, groups of one patient, changes, JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest

from gaps.plans import SURGERY, ankle, dates, evidence, item, link, plan, state, visit, with_dates
from waykeeper.gaps import TheatreCase, TheatreList, as_json, changes_since, groups, select, worklist
from waykeeper.gaps.as_json import rows_from_json
from waykeeper.plan.model import Contact, HoldProposal, Identifier, ItemState, Key, State
from waykeeper.timing.model import Anchor, Moment, Standing

LATE = date(2026, 6, 26)


def day(text: str) -> date:
    return date.fromisoformat("2026-" + text)


def row(listed, name):
    return next(r for r in listed.rows if r.item == name)


def one(of, known=None, found=(), as_of=LATE, **rest):
    return worklist([(of, known or State())], found, as_of, **rest)


# order


def test_unclassified_medicine_first_then_severity_harm_days_left_name():
    unknown = HoldProposal("ask", "zzzmab", recognised=False)
    medicine = item("medicine", "zzzmab", dates(due_from=day("03-04")), hold=unknown)
    mild = [item("task", n, dates(d), harm=h) for n, d, h in (
        ("tomorrow", day("02-21"), 1), ("harm-two", day("02-24"), 2), ("today", day("02-20"), 1))]  # fmt: skip
    grave = item("task", "late", dates(day("02-10")), harm=3)
    listed = one(plan(medicine, *mild, grave), as_of=day("02-20"))
    names = [r.item for r in listed.gaps]
    assert names == ["medicine/zzzmab", "task/late", "task/harm-two", "task/today", "task/tomorrow"]


def test_the_name_decides_between_equals():
    plans = [(ankle(patient=n, name=who), State()) for n, who in (("3", "Zoe"), ("1", "Abe"), ("2", "Mia"))]
    listed = worklist(plans, (), LATE)
    assert [r.patient for r in listed.rows if r.item == "visit/three-month"] == ["Abe", "Mia", "Zoe"]
    assert listed.counts["overdue"] == 3


# the plan's row


@pytest.mark.parametrize(("standing", "as_of", "word"), [
    (Standing.GIVEN, "03-18", "current"), (Standing.GIVEN, "03-19", "unproven"),
    (Standing.ASSUMED, "03-19", "unproven"),
    (Standing.RECORDED, "03-19", "current"),
])  # fmt: skip
def test_surgery_that_nothing_proves(standing, as_of, word):
    listed = one(ankle(standing=standing), as_of=day(as_of))
    mine = row(listed, "plan/plan")
    assert (mine.verdict, mine.gap) == (word, word != "current")
    rests = [r.item for r in listed.rows if r.unproven]
    assert len(rests) == (5 if word == "unproven" else 0)
    assert all("nothing in the record proves" in row(listed, name).reason for name in rests)


def test_proof_found_since_the_plan_was_made_counts():
    listed = one(ankle(standing=Standing.GIVEN), State(proven={"surgery": "Procedure/7"}), as_of=day("03-19"))
    assert row(listed, "plan/plan").verdict == "current"
    assert not any(r.unproven for r in listed.rows)


def test_one_row_asks_for_discharge_too():
    made = ankle()
    home = Anchor("discharge", Moment(day("03-19")), Standing.ASSUMED, "1 day after surgery")
    mine = row(one(replace(made, anchors=(*made.anchors, home)), as_of=day("03-20")), "plan/plan")
    assert mine.verdict == "unproven"
    assert "discharge day Thu 2026-03-19" in mine.reason


def test_a_discharge_nobody_recorded_and_nobody_declared_awaited():
    made = ankle()
    missing = Anchor("discharge", None, Standing.AWAITED, "hours nobody knows")  # assumed, and not to be dated
    waits = with_dates(visit("two-week"), window=None, target=None, at=None, late_from=None, awaited="discharge")
    late = replace(plan(waits), anchors=(*made.anchors, missing))
    assert row(one(late, as_of=day("03-18")), "visit/two-week").verdict == "undated"
    after = one(late, as_of=day("03-19"))
    assert (row(after, "visit/two-week").verdict, row(after, "visit/two-week").severity) == ("needs-review", 2)
    assert row(after, "plan/plan").verdict == "unproven"
    declared = replace(late, anchors=(*made.anchors, replace(missing, phrase="")))
    assert row(one(declared, as_of=day("03-19")), "visit/two-week").verdict == "undated"
    assert row(one(declared, as_of=day("03-19")), "plan/plan").verdict == "current"


def test_what_was_attended_is_attended_though_its_days_are_not_known():
    """verdicts.md 2, line 1: undated: attended. Line 4, an awaited anchor, comes after it."""
    waits = with_dates(visit("two-week"), window=None, target=None, at=None, late_from=None, awaited="discharge")
    made = plan(waits)
    came = [evidence(f"Appointment/{n}", "fulfilled", day(d), link_to=link(made, "two-week"))
            for n, d in (("b", "04-08"), ("a", "04-01"))]  # fmt: skip
    for found, seen in ((came[1:], "04-01"), (came, "04-01")):  # of several the first
        mine = row(one(made, found=found, as_of=day("04-20")), "visit/two-week")
        assert (mine.verdict, mine.gap, mine.attended) == ("attended", False, day(seen))


def test_conflicts_wait_for_a_decision_and_shut_gates():
    gate = item("gate", "ready", dates(day("03-11")))
    known = State(conflicts=("Wound check was deleted",))
    listed = one(plan(gate), known, as_of=day("03-11"))
    assert row(listed, "plan/plan").verdict == "conflict"
    assert "Wound check was deleted" in row(listed, "plan/plan").reason
    assert row(listed, "gate/ready").verdict == "shut"
    assert "with --take theirs:ITEM to keep, ours:ITEM to take" in row(listed, "plan/plan").next_action
    assert "move" not in row(listed, "plan/plan").next_action


def test_a_day_that_was_learnt_since_is_moved_in_before_a_conflict_is_answered():
    """A push does not take over such a day: it would refuse the plan that was made again."""
    known = State(conflicts=("Wound check was deleted",), proven={"surgery": "Procedure/7"})
    said = row(one(ankle(standing=Standing.ASSUMED), known, as_of=day("03-19")), "plan/plan").next_action
    assert "As the day of surgery is recorded too, move the plan first. Then make the plan again" in said


def case(on, patient="1001", reference="case-1", **rest):
    return TheatreCase(reference, (f"https://alder-quay.example/patients|{patient}",), on, **rest)


def listing(*cases):
    return TheatreList(cases, day("03-01"), day("03-31"))


@pytest.mark.parametrize(("cases", "as_of", "word"), [
    ((case(SURGERY),), "03-10", "current"),
    ((case(day("03-20")),), "03-10", "date-differs"),
    ((), "03-10", "no-case"),
    ((), "03-18", "no-case"),
    ((), "03-19", "unproven"),
])  # fmt: skip
def test_theatre_list_against_the_plan(cases, as_of, word):
    listed = one(ankle(standing=Standing.GIVEN), as_of=day(as_of), theatre=listing(*cases))
    assert row(listed, "plan/plan").verdict == word


@pytest.mark.parametrize(("planned", "listed", "word"), [
    ("general", "Spinal", "needs-review"), ("general", "general or epidural", "needs-review"),
    ("superficial-block", "Regional", "needs-review"), ("deep-block", "general", "needs-review"),
    ("general", "superficial-block", "current"), ("spinal", "deep block", "current"),
    ("unknown", "Spinal", "current"), ("unknown", "general", "current"), ("general", "MAC", "current"),
])  # fmt: skip
def test_a_needle_on_one_side_only_is_told(planned, listed, word):
    """Blood thinners pause longer before a needle (ASRA 2018, from memory); not known counts as with one."""
    made = replace(ankle(standing=Standing.GIVEN), anaesthesia=planned)
    found = one(made, as_of=day("03-10"), theatre=listing(case(SURGERY, anaesthesia=listed)))
    assert row(found, "plan/plan").verdict == word


def test_hour_and_anaesthetic_that_both_differ_are_both_told():
    made = replace(ankle(standing=Standing.GIVEN), anaesthesia="general")
    timed = [
        replace(a, moment=replace(a.moment, clock=time(7, 30))) if a.name == "surgery" else a for a in made.anchors
    ]
    made = replace(made, anchors=tuple(timed))
    found = one(made, as_of=day("03-10"), theatre=listing(case(SURGERY, anaesthesia="spinal", start=time(6, 15))))
    mine = row(found, "plan/plan")
    assert mine.severity == 3
    assert "spinal" in mine.reason
    assert any("06:15" in q for q in mine.questions)
    over = one(made, as_of=day("03-19"), theatre=listing(case(SURGERY, anaesthesia="spinal", start=time(6, 15))))
    assert "theatre" not in row(over, "plan/plan").reason


def test_surgery_that_is_proven_needs_no_case():
    assert row(one(ankle(), as_of=SURGERY, theatre=listing()), "plan/plan").verdict == "current"


def test_a_list_that_does_not_cover_the_day_says_nothing():
    short = TheatreList((), day("03-01"), day("03-17"))
    assert row(one(ankle(), as_of=day("03-10"), theatre=short), "plan/plan").verdict == "current"


def test_a_case_without_a_plan_is_a_grave_row():
    stranger = case(day("03-12"), patient="9", reference="case-9", name="Bo Teal", surgeon="Dr. Amsel")
    listed = one(ankle(), as_of=day("03-10"), theatre=listing(case(SURGERY), stranger))
    mine = row(listed, "plan/case-9")
    assert (mine.verdict, mine.severity, mine.patient) == ("no-plan", 3, "Bo Teal")
    assert row(listed, "plan/plan").verdict == "current"


@pytest.mark.parametrize("proven", [{"surgery": "Procedure/1"}, {}])
def test_another_joint_within_the_year_of_the_first_is_a_case_without_a_plan(proven):
    """The first plan stands for a year, and it took the case of the second joint: nobody was told to make its plan."""
    first, second = ankle(), case(day("06-15"), procedure="Total knee replacement")
    theatre = TheatreList((second,), day("06-01"), day("06-30"))
    listed = worklist([(first, State(proven=proven))], (), day("06-01"), theatre=theatre)
    mine = row(listed, "plan/case-1")
    assert (mine.verdict, mine.severity) == ("no-plan", 3)
    assert "Mon 2026-06-15 (Total knee replacement); this patient's plan is for the operation of Wed" in mine.reason
    later = worklist([(first, State(proven=proven)), (ankle(day("06-20"), number=2), State())], (), day("06-01"),
                     theatre=theatre)  # fmt: skip
    assert sorted(r.verdict for r in later.rows if r.kind == "plan")[-1] == "date-differs"
    assert not [r for r in later.rows if r.verdict == "no-plan"]


def test_an_operation_that_is_listed_twice_is_not_called_one_of_a_patient_without_a_plan():
    listed = one(ankle(standing=Standing.GIVEN), as_of=day("03-10"),
                 theatre=listing(case(SURGERY), case(day("03-25"), reference="case-2")))  # fmt: skip
    assert row(listed, "plan/plan").verdict == "current"
    assert "if it is listed twice, have the list corrected" in row(listed, "plan/case-2").next_action


def test_of_two_joints_on_one_day_the_plan_has_the_case_of_its_side():
    left = replace(ankle(), side="left")
    listed = one(left, as_of=day("03-10"), theatre=listing(
        case(SURGERY, reference="case-1", side="right"), case(SURGERY, reference="case-2", side="L")))  # fmt: skip
    assert row(listed, "plan/plan").verdict == "current"
    assert "(right)" in row(listed, "plan/case-1").reason


def test_two_joints_and_two_cases_each_find_their_own():
    second = ankle(date(2026, 3, 25), number=2)
    listed = worklist([(ankle(), State()), (second, State())], (), day("03-10"),
                      theatre=listing(case(SURGERY), case(day("03-25"), reference="case-2")))  # fmt: skip
    assert [r.verdict for r in listed.rows if r.kind == "plan"] == ["current", "current"]
    third = listing(case(SURGERY), case(day("03-25"), reference="case-2"), case(day("03-30"), reference="case-3"))
    again = worklist([(ankle(), State()), (second, State())], (), day("03-10"), theatre=third)
    assert sorted(r.verdict for r in again.rows if r.kind == "plan") == ["current", "current", "no-plan"]


def test_a_cancelled_operation_still_on_the_list_is_shown():
    listed = one(ankle(withdrawn="surgery cancelled"), as_of=day("03-10"), theatre=listing(case(SURGERY)))
    assert sorted(r.verdict for r in listed.rows if r.kind == "plan") == ["excused", "no-plan"]


def test_the_surgeon_of_the_list_is_on_every_row():
    listed = one(ankle(), as_of=day("03-10"), theatre=listing(case(SURGERY, surgeon="Dr. Amsel")))
    assert len(select(listed.rows, surgeon="dr. amsel")) == len(listed.rows)
    assert select(listed.rows, surgeon="Dr. Other") == ()


def test_each_row_is_found_by_one_surgeon_phase_and_owner_and_nobody_and_none_find_the_rest():
    listed = one(ankle(), state(visit__six_week={"owner": "R. Tamm"}), as_of=day("03-10"))
    for name, rest in (("surgeon", "nobody"), ("owner", "nobody"), ("phase", "none")):
        values = {getattr(r, name) or rest for r in listed.rows}
        assert rest in values
        found = [r for value in values for r in select(listed.rows, **{name: value})]
        assert sorted(r.item for r in found) == sorted(r.item for r in listed.rows)
    assert [r.item for r in select(listed.rows, phase="none")] == ["plan/plan"]


# contacts


def tried(*days, routes=("telephone", "letter"), reached=False):
    return tuple(Contact(day(d), routes[n % len(routes)], reached, by="M. Orr") for n, d in enumerate(days))


@pytest.mark.parametrize(("contacts", "as_of", "lost"), [
    (tried("05-10", "05-15", "05-20"), "05-24", True),  # three attempts, two routes, the 14th day
    (tried("05-10", "05-15", "05-20"), "05-23", False),
    (tried("05-10", "05-20"), "05-30", False),
    (tried("05-10", "05-15", "05-20", routes=("telephone",)), "05-30", False),
    ((*tried("05-10", "05-15", "05-20"), *tried("05-22", reached=True)), "05-30", False),
    ((*tried("05-01", reached=True), *tried("05-10", "05-15", "05-20")), "05-24", True),
    (tried("05-10", "05-15", "06-20"), "05-30", False),  # an attempt still ahead does not count
])  # fmt: skip
def test_lost_to_follow_up(contacts, as_of, lost):
    """3 attempts by two routes over 14 days, none reached: a clinic setting; common practice, no source."""
    listed = one(ankle(), state(visit__six_week={"contacts": contacts}), as_of=day(as_of))
    mine = row(listed, "visit/six-week")
    assert mine.lost is lost
    assert ("lost to follow-up" in mine.reason) is lost
    assert mine.contacts == contacts
    assert not row(listed, "visit/six-month").lost  # no gap, so nothing to be lost from


def test_only_a_visit_is_lost_to_follow_up():
    """A task that is overdue has no window and no first day of being late, and waits for its doer, not the patient."""
    calls = tried("05-10", "05-17", "06-01")
    made = plan(visit("six-week"), item("task", "film", dates(day("05-20"))))
    listed = one(made, state(visit__six_week={"contacts": calls}), as_of=day("06-26"))
    task = row(listed, "task/film")
    assert row(listed, "visit/six-week").lost and task.gap and not task.lost
    assert (task.late_from, task.book_from, task.contacts) == (None, None, ())


def test_nobody_is_lost_from_a_class_before_an_operation_that_is_over():
    """The row of a class in February said that the patient was lost by calls in May, after a visit that was missed.

    Lost to follow-up counts what follows surgery: 3 attempts by two routes over 14 days, common practice, no source.
    """
    calls, before = tried("05-10", "05-17", "06-01"), visit("two-week")
    class_ = replace(
        before, key=Key("visit", "joint-class"), dates=dates(day("02-18"), (day("02-04"), day("03-04"))), title="Class"
    )
    listed = one(plan(class_, visit("six-week")), state(visit__six_week={"contacts": calls}), as_of=day("06-26"))
    assert row(listed, "visit/six-week").lost
    early = row(listed, "visit/joint-class")
    assert early.gap and not early.lost and early.contacts == () and "lost" not in early.reason


def test_who_came_since_the_attempts_is_not_lost():
    """Three attempts in May, at the three-month visit in June: the older six-week visit is missed, nobody is lost."""
    contacts, made = tried("05-10", "05-15", "05-20"), ankle()
    known = state(visit__six_week={"contacts": contacts})
    came = [evidence("Appointment/1", "fulfilled", day("06-10"), link_to=link(made, "three-month"))]
    missed = row(one(made, known, came, as_of=day("06-30")), "visit/six-week")
    assert (missed.verdict, missed.lost, missed.contacts) == ("missed", False, contacts)
    before = evidence("Appointment/2", "fulfilled", day("03-30"), link_to=link(made, "two-week"))
    assert not row(one(made, known, [before, *came], as_of=day("06-30")), "visit/six-week").lost
    stayed_away = [evidence("Appointment/1", "noshow", day("06-10"), link_to=link(made, "three-month"))]
    assert row(one(made, known, stayed_away, as_of=day("06-30")), "visit/six-week").lost
    guess = [evidence("Appointment/1", "fulfilled", day("06-10"), text="follow-up")]
    assert row(one(made, known, guess, as_of=day("06-30")), "visit/six-week").lost
    again = state(visit__six_week={"contacts": (*contacts, *tried("06-12", "06-20", "06-28"))})
    lost = row(one(made, again, came, as_of=day("06-30")), "visit/six-week")
    assert (lost.lost, len(lost.contacts)) == (True, 6)
    assert "3 attempts since Fri 2026-06-12" in lost.reason


def test_attempts_are_listed_once_and_in_order():
    contacts = tried("05-20", "05-10", "05-15")
    known = state(visit__six_week={"contacts": contacts}, visit__two_week={"contacts": contacts})
    mine = row(one(ankle(), known), "visit/six-week")
    assert "3 attempts since Sun 2026-05-10" in mine.reason


# putting off


@pytest.mark.parametrize(("until", "as_of", "snoozed"), [
    ("06-28", "06-26", True), ("06-28", "06-28", False),  # it comes back by itself
    ("07-20", "07-01", True), ("07-20", "07-02", False),  # never past the day the window closes
])  # fmt: skip
def test_a_row_put_off_comes_back(until, as_of, snoozed):
    listed = one(ankle(), state(visit__three_month={"snoozed_until": day(until)}), as_of=day(as_of))
    mine = row(listed, "visit/three-month")
    assert mine.gap
    assert (mine.snoozed, mine in listed.snoozed, mine in listed.gaps) == (snoozed, snoozed, not snoozed)


def test_owner_and_closed_because_are_shown_and_do_not_change_the_word():
    known = state(visit__three_month={"owner": "M. Orr", "closed_because": "patient abroad"})
    mine = row(one(ankle(), known), "visit/three-month")
    assert (mine.owner, mine.closed_because, mine.verdict) == ("M. Orr", "patient abroad", "overdue")


# whose evidence


def test_what_belongs_to_nobody_here_is_listed():
    stranger = evidence("Appointment/9", "booked", SURGERY, patient="9")
    nameless = replace(stranger, reference="Appointment/8", patient=())
    listed = one(ankle(), found=[stranger, nameless])
    places = {p.reference: p.place for p in listed.unplanned}
    assert places == {"Appointment/8": "no plan", "Appointment/9": "no plan"}


def test_a_booking_that_names_two_patients_is_nobodys():
    plans = [(ankle(patient=n), State()) for n in ("1", "2")]
    both = replace(evidence("Appointment/1", "fulfilled", day("04-29"), link_to=link(plans[0][0], "six-week")),
                   patient=("https://alder-quay.example/patients|1", "Patient/2"))  # fmt: skip
    listed = worklist(plans, [both], LATE)
    assert [(p.reference, p.place) for p in listed.unplanned] == [("Appointment/1", "review")]
    assert [r.verdict for r in listed.rows if r.item == "visit/six-week"] == ["missed", "missed"]


def test_two_servers_with_the_same_patient_number_stay_two_people():
    ann, bea = ankle(patient="1", name="Ann"), ankle(patient="2", name="Bea")
    bea = replace(bea, patient=replace(bea.patient, reference="Patient/1"))
    assert len(groups([(ann, State()), (bea, State())])) == 2
    came = replace(evidence("Appointment/1", "fulfilled", day("04-29"), patient="2", link_to=link(bea, "six-week")),
                   patient=("Patient/1", "https://alder-quay.example/patients|2"))  # fmt: skip
    listed = worklist([(ann, State()), (bea, State())], [came], LATE)
    words = {r.patient: r.verdict for r in listed.rows if r.item == "visit/six-week"}
    assert words == {"Ann": "missed", "Bea": "attended"}
    only_number = worklist([(ann, State()), (bea, State())], [replace(came, patient=("Patient/1",))], LATE)
    assert [p.place for p in only_number.unplanned] == ["review"]


def test_identifiers_of_two_systems_and_one_server_patient_are_one_person():
    first = ankle(patient="1")
    other = Identifier("https://registry.example/patients", "X-7")
    second = ankle(number=2)
    second = replace(second, episode=replace(second.episode, patient=other),
                     patient=replace(second.patient, identifier=other, reference="Patient/1"))  # fmt: skip
    assert len(groups([(first, State()), (second, State())])) == 1


def test_the_same_source_read_twice_counts_once_two_contents_both_stay():
    same = evidence("Appointment/1", "booked", day("04-29"), link_to=link(ankle(), "six-week"))
    other = replace(same, status="noshow")
    assert len(one(ankle(), found=[same, same]).appointments) == 1
    assert len(one(ankle(), found=[same, other]).appointments) == 2


def test_encounter_and_appointment_have_one_place():
    booked = evidence("Appointment/1", "booked", day("04-29"), link_to=link(ankle(), "six-week"))
    seen = evidence("Encounter/1", "finished", day("04-29"), kind="encounter", appointment="Appointment/1")
    listed = one(ankle(), found=[seen, booked])
    assert [(p.reference, p.place, p.part_of) for p in listed.appointments] == [
        ("Appointment/1", "evidence", ""), ("Encounter/1", "evidence", "Appointment/1"),
    ]  # fmt: skip
    assert row(listed, "visit/six-week").evidence == ("Appointment/1", "Encounter/1")


def test_nothing_for_a_patient_who_died():
    listed = one(ankle(), State(deceased=True), as_of=LATE)
    assert not any(r.contactable or r.gap for r in listed.rows)
    unknown_day = ankle()
    died = replace(unknown_day, patient=replace(unknown_day.patient, deceased="yes"))
    assert not any(r.contactable for r in one(died).rows)


def test_as_of_late_in_the_evening_is_the_clinics_day():
    instant = datetime(2026, 7, 3, 4, 30, tzinfo=UTC)  # 23:30 on 2 July in Chicago
    listed = one(ankle(), as_of=instant)
    assert listed.as_of == day("07-02")
    assert row(listed, "visit/three-month").verdict == "overdue"


# filters, changes, JSON


def test_filters_hide_and_never_change():
    listed = one(ankle(), state(visit__six_week={"owner": "M. Orr"}))
    assert [r.item for r in select(listed.rows, owner="m. orr")] == ["visit/six-week"]
    assert "visit/six-week" not in [r.item for r in select(listed.rows, owner="nobody")]
    assert {r.phase for r in select(listed.rows, phase="follow-up")} == {"follow-up"}
    assert select(listed.rows, procedure="total-hip-replacement") == ()
    assert row(listed, "visit/six-week") in select(listed.rows, week=LATE)  # to be acted on today
    assert "visit/six-month" not in [r.item for r in select(listed.rows, week=LATE)]
    assert "visit/six-month" in [r.item for r in select(listed.rows, week=day("09-14"))]


def test_changes_since_yesterday():
    made = ankle()
    yesterday = one(made, as_of=day("06-25"))
    came = evidence("Appointment/1", "fulfilled", day("06-25"), link_to=link(made, "three-month"))
    told = {(c.kind, c.after.item) for c in changes_since(yesterday.rows, one(made, as_of=LATE).rows)}
    assert told == {("worse", "visit/three-month")}
    told = [(c.kind, c.after.item) for c in changes_since(yesterday.rows, one(made, found=[came]).rows)]
    assert told == [("closed", "visit/three-month")]
    assert changes_since(yesterday.rows, yesterday.rows) == ()
    gone = changes_since(yesterday.rows, ())
    assert {c.kind for c in gone} == {"gone"}
    assert len(gone) == len(yesterday.gaps)
    assert {c.kind for c in changes_since((), yesterday.rows)} == {"new"}


def test_what_was_recorded_since_is_told_though_the_word_stays():
    """A second no-show, another day on the theatre list, a patient lost: the row stays, what is to be done changes."""
    made, who = ankle(), (str(ankle().patient.identifier),)
    stayed = [evidence("Appointment/1", "noshow", day("06-08"), link_to=link(made, "three-month"))]
    again = [*stayed, evidence("Appointment/2", "noshow", day("06-24"), link_to=link(made, "three-month"))]
    before, after = (one(made, found=found, as_of=day("06-25")).rows for found in (stayed, again))
    assert [(c.kind, c.after.item) for c in changes_since(before, after)] == [("more", "visit/three-month")]

    lists = [TheatreList((TheatreCase("case/1", who, d),), day("03-01"), day("03-31")) for d in ("03-20", "03-25")
             for d in [day(d)]]  # fmt: skip
    before, after = (one(made, as_of=day("03-10"), theatre=listed).rows for listed in lists)
    assert [(c.kind, c.after.verdict) for c in changes_since(before, after)] == [("more", "date-differs")]

    known = state(visit__six_week={"contacts": tried("05-10", "05-15", "05-20")})
    told = changes_since(one(made).rows, one(made, known).rows)
    assert ("more", "visit/six-week", True) in {(c.kind, c.after.item, c.after.lost) for c in told}


def test_a_day_that_passes_alone_tells_of_nothing_more():
    for first in (day("03-01"), day("06-24"), day("07-10")):
        told = changes_since(one(ankle(), as_of=first).rows, one(ankle(), as_of=first + timedelta(days=1)).rows)
        assert "more" not in {c.kind for c in told}


def test_json_is_sorted_and_reads_back():
    known = state(visit__six_week={"contacts": tried("05-10"), "snoozed_until": day("06-30")})
    found = [evidence("Appointment/1", "booked", day("06-30"), link_to=link(ankle(), "three-month"))]
    listed = one(ankle(), known, found)
    told = as_json(listed)
    text = json.dumps(told)
    assert json.dumps(told, sort_keys=True) == text
    assert told["schema_version"] == "1"
    assert told["as_of"] == "2026-06-26"
    assert rows_from_json(json.loads(text)) == (listed.as_of, listed.rows)
    wanted = {"patient", "item", "kind", "verdict", "severity", "window_start", "target", "window_end", "evidence",
              "certainty", "reason", "next_action", "who", "by"}  # fmt: skip
    assert wanted <= told["rows"][0].keys()
    with pytest.raises(ValueError, match="schema_version"):
        rows_from_json({"schema_version": "0", "rows": []})


@pytest.mark.parametrize("edited", [{"severity": "3"}, {"severity": None}, {"gap": "yes"}, {"title": 7}])
def test_an_earlier_report_that_somebody_edited_is_refused_and_not_failed_on(edited):
    made = as_json(one(ankle()))
    assert rows_from_json(made)[1]
    made["rows"][0] |= edited
    with pytest.raises(ValueError, match="no whole gap report"):
        rows_from_json(made)


def test_an_empty_caseload_is_an_empty_report():
    assert worklist((), (), LATE) == worklist([], [], datetime(2026, 6, 26, tzinfo=UTC))


def test_rows_of_a_gap_say_who_and_by_when():
    listed = worklist([(ankle(standing=Standing.GIVEN), State())], (), LATE)
    for gap in listed.gaps:
        assert gap.who and gap.by and gap.by >= LATE and gap.next_action and gap.reason.endswith(".")


def test_a_revoked_visit_says_who_withdrew_it():
    key = Key("visit", "six-week")
    revoked = row(one(ankle(), State({key: ItemState(key, "revoked", "withdrawn", by="Dr. Amsel")})), str(key))
    assert (revoked.verdict, revoked.gap) == ("excused", False)
    assert "Dr. Amsel" in revoked.reason
    void = row(one(ankle(), State({key: ItemState(key, "entered-in-error", "void")})), str(key))
    assert (void.verdict, void.severity) == ("needs-review", 3)


def test_since_is_the_first_day_of_the_word():
    listed = one(ankle())
    since = {r.item: r.since for r in listed.rows}
    assert since["visit/three-month"] == day("06-26")
    assert since["visit/six-week"] == day("05-07")
    assert since["visit/two-week"] - timedelta(days=1) == row(listed, "visit/two-week").window_end


def test_since_tells_of_the_clinic_now_beside_the_plan_of_the_clinic_before():
    """Both rows have one name; the one of the plan that is over hid the gap."""
    before = (ankle(withdrawn="went to the other clinic"), State(plan_status="revoked"))
    now = ankle()
    now = replace(now, episode=replace(now.episode, clinic_url="https://other.example"))
    for pairs in ([before, (now, State())], [(now, State()), before]):
        first, second = (worklist(pairs, (), day(d)).rows for d in ("03-10", "04-10"))
        told = [(c.kind, c.after.item, c.after.verdict) for c in changes_since(first, second)]
        assert told == [("new", "visit/two-week", "missed"), ("new", "visit/six-week", "to-book")]


def test_the_hospital_stay_is_told_from_an_appointment_that_nobody_planned():
    """Each operated patient had one line more among the strays, for ever, and nothing in it said what it was."""
    stay = evidence("Encounter/9", "finished", day("03-18"), kind="encounter")
    stray = evidence("Encounter/8", "finished", day("03-18"), kind="encounter")
    known = replace(state(), proven={"discharge": "Encounter/9"})
    placed = {p.reference: (p.place, p.note) for p in one(ankle(), known, [stay, stray]).appointments}
    assert placed == {
        "Encounter/9": ("unplanned", "no visit: it proves the discharge, nothing to do"),
        "Encounter/8": ("unplanned", ""),
    }
