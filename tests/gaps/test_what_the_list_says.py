"""What a coordinator reads: no future told as fact, no order and no allegation before anybody answered.

The days are those of an invented clinic; that a no-show of a day still ahead is no fact needs no source.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from gaps.plans import SURGERY, ankle, dates, evidence, link, plan
from waykeeper.gaps import worklist
from waykeeper.gaps.gates import _MET_WORDS
from waykeeper.gaps.words import table
from waykeeper.medicines import propose
from waykeeper.medicines.ruleset import RXNORM
from waykeeper.pathway.model import Coding
from waykeeper.plan.holds import hold_items
from waykeeper.plan.model import MEDICINES, Answers, HoldAnswer, HoldProposal, Item, ItemState, Key, State
from waykeeper.record.model import Kidney, MedicineEntry
from waykeeper.timing import calendar_for
from waykeeper.timing.model import Anchor, Moment, Standing

AFTER = SURGERY + timedelta(days=5)


def one(made: Item, as_of: date, own: ItemState | None = None):
    state = State(items={made.key: own} if own else {})
    return next(r for r in worklist([(plan(made), state)], (), as_of).rows if r.item == str(made.key))


def visit_row(status: str, day: date, as_of: date, name: str = "six-week"):
    of = ankle()
    found = evidence("Appointment/1", status, day)
    found = type(found)(**{f: getattr(found, f) for f in found.__slots__} | {"links": (link(of, name),)})
    return next(r for r in worklist([(of, State())], [found], as_of).rows if r.item == f"visit/{name}")


@pytest.mark.parametrize("status", ["noshow", "fulfilled"])
def test_a_state_of_a_day_still_ahead_is_a_contradiction(status):
    row = visit_row(status, date(2026, 4, 29), date(2026, 4, 20))
    assert (row.verdict, row.severity) == ("needs-review", 2)
    assert "Wed 2026-04-29, which is still ahead" in row.reason
    assert "did not come" not in " ".join(row.history)
    assert "do not book a second one" in row.next_action


def test_a_no_show_of_today_or_before_is_history():
    assert visit_row("noshow", date(2026, 4, 29), date(2026, 4, 29)).verdict == "rebook"
    assert visit_row("cancelled", date(2026, 4, 29), date(2026, 4, 20)).verdict == "rebook"


@pytest.mark.parametrize("who", ["coordinator", "surgeon", "ward"])
@pytest.mark.parametrize("kind", ["task", "gate"])
def test_what_was_due_before_a_surgery_that_is_over_is_never_to_be_done_today(kind, who):
    needs = (Key("task", "other"),) if kind == "gate" else ()
    made = Item(Key(kind, "one"), "One", who=who, needs=needs, dates=dates(SURGERY - timedelta(days=3)))
    row = one(made, AFTER)
    assert (row.gap, row.severity) == (True, 3 if kind == "gate" else 2)
    assert row.next_action.startswith("It is too late to")
    assert "today" not in row.next_action
    assert "real" in row.next_action
    assert "with the reason" in row.next_action
    assert ("tell the surgeon" in row.next_action) == (who != "surgeon")


def test_what_is_late_and_can_still_be_done_is_recorded_with_its_own_day():
    made = Item(Key("task", "one"), "One", who="coordinator", dates=dates(SURGERY + timedelta(days=1)))
    row = one(made, AFTER)
    assert "with the day on which it was really done; if not, do it today and record it with today's day" in (
        row.next_action
    )
    assert "coordinator" not in row.next_action


@pytest.mark.parametrize(
    ("who", "said"),
    [
        ("coordinator", "Do it by"),
        ("surgeon", "Have the surgeon do it by"),
        ("anaesthesia", "Have the anaesthetist do"),
    ],
)
def test_each_is_asked_by_the_right_name(who, said):
    row = one(Item(Key("task", "one"), "One", who=who, dates=dates(SURGERY)), SURGERY)
    assert row.next_action.startswith(said)


def test_what_may_not_apply_is_asked_first_and_not_claimed():
    made = Item(Key("task", "latex"), "Latex allergy: tell theatre", undecided=("latex",), dates=dates(SURGERY))
    row = one(made, SURGERY)
    assert row.next_action.startswith(
        "First find out whether it applies: latex. If no, close it. If yes, or if nobody knows:"
    )
    assert row.title == "Latex allergy: tell theatre (only if it applies: not known yet)"


def hold(last: date) -> Item:
    proposal = HoldProposal("hold", "apixaban 5 mg", missed_days=2, last_dose=last)
    return Item(Key("hold", "apixaban"), "Pause apixaban 5 mg", hold=proposal, dates=dates())


@pytest.mark.parametrize(
    ("last", "ask_by"),
    [(date(2026, 3, 15), "Fri 2026-03-13"), (date(2026, 3, 12), "Thu 2026-03-12")],  # 15 March is a Sunday
)
def test_an_unanswered_medicine_goes_on_as_now_and_has_a_last_day(last, ask_by):
    row = one(hold(last), date(2026, 3, 10))
    assert row.title == "Apixaban 5 mg: pause? not answered"
    assert "the patient goes on as now" in row.next_action
    assert f"If there is no answer by {ask_by}, tell the surgeon and the anaesthetist" in row.next_action


def test_after_surgery_the_title_asks_what_was_taken():
    row = one(hold(date(2026, 3, 15)), AFTER)
    assert row.title == "Apixaban 5 mg: taken or not? nobody answered"
    assert "the patient neither stops nor starts it" in row.next_action


def test_past_the_last_dose_both_are_told_today():
    assert "The proposed last dose day is over: tell" in one(hold(date(2026, 3, 15)), date(2026, 3, 16)).next_action


def test_an_answered_medicine_has_its_own_title():
    row = one(
        hold(date(2026, 3, 15)), date(2026, 3, 10), ItemState(Key("", ""), answer=HoldAnswer("hold", missed_days=2))
    )
    assert row.title == "Pause apixaban 5 mg"


@pytest.mark.parametrize(
    ("occurrence", "due", "title"),
    [
        ("day-3", SURGERY - timedelta(days=3), "List, 3 days before surgery"),
        ("day-1", SURGERY - timedelta(days=1), "List, 1 day before surgery"),
        ("week-1", SURGERY - timedelta(days=7), "List, 1 week before surgery"),
        ("day-3", SURGERY - timedelta(days=5), "List, planned for 3 days before surgery"),  # no day 3 after it
        ("day-14", SURGERY + timedelta(days=14), "List, day 14"),
        ("evening-1", SURGERY - timedelta(days=1), "List, evening 1"),
    ],
)
def test_which_of_several_is_in_the_title(occurrence, due, title):
    assert one(Item(Key("task", "list", occurrence), "List", dates=dates(due)), SURGERY).title == title


def lesson() -> Item:
    window = (date(2026, 2, 16), date(2026, 3, 4))
    return Item(Key("visit", "class"), "Class", dates=dates(date(2026, 2, 25), window, book_from=date(2026, 1, 7)))


def test_a_visit_that_nobody_booked_is_not_the_patient_s_fault():
    row = one(lesson(), date(2026, 3, 10))
    assert row.verdict == "missed"
    assert row.reason.startswith("Never booked, which is not the patient's doing;")
    assert "missed" not in row.reason
    assert "first free slot, before surgery Wed 2026-03-18" in row.next_action
    assert "never booked" in row.next_action


def test_a_visit_before_surgery_is_not_booked_after_it():
    row = one(lesson(), AFTER)
    assert (row.verdict, row.severity) == ("missed", 3)
    assert "book" not in row.next_action


@pytest.mark.parametrize(
    ("status", "day", "telehealth", "word", "says"),
    [
        ("booked", date(2026, 3, 3), False, "unconfirmed", "did not come and surgery took place, it is too late"),
        ("booked", date(2026, 3, 27), False, "booked-late", "have the booking cancelled"),
        ("fulfilled", date(2026, 3, 3), True, "needs-review", "if not and surgery took place, it is too late"),
    ],
)
def test_nor_is_one_booked_again_after_it_whatever_became_of_its_booking(status, day, telehealth, word, says):
    of = plan(lesson())
    found = evidence("Appointment/1", status, day, link_to=link(of, "class"), telehealth=telehealth)
    after = next(r for r in worklist([(of, State())], [found], AFTER).rows if r.kind == "visit")
    assert (after.verdict, after.by) == (word, AFTER)
    assert says in after.next_action and "before surgery on Wed 2026-03-18" in after.reason
    assert "rebook" not in after.next_action and "book the visit" not in after.next_action


def test_the_days_for_a_slot_are_weekdays():
    row = visit_row("booked", date(2026, 4, 8), date(2026, 3, 25), "two-week")  # its window ends on Sunday 5 April
    assert row.verdict == "booked-late"
    assert row.next_action.startswith(
        "Look for a slot in Mon 2026-03-30 to Fri 2026-04-03, and keep the present booking"
    )


def slot_row(closed, as_of, weekdays=(0, 1, 2, 3, 4)):
    """A visit of the window Mon 2026-06-22 to Sun 2026-07-05, target Fri 2026-07-03, at a clinic with closed days."""
    one_visit = Item(
        Key("visit", "two-week"), "Two-week visit",
        dates=dates(date(2026, 7, 3), (date(2026, 6, 22), date(2026, 7, 5)), book_from=date(2026, 6, 1),
                    late_from=date(2026, 7, 4)),
    )  # fmt: skip
    made = replace(plan(one_visit, surgery=date(2026, 6, 19)), closed=closed, weekdays=weekdays)
    return next(r for r in worklist([(made, State())], (), as_of).rows if r.item == "visit/two-week")


def test_the_days_for_a_slot_are_days_on_which_the_clinic_is_open():
    """Fri 2026-07-03 is Independence Day observed (5 U.S.C. 6103)."""
    holiday = (date(2026, 7, 3),)
    said = slot_row(holiday, date(2026, 6, 20))
    assert "in Mon 2026-06-22 to Thu 2026-07-02" in said.next_action
    assert said.by == date(2026, 7, 2)
    assert "to Fri 2026-07-03" in slot_row((), date(2026, 6, 20)).next_action
    first = slot_row((date(2026, 6, 22), date(2026, 6, 23)), date(2026, 6, 20))
    assert "in Wed 2026-06-24 to" in first.next_action
    late = slot_row(holiday, date(2026, 7, 4))
    assert "book a slot by Sun 2026-07-05" in late.next_action  # none is left: the day itself, never one of the past
    saturdays = slot_row(holiday, date(2026, 6, 20), weekdays=(0, 1, 2, 3, 4, 5))
    assert "to Sat 2026-07-04" in saturdays.next_action


@pytest.mark.parametrize(("taken", "word"), [
    (date(2026, 3, 5), "stopped"), (date(2026, 3, 10), "stopped"), (date(2026, 3, 12), "taken"),
])  # fmt: skip
def test_a_weekly_dose_that_was_answered_as_proposed_is_told_by_its_weekday(taken, word):
    """ASA 2023, a week without a weekly dose: taken on Thursdays, surgery Wed 2026-03-18, last dose Thu 2026-03-05."""
    weekly = HoldProposal(
        "hold",
        "semaglutide 1 mg",
        ("semaglutide",),
        missed_days=7,
        last_dose=date(2026, 3, 5),
        first_missed=date(2026, 3, 12),
    )
    made = Item(Key("hold", "w"), "Pause semaglutide", dates=dates(date(2026, 3, 5)), hold=weekly)
    own = ItemState(made.key, answer=HoldAnswer("hold", missed_days=7), last_taken=Moment(taken))
    row = one(made, date(2026, 3, 13), own)
    assert row.verdict == word
    assert "Thu 2026-03-05" in row.reason and "Tue 2026-03-10" not in row.reason.replace(
        f"taken {taken:%a} {taken}", ""
    )


def test_the_best_day_is_the_one_that_the_plan_rolled_to():
    """The target Fri 2026-07-03 is a holiday; the plan's day is the next open one, inside the window."""
    window = (date(2026, 6, 26), date(2026, 7, 10))
    one_visit = Item(
        Key("visit", "six-week"), "Six-week visit",
        dates=dates(date(2026, 7, 3), window, at=date(2026, 7, 6), book_from=date(2026, 6, 1)),
    )  # fmt: skip
    row = one(one_visit, date(2026, 6, 29))
    assert (row.verdict, row.target) == ("to-book", date(2026, 7, 3))
    assert row.next_action.endswith("best Mon 2026-07-06.")
    assert "best Mon 2026-07-06" in row.reason and "2026-07-03" not in row.reason
    late = one(replace(one_visit, dates=replace(one_visit.dates, late_from=date(2026, 7, 9))), date(2026, 7, 7))
    assert (late.verdict, late.next_action) == (
        "to-book", "Book a slot in Tue 2026-07-07 to Fri 2026-07-10, best Tue 2026-07-07."
    )  # fmt: skip


def test_an_answer_is_asked_for_by_an_open_day():
    """The last dose would be Fri 2026-07-03, a holiday: nobody is there to answer."""
    one_hold = replace(hold(date(2026, 7, 3)), dates=dates(date(2026, 7, 3), due_from=date(2026, 6, 20)))
    made = replace(plan(one_hold, surgery=date(2026, 7, 6)), closed=(date(2026, 7, 3),), weekdays=(0, 1, 2, 3, 4))
    said = next(r for r in worklist([(made, State())], (), date(2026, 6, 30)).rows if r.kind == "hold")
    assert "If there is no answer by Thu 2026-07-02" in said.next_action


def test_a_window_of_a_weekend_keeps_its_days():
    days = (date(2026, 3, 28), date(2026, 3, 29))  # Saturday and Sunday
    made = Item(Key("visit", "open-day"), "Open day", dates=dates(days[0], days, book_from=date(2026, 3, 20)))
    assert one(made, date(2026, 3, 25)).next_action.startswith("Book a slot in Sat 2026-03-28 to Sun 2026-03-29,")


def test_a_booking_that_fell_through_is_told_once():
    row = visit_row("cancelled", date(2026, 4, 29), date(2026, 4, 20))
    assert row.verdict == "rebook"
    assert row.reason.count("Wed 2026-04-29") == 1
    assert "Before that" not in row.reason
    assert row.history == ("the booking of Wed 2026-04-29 was cancelled",)


HOME = SURGERY + timedelta(days=1)


def of_the_stay(made: Item, as_of: date, standing: Standing, proven: bool = False, *more: Item):
    """A row of a plan whose discharge has this standing."""
    whole = plan(made, *more)
    whole = replace(whole, anchors=(*whole.anchors, Anchor("discharge", Moment(HOME), standing)))
    state = State(proven={"discharge": "Encounter/1"} if proven else {})
    return next(r for r in worklist([(whole, state)], (), as_of).rows if r.item == str(made.key))


def stayed(kind: str) -> Item:
    needs = (Key("task", "other"),) if kind == "gate" else ()
    return Item(Key(kind, "one"), "One", who="ward", released_by="surgeon", needs=needs, dates=dates(HOME))


@pytest.mark.parametrize("kind", ["gate", "goal", "task"])
@pytest.mark.parametrize("standing", [Standing.ASSUMED, Standing.GIVEN])
def test_what_the_stay_still_owes_asks_first_where_the_patient_is(kind, standing):
    """Common practice, no source: nobody approves that a patient may go home who is at home."""
    row = of_the_stay(stayed(kind), AFTER, standing)
    assert "That the patient went home is not recorded." in row.reason
    assert row.next_action.startswith("Find out first where the patient is")
    if kind != "task":
        assert "ward record" in row.next_action
        assert "with today's day" in row.next_action
    assert kind != "gate" or "At home: do not approve it now." in row.next_action


def test_a_check_of_the_stay_that_has_everything_is_not_approved_afterwards():
    row = of_the_stay(replace(stayed("gate"), needs=()), AFTER, Standing.ASSUMED)
    assert row.verdict == "ready"
    assert "Still in hospital: ask the surgeon to look and decide." in row.next_action
    assert "At home: do not approve it now" in row.next_action


@pytest.mark.parametrize("kind", ["gate", "goal", "task"])
@pytest.mark.parametrize(("standing", "proven"), [(Standing.RECORDED, False), (Standing.ASSUMED, True)])
def test_a_patient_who_went_home_is_not_looked_for(kind, standing, proven):
    row = of_the_stay(stayed(kind), AFTER, standing, proven)
    assert "hospital stay ended on Thu 2026-03-19" in row.reason
    assert "where the patient is" not in row.next_action
    assert "ward record" in row.next_action
    assert row.who == "coordinator"  # the ward has no hand on the patient any more
    assert kind != "task" or "do not record it as done then" in row.next_action
    assert kind != "gate" or row.next_action.startswith("Do not approve it now.")


@pytest.mark.parametrize("kind", ["gate", "goal", "task"])
def test_on_the_day_of_going_home_itself_nothing_is_looked_up_afterwards(kind):
    row = of_the_stay(stayed(kind), HOME, Standing.ASSUMED)
    assert "where the patient is" not in row.next_action


def test_what_a_gate_lacks_is_said_in_words_that_are_no_data():
    """Every word that a need may have has plain words for the list, and none of them is the word of the data files."""
    for kind, states in table()["missing_states"].items():
        words = {str(entry.get("word", name)) for name, entry in table()[kind].items()}
        words |= {str(e.get("word", n)) for n, e in table()["confirm"].items()} if kind == "medicine" else set()
        assert words - _MET_WORDS.get(kind, frozenset()) - {"excused"} <= set(states), kind
        assert not {"due", "shut", "ready", "unanswered", "overdue", "undated"} & set(states.values())
    assert set(table()["missing_states"]) == {*_MET_WORDS, *MEDICINES}


def test_what_a_gate_lacks_names_who_has_not_decided_and_what_is_too_late():
    wound = Item(Key("gate", "wound"), "Wound is fine", released_by="surgeon", dates=dates(HOME))
    ask = Item(Key("question", "card"), "Any card? If yes, write down which.", fact="card", dates=dates(HOME))
    boots = Item(Key("task", "boots"), "Boots delivered", dates=dates(SURGERY - timedelta(days=3)))
    gate = replace(stayed("gate"), needs=(wound.key, ask.key, boots.key))
    said = of_the_stay(gate, HOME, Standing.ASSUMED, False, wound, ask, boots).reason
    assert "The surgeon has not decided: Wound is fine. No answer yet: Any card? Not recorded by the day of" in said
    assert said.endswith("surgery: Boots delivered.")


def test_a_gate_names_a_medicine_without_what_nobody_has_decided():
    """Common practice, no source: "Pause X" in a list is read as an order."""
    held = Item(Key("hold", "x"), "Pause warfarin 5 mg", hold=HoldProposal("hold", "warfarin 5 mg"), dates=dates(HOME))
    said = of_the_stay(replace(stayed("gate"), needs=(held.key,)), HOME, Standing.ASSUMED, False, held).reason
    assert "Pause" not in said
    assert said.endswith("Never answered: warfarin 5 mg.")


@pytest.mark.parametrize(
    ("words", "asks"),
    [
        ("prasugrell 10 mg", "Was prasugrel meant? Then it is a medicine against blood clots (antiplatelet medicines)"),
        ("furosemidd 20 mg", "Was furosemide meant? Look at the box"),
        ("blue heart pill", ""),
    ],
)
def test_a_medicine_that_was_nearly_recognised_asks_for_the_one_that_may_be_meant(words, asks):
    """Classes are those of the package's own rules; prasugrel: ACCP 2022 perioperative antithrombotic guideline."""
    asked = "needs review, the prescriber must decide: not recognised"
    made = Item(
        Key("medicine", "m"),
        f"Not recognised: {words}",
        hold=HoldProposal("ask", words, recognised=False, question=asked),
    )
    row = one(made, date(2026, 3, 10))
    assert row.verdict == "needs-review"
    assert len(row.questions) == bool(asks)
    assert "".join(row.questions).startswith(asks)
    assert row.next_action.endswith("the patient goes on as now.")


def test_why_a_list_is_not_clear_is_asked_too():
    asked = "needs review, the prescriber must decide: the words may say that it is not taken"
    hold = HoldProposal("ask", "no aspirin", recognised=False, question=asked)
    row = one(Item(Key("medicine", "m"), "Not recognised: no aspirin", hold=hold), date(2026, 3, 10))
    assert row.questions[0] == "The list is not clear here: the words may say that it is not taken."


def test_an_answer_that_is_not_found_is_no_answer():
    made = Item(Key("question", "card"), "Any card?", fact="card", dates=dates(SURGERY))
    row = one(made, SURGERY)
    assert "Nothing found is not a no." in row.next_action
    assert "(or who gives the order)" in row.next_action


@pytest.mark.parametrize(
    ("words", "codes", "says"),
    [
        ("vitamin C 500 mg", (Coding(RXNORM, "11289"),), "name different medicines: warfarin / vitamin c"),
        ("apixaban 5 mg STOPPED by GP Oct", (), "the words may say that it is not taken"),
    ],
)
def test_a_medicine_that_is_known_is_never_called_unknown(words, codes, says):
    """What stands between the list and a rule is said; RxNorm 11289 is warfarin."""
    entry = MedicineEntry(key="m", words=words, codes=codes, status="active")
    (proposed,) = propose([entry], Moment(SURGERY), Kidney(), "general", {}, calendar=calendar_for("US", [2026]))
    (made,) = hold_items([proposed], None, Moment(SURGERY), Answers(), calendar_for("US", [2026]))
    made = replace(made, hold=replace(made.hold, codes=codes))  # as compile writes it
    row = one(made, date(2026, 3, 10))
    assert (row.verdict, row.first) == ("needs-review", True)
    assert "not recognised" not in row.reason and "classified" not in row.reason
    assert any(says in question for question in row.questions)


def test_a_weekly_medicine_taken_daily_is_not_left_as_it_is_until_somebody_answers():
    """ISMP, Targeted Medication Safety Best Practices for Hospitals: methotrexate daily by mistake has killed."""
    entry = MedicineEntry(key="m", words="methotrexate 10 mg tablet daily", status="active")
    (proposed,) = propose([entry], Moment(SURGERY), Kidney(), "general", {}, calendar=calendar_for("US", [2026]))
    (made,) = hold_items([proposed], None, Moment(SURGERY), Answers(), calendar_for("US", [2026]))
    row = one(made, date(2026, 3, 10))
    assert (row.verdict, row.severity, row.first, row.mend_by) == ("needs-review", 3, True, SURGERY)
    assert row.next_action.startswith("Call the prescriber now, before the next dose is taken")
    assert "goes on as now" not in row.next_action
    assert any("methotrexate is taken once a week" in q for q in row.questions)


def test_of_two_medicines_in_one_row_the_one_against_clots_is_named():
    """RxNorm 11289 is warfarin; the words say another medicine."""
    entry = MedicineEntry(key="m", words="vitamin C 500 mg", codes=(Coding(RXNORM, "11289"),), status="active")
    (proposed,) = propose([entry], Moment(SURGERY), Kidney(), "general", {}, calendar=calendar_for("US", [2026]))
    (made,) = hold_items([proposed], None, Moment(SURGERY), Answers(), calendar_for("US", [2026]))
    made = replace(made, hold=replace(made.hold, codes=entry.codes))
    asked = " ".join(one(made, date(2026, 3, 10)).questions)
    assert "Was warfarin meant? Then it is a medicine against blood clots" in asked
    assert "Was vitamin c meant?" in asked


def test_a_name_nearly_right_is_asked_for_by_name():
    """One letter wrong is a question, never a medicine (ISMP, look-alike names)."""
    entry = MedicineEntry(key="m", words="asprin 81 mg", status="active")
    (proposed,) = propose([entry], Moment(SURGERY), Kidney(), "general", {}, calendar=calendar_for("US", [2026]))
    (made,) = hold_items([proposed], None, Moment(SURGERY), Answers(), calendar_for("US", [2026]))
    assert "did you mean aspirin?" in made.hold.question
    assert any(q.startswith("Was aspirin meant?") for q in one(made, date(2026, 3, 10)).questions)
