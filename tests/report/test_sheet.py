"""The patient's sheet: what it says, what it must not say, and that nothing falls out."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from effort import examples
from golden.test_pathway_values import plan_of as golden_plan
from report.builder import SURGERY, hold, item, moment, plan, point, said, visit
from waykeeper.findings import WaykeeperError
from waykeeper.plan.model import Evidence, HoldAnswer, ItemState, Key, PatientRef, Plan, State
from waykeeper.report.interface import interface
from waykeeper.report.selection import check_code, select
from waykeeper.report.sheet import Replaced, sheet_html
from waykeeper.timing.model import Anchor, Dates, Moment, Standing, Window

WAIT = {
    "en": "Do not stop or start this until we call you.",
    "es": "No deje ni empiece esta medicina hasta que lo llamemos.",
}
WARFARIN = Key("hold", "urn:rx|1")
NOTHING = State()
AS_OF = date(2026, 3, 4)


class Page(HTMLParser):
    """The words of a page and its items; styles and scripts apart."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.items: list[str] = []
        self.text: list[str] = []
        self.silent = 0
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.silent += tag in ("style", "script")
        self.items += [value for name, value in attrs if name == "data-item"]

    def handle_endtag(self, tag):
        self.silent -= tag in ("style", "script")

    def handle_data(self, data):
        if not self.silent:
            self.text.append(data)

    @property
    def words(self) -> str:
        return " ".join("".join(self.text).split())


def sheet(made: Plan, state: State = NOTHING, **options: object) -> Page:
    values = {"as_of": AS_OF, "language": "en", "checked_against": "https://fhir.example", **options}
    return Page(sheet_html(made, state, **values))  # type: ignore[arg-type]


def answered(missed: int | None = 5, decision: str = "hold", on: date = date(2026, 3, 3)) -> State:
    return State({WARFARIN: ItemState(WARFARIN, answer=HoldAnswer(decision, missed, "Dr. Vale", on))})


def chunk(html: str, key: str) -> str:
    found = re.search(rf'<li data-item="{re.escape(key)}".*?</li>', html, re.S)
    assert found, key
    return found.group()


# The contract of the unanswered hold: vector "unanswered warfarin hold" (common practice, no source)


def test_unanswered_hold_says_one_sentence_and_no_date():
    html = sheet_html(plan(), State(), as_of=AS_OF, language="en", checked_against=None)
    entry = Page(chunk(html, "hold/urn:rx|1")).words
    assert entry == f"Warfarin 5 mg, one tablet each evening {WAIT['en']}"
    assert "Pause" not in Page(html).words


@settings(max_examples=examples(60), deadline=None)
@given(
    surgery=st.dates(date(2026, 1, 1), date(2028, 12, 31)),
    missed=st.integers(1, 28),
    language=st.sampled_from(["en", "es"]),
    unknown=st.booleans(),
)
def test_no_date_of_an_unanswered_hold_is_ever_printed(surgery, missed, language, unknown):
    row = hold("rx", "Warfarin 5 mg", missed, surgery)
    if unknown:
        row = replace(row, key=Key("medicine", "rx"))
    made = replace(plan(surgery), items=(row,))
    words = interface(language)
    text = sheet(made, as_of=surgery - timedelta(days=200), language=language).words
    proposal = row.hold
    for day in (proposal.last_dose, proposal.first_missed, proposal.restart_from, row.dates.due_from):
        assert words.date(day) not in text
        assert not re.search(rf"{words.short_date(day)}\b", text)  # January 1 is no part of January 15
        assert day.isoformat() not in text
    assert text.count(WAIT[language]) == 1


def test_answered_hold_prints_both_days_with_weekday():
    """Warfarin, five missed days, surgery Wed 2026-03-18: last dose Thu 03-12 (NHS Scotland warfarin page, 5 days)."""
    html = sheet_html(plan(), answered(), as_of=AS_OF, language="en", checked_against=None)
    text = Page(chunk(html, "hold/urn:rx|1")).words
    assert "Last day you may take it: Thursday, March 12, 2026" in text
    assert "No dose from Friday, March 13, 2026 through Wednesday, March 18, 2026." in text
    assert "Do not start it again until we tell you." in text
    assert WAIT["en"] not in text


def test_an_answer_of_a_day_to_come_is_none_yet():
    """The list says that it needs review and that the patient goes on as now: the sheet must not print its days."""
    for on, waits in ((AS_OF, False), (AS_OF + timedelta(days=1), True)):
        html = sheet_html(plan(), answered(on=on), as_of=AS_OF, language="en", checked_against=None)
        entry = Page(chunk(html, str(WARFARIN))).words
        assert (WAIT["en"] in entry, "March 12" in entry) == (waits, not waits)


def test_the_answer_counts_and_not_the_proposal():
    text = Page(chunk(sheet_html(plan(), answered(3), as_of=AS_OF, language="en", checked_against=None), str(WARFARIN)))
    assert "Saturday, March 14, 2026" in text.words
    assert "March 12" not in text.words


@pytest.mark.parametrize("day", [date(2026, 3, 1), date(2026, 3, 20)])
def test_a_restart_of_before_the_pause_or_of_a_day_to_come_leaves_the_pause_on_the_sheet(day):
    """The list says of neither that the medicine was taken again: the sheet must not drop its days."""
    again = State({WARFARIN: replace(answered().items[WARFARIN], restarted_on=day)})
    entry = Page(chunk(sheet_html(plan(), again, as_of=AS_OF, language="en", checked_against=None), str(WARFARIN)))
    assert "Last day you may take it: Thursday, March 12, 2026" in entry.words


def test_a_restart_of_before_the_pause_changes_no_code():
    before, after = (replace(answered().items[WARFARIN], restarted_on=day) for day in (date(2026, 3, 1), SURGERY))
    assert check_code(plan(), State({WARFARIN: before})) == check_code(plan(), answered())
    assert check_code(plan(), State({WARFARIN: after})) != check_code(plan(), answered())


def test_no_missed_day_still_leaves_out_the_day_of_surgery():
    text = Page(chunk(sheet_html(plan(), answered(0), as_of=AS_OF, language="en", checked_against=None), str(WARFARIN)))
    assert "Last day you may take it: Tuesday, March 17, 2026" in text.words
    assert "No dose on Wednesday, March 18, 2026." in text.words


def test_an_hour_of_the_last_dose_stands_in_the_list_of_days_too():
    made = plan()
    limit = Moment(date(2026, 3, 12), time(19, 30), made.zone)
    held = made.item(WARFARIN)
    by_the_hour = replace(held, hold=replace(held.hold, last_limit=limit))
    items = tuple(by_the_hour if i.key == WARFARIN else i for i in made.items)
    page = sheet_html(replace(made, items=items), answered(5), as_of=AS_OF, language="en", checked_against=None)
    days = Page(page).words.split("What to do, day by day")[1]
    _, _, behind = days.partition("Last day you may take: Warfarin")
    assert "Take the last dose no later than: Thursday, March 12, 2026" in behind


def hour_of_the_last_dose(day, words):
    """A sheet whose paused medicine has its last dose on Thu 2026-03-12, by 19:30 of this day; what is said of it."""
    made = plan()
    held, limit = made.item(WARFARIN), Moment(day, time(19, 30), made.zone) if day else None
    timed = replace(held, hold=replace(held.hold, last_limit=limit))
    items = tuple(timed if i.key == WARFARIN else i for i in made.items)
    html = sheet_html(replace(made, items=items), answered(5), as_of=AS_OF, language="en", checked_against=None)
    said = Page(chunk(html, str(WARFARIN))).words
    return [line for line in ("no later than", "Last day you may take it") if line in said], words in said


# clinical.md: a pause that is counted in hours ends the doses at an hour, not with its day.
@pytest.mark.parametrize(("day", "line", "words"), [
    (None, "Last day you may take it", "Last day you may take it: Thursday, March 12, 2026"),
    (date(2026, 3, 12), "no later than", "Take the last dose no later than: Thursday, March 12, 2026"),
    (date(2026, 3, 11), "no later than", "Take the last dose no later than: Wednesday, March 11, 2026"),
    (date(2026, 3, 13), "Last day you may take it", "Last day you may take it: Thursday, March 12, 2026"),
])  # fmt: skip
def test_the_last_dose_is_told_once_by_its_hour_where_it_has_one(day, line, words):
    assert hour_of_the_last_dose(day, words) == ([line], True)


@pytest.mark.parametrize(("by", "said"), [("Dr. Vale", True), ("", False)])
def test_who_decided_is_named_where_it_is_known(by, said):
    state = State({WARFARIN: ItemState(WARFARIN, answer=HoldAnswer("hold", 5, by, date(2026, 3, 3)))})
    entry = chunk(sheet_html(plan(), state, as_of=AS_OF, language="en", checked_against=None), str(WARFARIN))
    assert ("Decided by" in Page(entry).words) is said


def test_a_goal_is_called_one_and_nothing_else_is():
    html = sheet_html(plan(), NOTHING, as_of=AS_OF, language="en", checked_against=None)
    told = "Your goal by this day."
    assert told in Page(chunk(html, "goal/shoe")).words and Page(html).words.count(told) == 1


@pytest.mark.parametrize(("first", "last", "heading"), [
    (date(2026, 12, 20), date(2027, 1, 5), "December 20, 2026"),
    (date(2026, 12, 20), date(2026, 12, 28), "December 20"),
])  # fmt: skip
def test_days_across_the_new_year_name_both_years(first, last, heading):
    raised = item("instruction", "raise", "Raise the foot", Dates(window=Window(moment(first), moment(last))),
                  words=said("Raise the foot.", "Levante el pie."), phrase="within 16 days after surgery")  # fmt: skip
    text = sheet(replace(plan(), items=(raised,)), as_of=date(2026, 12, 1)).words
    assert heading in text and ("December 20, 2026" in text) is (heading == "December 20, 2026"), text


def _with(item_state: ItemState, planned: HoldAnswer | None = None) -> tuple[Plan, State]:
    made = plan()
    items = tuple(
        replace(i, hold=replace(i.hold, answered=planned)) if i.key == WARFARIN and i.hold else i for i in made.items
    )
    return replace(made, items=items), State({WARFARIN: item_state})


@pytest.mark.parametrize(
    ("case", "planned"),
    [
        (ItemState(WARFARIN, answer=HoldAnswer("hold", 5)), HoldAnswer("hold", 3)),  # two answers that differ
        (ItemState(WARFARIN, answer=HoldAnswer("hold", None)), None),  # a hold without a number
        (ItemState(WARFARIN, answer=HoldAnswer("hold", 5), cls="void"), None),
        (ItemState(WARFARIN, answer=HoldAnswer("hold", 5), cls="withdrawn"), None),
        (ItemState(WARFARIN), None),
    ],
)
def test_in_doubt_the_patient_waits_for_the_call(case, planned):
    made, state = _with(case, planned)
    text = Page(chunk(sheet_html(made, state, as_of=AS_OF, language="en", checked_against=None), str(WARFARIN))).words
    assert WAIT["en"] in text
    assert "March" not in text


def test_a_proposal_from_another_surgery_day_does_not_make_dates():
    """A hold carried to a new date needs a new approval: number and day contradict, so no day is printed."""
    made = plan()
    moved = replace(made, anchors=tuple(
        Anchor("surgery", moment(date(2026, 4, 15), time(7, 30)), Standing.GIVEN) if a.name == "surgery" else a
        for a in made.anchors))  # fmt: skip
    html = sheet_html(moved, answered(), as_of=AS_OF, language="en", checked_against=None)
    assert WAIT["en"] in chunk(html, str(WARFARIN))


def test_a_past_last_dose_day_is_never_an_instruction():
    late = answered(5, on=date(2026, 3, 14))
    html = sheet_html(plan(), late, as_of=date(2026, 3, 14), language="en", checked_against=None)
    text = Page(chunk(html, str(WARFARIN))).words
    assert "March 12" not in text
    assert "Do not take it now. No dose through Wednesday, March 18, 2026." in text
    assert "Call us today" in text


def test_after_surgery_only_the_restart_sentence_stays():
    html = sheet_html(plan(), answered(), as_of=date(2026, 3, 25), language="en", checked_against=None)
    text = Page(chunk(html, str(WARFARIN))).words
    assert "Do not start it again until we tell you." in text
    assert "2026" not in text


def test_continue_and_other_answers():
    go_on = sheet_html(plan(), answered(None, "continue"), as_of=AS_OF, language="en", checked_against=None)
    assert "Keep taking this. Do not stop it." in chunk(go_on, str(WARFARIN))
    other = sheet_html(plan(), answered(None, "adjust"), as_of=AS_OF, language="en", checked_against=None)
    assert "Do what your prescriber told you for this one." in chunk(other, str(WARFARIN))


# Nothing is dropped, nothing is doubled

_CLASSES = st.sampled_from(["open", "busy", "done", "withdrawn", "void"])


@settings(max_examples=examples(60), deadline=None)
@given(
    surgery=st.dates(date(2026, 1, 1), date(2028, 12, 31)),
    offset=st.integers(-60, 400),
    classes=st.lists(_CLASSES, min_size=25, max_size=25),
    language=st.sampled_from(["en", "es"]),
)
def test_every_item_is_printed_once_or_left_out_with_a_reason(surgery, offset, classes, language):
    made = plan(surgery)
    as_of = surgery + timedelta(days=offset)
    held = {i.key: ItemState(i.key, cls=c) for i, c in zip(made.items, classes, strict=False)}
    state = State(held)
    chosen = select(made, state, as_of=as_of, language=language)
    page = sheet(made, state, as_of=as_of, language=language)
    printed, left = sorted(page.items), sorted(str(x.key) for x in chosen.left_out)
    assert sorted(printed + left) == sorted(str(i.key) for i in made.items)
    assert all(x.reason for x in chosen.left_out)


def test_the_release_of_a_restriction_has_no_date():
    """The earliest day of a release is 6 weeks after surgery; it must not stand where a patient reads it."""
    html = sheet_html(plan(), State(), as_of=AS_OF, language="en", checked_against=None)
    entry = Page(chunk(html, "restriction/no-weight")).words
    assert entry == "Put no weight on the foot. From Wednesday, March 18, 2026, until we tell you."


def test_released_restriction_is_gone():
    key = Key("restriction", "no-weight")
    state = State({key: ItemState(key, cls="done", status="completed")})
    assert str(key) not in sheet(plan(), state).items


def test_awaited_items_say_what_they_wait_for():
    text = sheet(plan()).words
    assert "Start physical therapy. The date comes after: our okay: Films show that weight is allowed" in text


def test_done_items_are_crossed_and_failed_ones_are_not():
    key = Key("task", "wash", "evening-2")
    for status, crossed in (("completed", True), ("failed", False)):
        state = State({key: ItemState(key, status=status, cls="done", done_on=AS_OF)})
        html = sheet_html(plan(), state, as_of=AS_OF, language="en", checked_against=None)
        assert ("<s>" in html) is crossed


def test_done_too_early_does_not_count():
    key = Key("task", "class")
    made = plan()
    items = tuple(replace(i, dates=replace(i.dates, valid_from=date(2026, 2, 16))) if i.key == key else i
                  for i in made.items)  # fmt: skip
    for day, done in ((date(2026, 2, 15), False), (date(2026, 2, 16), True), (None, False)):
        state = State({key: ItemState(key, status="completed", cls="done", done_on=day)})
        chosen = select(replace(made, items=items), state, as_of=AS_OF, language="en")
        assert next(e for e in chosen.entries if e.key == key).done is done


@pytest.mark.parametrize(("days", "done"), [(0, True), (1, False), (14, False)])
def test_what_is_recorded_as_done_on_a_day_to_come_is_not_done(days, done):
    """As the list says of it: the record is wrong, and nobody may be told that it is done."""
    key = Key("task", "wash", "evening-2")
    state = State({key: ItemState(key, status="completed", cls="done", done_on=AS_OF + timedelta(days))})
    chosen = select(plan(), state, as_of=AS_OF, language="en")
    assert next(e for e in chosen.entries if e.key == key).done is done


def test_what_is_overdue_stays_on_the_sheet():
    text = sheet(plan(), as_of=date(2026, 3, 6)).words
    days = "It was planned for a day from Wednesday, February 4, 2026 through Wednesday, March 4, 2026."
    assert f"Come to the class. Bring the person who will help you. {days}" in text


# Visits


def test_an_unbooked_visit_says_so_and_gives_its_window():
    html = sheet_html(plan(), State(), as_of=AS_OF, language="en", checked_against=None)
    text = Page(chunk(html, "visit/two-week")).words
    assert "Not booked yet." in text
    assert "from Saturday, March 28, 2026 through Sunday, April 5, 2026" in text


def test_a_booking_prints_its_local_time():
    """15:00 UTC on Wed 2026-04-01 is 10:00 in Chicago, after the change of clocks on 2026-03-08."""
    key = Key("visit", "two-week")
    booked = Evidence(
        "Appointment/1", "appointment", "booked", start=datetime(2026, 4, 1, 15, tzinfo=UTC), site="Room 3"
    )
    html = sheet_html(plan(), State(), as_of=AS_OF, language="en", checked_against=None, bookings={key: booked})
    text = Page(chunk(html, str(key))).words
    assert text.startswith("10:00 AM")
    assert "Your visit is booked." in text
    assert "Place: Room 3" in text


def test_a_proposed_appointment_is_no_booking():
    key = Key("visit", "two-week")
    proposed = Evidence("Appointment/1", "appointment", "proposed", day=date(2026, 4, 2))
    html = sheet_html(plan(), State(), as_of=AS_OF, language="en", checked_against=None, bookings={key: proposed})
    assert "Not booked yet." in chunk(html, str(key))


# What stands around the items


def test_not_checked_against_the_server_is_said():
    assert "Not checked against the server." in sheet(plan(), checked_against=None).words
    assert "Not checked" not in sheet(plan()).words
    assert "https://fhir.example" in sheet(plan()).words


def test_replaces_line_and_code():
    text = sheet(plan(), replaces=Replaced(date(2026, 2, 20), "ABC-DEF")).words
    assert "This sheet replaces the sheet for surgery on Friday, February 20, 2026 with the code ABC-DEF." in text
    assert "replaces the sheet" not in sheet(plan()).words


def test_of_another_anaesthetic_on_the_same_day_nothing_says_that_surgery_moved():
    made = plan()
    text = sheet(made, replaces=Replaced(made.surgery_day, "ABC-DEF")).words
    assert "Your plan changed. This sheet replaces the earlier sheet with the code ABC-DEF." in text
    assert "moved" not in text
    same = sheet(made, replaces=Replaced(made.surgery_day, check_code(made, NOTHING))).words
    assert "Your plan changed. This sheet replaces the earlier sheet. Please throw away all older sheets." in same


def test_of_a_plan_that_was_put_off_no_code_is_named_as_none_was_printed():
    text = sheet(plan(), replaces=Replaced(date(2026, 2, 20), "")).words
    assert "replaces the sheet for surgery on Friday, February 20, 2026. Please throw away all older sheets." in text


def test_code_follows_the_dates_and_the_side_and_nothing_else():
    made = plan()
    done = State({Key("task", "class"): ItemState(Key("task", "class"), cls="done")})
    code = check_code(made, State())
    assert re.fullmatch(r"[0-9A-HJKMNP-TV-Z]{3}-[0-9A-HJKMNP-TV-Z]{3}", code)
    assert code == check_code(made, done)
    assert code != check_code(plan(SURGERY + timedelta(days=1)), State())
    assert code != check_code(replace(made, side="right" if made.side == "left" else "left"), NOTHING)
    assert code != check_code(made, answered())
    assert check_code(made, answered(5)) != check_code(made, answered(4))
    assert code in sheet(made).words
    assert code in sheet(made, as_of=date(2026, 3, 9), language="es").words


def test_spanish_sheet_names_what_is_not_translated():
    text = sheet(plan(), language="es").words
    assert "Estas líneas todavía no tienen texto en español" in text
    assert "Come to the hospital" in text.split("Estas líneas")[1]
    assert "miércoles 18 de marzo de 2026" in text
    english = sheet(plan()).words
    assert "no English text" not in english


def test_assumed_dates_are_said_to_be_unsure():
    html = sheet_html(plan(), State(), as_of=AS_OF, language="en", checked_against=None)
    arrive = chunk(html, "instruction/arrive")  # two hours before a surgery whose day is known
    assert "The time may change. The day is the day of your surgery." in arrive and "This date" not in arrive
    assert "may change." not in chunk(html, "visit/two-week")
    unsure = replace(plan(), anchors=tuple(replace(a, standing=Standing.ASSUMED) for a in plan().anchors))
    html = sheet_html(unsure, State(), as_of=AS_OF, language="en", checked_against=None)
    assert "This date may change." in chunk(html, "instruction/arrive")


def test_parts_of_the_day_are_words_not_hours():
    html = sheet_html(plan(), State(), as_of=AS_OF, language="en", checked_against=None)
    morning = Page(chunk(html, "task/wash/morning")).words
    assert morning.startswith("in the morning")
    assert "8:00" not in morning


def test_how_often_comes_from_the_phrase():
    html = sheet_html(plan(), State(), as_of=AS_OF, language="es", checked_against=None)
    assert "cada hora, mientras esté despierto" in chunk(html, "instruction/breathing")
    assert "cada día, por la mañana y por la noche" in chunk(html, "instruction/tablets")


def test_red_flags_before_and_after_surgery():
    assert "Before surgery: call us now: 312-555-0101" in sheet(plan()).words
    later = sheet(plan(), as_of=date(2026, 3, 25)).words
    assert "Before surgery" not in later
    assert "Call the surgeon on call within the hour: 312-555-0199" in later


def test_noon_midnight_and_the_repeated_hour():
    words = interface("en")
    assert words.clock(time(12)) == "12:00 noon"
    assert words.clock(time(0)) == "12:00 midnight, as this day begins"
    assert words.clock(time(0, 30)) == "12:30 AM"
    assert words.clock(time(13, 5)) == "1:05 PM"
    twice = replace(moment(date(2026, 11, 1), time(1, 30)), fold=1)
    assert "second time" in words.moment(twice)
    assert "first time" in words.moment(replace(twice, fold=0))
    assert "time this hour" not in words.moment(replace(twice, day=date(2026, 11, 2), fold=0))


def test_a_stop_in_the_repeated_hour_is_printed_as_the_first():
    """Six hours before 07:30 is the second 01:30 (ASA 2017); who reads the sheet acts at the first and fasts longer."""
    limit = replace(moment(date(2026, 11, 1), time(1, 30)), fold=1)
    dates, phrase = Dates(limit, limit), "6 hours before surgery"
    stop = item("instruction", "light", "No food", dates, phrase=phrase, words=said("No food"))
    page = sheet(replace(plan(), items=(stop,)), as_of=date(2026, 10, 20))
    assert "1:30 AM (the first time this hour comes" in page.words and "second time" not in page.words


HOSTILE = (
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "{{ 7 * 7 }}{% raw %}", "O'Neil & Søn <b>",
    "</style><script>1</script>", "\u202eevil\u202c", "a\r\nb", "javascript:alert(1)",
)  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_text_stays_text(name):
    made = plan()
    words = said(name, name)
    items = (visit("x", name, SURGERY, SURGERY, SURGERY, words), hold("h", name, 2))
    made = replace(made, items=items, patient=replace(made.patient, name=name),
                   letterhead=replace(made.letterhead, clinic=name, telephone={name: name}))  # fmt: skip
    page = sheet(made, checked_against=name)
    assert page.tags.count("script") == 0
    assert page.tags.count("img") == 0
    assert page.tags.count("style") == 1
    shown = name.replace("\u202e", "").replace("\u202c", "")  # marks of direction are left out
    assert page.words.count(" ".join(shown.split())) >= 5
    assert "49" not in page.words or "49" in name


def test_death_withdrawal_and_suspension_print_nothing():
    made = plan()
    dead = replace(made, patient=PatientRef(made.patient.identifier, deceased="2026-04-02"))
    cases = [
        (dead, State(), "WKO001"), (made, State(deceased=True), "WKO001"),
        (made, State(deceased_on=date(2030, 1, 1)), "WKO001"),
        (replace(made, withdrawn="moved away"), State(), "WKO002"),
        (made, State(plan_status="revoked"), "WKO002"), (made, State(plan_status="entered-in-error"), "WKO002"),
        (made, State(plan_status="on-hold"), "WKO003"),
    ]  # fmt: skip
    for some, state, code in cases:
        with pytest.raises(WaykeeperError) as caught:
            sheet(some, state)
        assert caught.value.findings[0].code == code
        assert made.patient.name not in str(caught.value)


def test_a_fast_prints_both_its_hours():
    made = plan()
    window = Dates(window=Window(moment(SURGERY, time(0, 0)), moment(SURGERY, time(5, 30))))
    assert made.item(Key("instruction", "fasting")).dates == window
    html = sheet_html(made, State(), as_of=AS_OF, language="en", checked_against=None)
    assert Page(chunk(html, "instruction/fasting")).words.startswith(
        "12:00 midnight, as this day begins, until 5:30 AM Eat and drink nothing."
    )


# The edges: the day itself still counts


def test_on_the_last_dose_day_the_day_is_still_an_instruction():
    page = sheet_html(plan(), answered(), as_of=date(2026, 3, 12), language="en", checked_against=None)
    assert "Last day you may take it: Thursday, March 12, 2026" in chunk(page, str(WARFARIN))
    assert "Last day you may take: Warfarin" in Page(page).words.split("What to do, day by day")[1]
    after = sheet_html(plan(), answered(), as_of=date(2026, 3, 13), language="en", checked_against=None)
    assert "Last day you may take" not in after
    assert "From today, do not take: Warfarin" in after


def test_on_the_day_of_surgery_no_dose_is_still_said():
    page = sheet_html(plan(), answered(), as_of=SURGERY, language="en", checked_against=None)
    assert "No dose through Wednesday, March 18, 2026." in chunk(page, str(WARFARIN))


def test_what_is_for_today_is_not_past():
    key = Key("visit", "two-week")
    booked = {key: Evidence("Appointment/1", "appointment", "booked", day=date(2026, 4, 1))}
    for as_of, place in ((date(2026, 4, 1), "day"), (date(2026, 4, 2), "past")):
        chosen = select(plan(), State(), as_of=as_of, language="en", bookings=booked)
        assert next(e for e in chosen.entries if e.key == key).place == place
    wash = Key("task", "wash", "evening-1")
    for as_of, place in ((date(2026, 3, 17), "day"), (date(2026, 3, 18), "past")):
        chosen = select(plan(), State(), as_of=as_of, language="en")
        assert next(e for e in chosen.entries if e.key == wash).place == place


def test_what_prepared_an_operation_whose_day_is_over_is_not_asked_of_the_patient():
    """`If you did not do any of these, call us` four days after surgery: the class, the wash of the evening before."""
    lab = visit("lab", "Blood test", date(2026, 3, 4), date(2026, 3, 2), date(2026, 3, 11), said("Come for a test."))
    made = plan(items=(lab, *plan().items))
    booked = {lab.key: Evidence("Appointment/1", "appointment", "booked", day=date(2026, 3, 5))}
    prepared = {"class", "wash", "lab"}
    for bookings in ({}, booked):
        for as_of, shown in ((SURGERY, True), (SURGERY + timedelta(days=1), False)):
            chosen = select(made, State(), as_of=as_of, language="en", bookings=bookings)
            assert prepared.isdisjoint(e.key.item for e in chosen.entries) is not shown
            over = {e.key.item for e in chosen.left_out if e.reason == "it prepared an operation whose day is over"}
            assert over == (set() if shown else prepared)
            assert len(chosen.entries) + len(chosen.left_out) == len(made.items)
    late = {lab.key: Evidence("Appointment/1", "appointment", "booked", day=date(2026, 3, 24))}
    chosen = select(made, State(), as_of=date(2026, 3, 20), language="en", bookings=late)
    assert [e.place for e in chosen.entries if e.key == lab.key] == ["day"], "what is booked ahead is said"
    missed = select(made, State(), as_of=date(2026, 4, 20), language="en")
    assert [e.place for e in missed.entries if e.key.item == "two-week"] == ["past"], "what came after surgery is"


def test_an_item_that_depends_on_an_unknown_fact_says_to_ask_first():
    made = plan()
    items = tuple(replace(i, undecided=("chlorhexidine_allergy",)) if i.key.item == "wash" else i for i in made.items)
    html = sheet_html(replace(made, items=items), State(), as_of=AS_OF, language="en", checked_against=None)
    assert "This may not be for you. Talk to us before this day" in chunk(html, "task/wash/evening-1")
    assert "This may not be for you" not in chunk(html, "visit/two-week")


@pytest.mark.parametrize(("language", "told", "never"), [
    ("en", "Call us today: we still have a question", "before this day"),
    ("es", "Llámenos hoy: todavía tenemos una pregunta", "antes de este día"),
])  # fmt: skip
def test_of_what_has_begun_nobody_is_asked_to_call_before_its_day(language, told, never):
    made = plan()
    rule = next(i for i in made.items if i.key.kind == "restriction")
    unsure = replace(made, items=tuple(replace(i, undecided=("smokes",)) if i is rule else i for i in made.items))
    day = made.surgery_day + timedelta(days=5)
    html = sheet_html(unsure, State(), as_of=day, language=language, checked_against=None)
    assert told in chunk(html, str(rule.key)) and never not in chunk(html, str(rule.key))
    early = sheet_html(unsure, State(), as_of=AS_OF, language=language, checked_against=None)
    assert never in chunk(early, str(rule.key))


@pytest.mark.parametrize(("language", "words"), [("en", "Your new ankle"), ("es", "Su tobillo nuevo")])
def test_what_the_plan_is_about_is_said_in_the_language_of_the_sheet(language, words):
    """The title of a pathway is for staff, and in English: on a Spanish page it was the one line in English."""
    text = sheet(plan(), language=language).words
    assert words in text and "Total ankle replacement" not in text


def test_a_pathway_without_words_is_named_among_what_is_not_translated():
    bare = plan(pathway=replace(plan().pathway, words={}))
    assert "Total ankle replacement, versión 1.0.0" in sheet(bare, language="es").words
    missing = interface("es").say("missing_translation", language=interface("es").say("language_name"))
    for made, named in ((bare, True), (plan(), False)):
        _, _, rest = sheet(made, language="es").words.partition(missing)
        assert ("Total ankle replacement" in rest) is named
    assert sheet(bare).words.count("Total ankle replacement") == 1, "English has its title"


@pytest.mark.parametrize(("language", "note"), [
    ("en", "Do this by this day, not later."), ("es", "Hágalo a más tardar este día."),
])  # fmt: skip
def test_a_task_with_a_last_day_says_by_this_day(language, note):
    """`Friday: get your teeth fixed` three weeks ahead reads as what to do on that Friday."""
    made = golden_plan({"surgery": "2026-03-20T07:30"})
    html = sheet_html(made, NOTHING, as_of=date(2026, 2, 1), language=language, checked_against=None)
    late = {"dental-check", "quit-nicotine", "home-ready", "driver"}
    for name in late:
        assert note in chunk(html, f"task/{name}"), name
    for key in ("task/antiseptic-wash/evening-1", "task/evening-before", "task/be-there", "task/outcome-before",
                "visit/pre-admission-testing", "instruction/pain-plan-off"):  # fmt: skip
        assert note not in chunk(html, key), key
    assert html.count(note) == len(late)


def test_what_is_done_on_its_day_has_no_last_day():
    """A point with an hour, with a name, or the day of an event is the day on which it is done."""
    day = Dates(target=moment(SURGERY), at=moment(SURGERY))
    hour = Dates(target=moment(SURGERY, time(20)), at=moment(SURGERY, time(20)))
    cases = [("", "2 days before surgery", day, True), ("evening", "2 days before surgery", day, False),
             ("", "2 days before surgery in the evening", hour, False), ("", "day of surgery", day, False),
             ("", "discharge", day, False)]  # fmt: skip
    for occurrence, phrase, dates, deadline in cases:
        task = item(
            "task", "wash", "Wash", dates, occurrence=occurrence, phrase=phrase, who="patient", words=said("Wash")
        )
        chosen = select(plan(items=(task,)), NOTHING, as_of=AS_OF, language="en")
        assert [e.deadline for e in chosen.entries] == [deadline], phrase


@pytest.mark.parametrize(
    ("language", "visit", "goal", "booked"),
    [
        ("en", "It was planned for a day from Saturday, March 28, 2026 through Sunday, April 5, 2026.",
         "It was your goal for", "It was planned for Wednesday, April 1, 2026."),
        ("es", "Estaba prevista para un día desde el sábado 28 de marzo de 2026 hasta el domingo 5 de abril de 2026.",
         "Era su meta para el", "Estaba prevista para el miércoles 1 de abril de 2026."),
    ],
)  # fmt: skip
def test_of_days_that_are_over_none_is_named_that_nobody_chose(language, visit, goal, booked):
    """The last day of a window read as the day of a visit that was never booked; a goal read as a thing planned."""
    over = {"as_of": date(2026, 7, 1), "language": language, "checked_against": None}
    html = sheet_html(plan(), State(), **over)
    assert visit in Page(chunk(html, "visit/two-week")).words
    line = Page(chunk(html, "goal/shoe")).words
    assert goal in line and "planned" not in line and "prevista" not in line
    was = Evidence("Appointment/1", "appointment", "booked", day=date(2026, 4, 1))
    held = sheet_html(plan(), State(), bookings={Key("visit", "two-week"): was}, **over)
    assert booked in Page(chunk(held, "visit/two-week")).words


def test_a_goal_that_waits_for_a_date_says_that_it_is_one():
    made = plan()
    items = tuple(replace(i, dates=Dates(awaited="discharge")) if i.key.item == "shoe" else i for i in made.items)
    line = sheet_html(replace(made, items=items), State(), as_of=AS_OF, language="en", checked_against=None)
    assert "This is your goal." in Page(chunk(line, "goal/shoe")).words


@pytest.mark.parametrize(("home", "told"), [(False, True), (True, False)])
def test_what_was_to_be_met_before_going_home_is_not_asked_of_who_is_at_home(home, told):
    """For a year each sheet told who had long gone home: `your pain is low with pills alone ... call us`.

    A sheet speaks of what the patient can still do (common practice, no source); where nothing proves that the stay is
    over, it stays.
    """
    goal = item("goal", "pain-by-mouth", "Pain", point(SURGERY + timedelta(days=1)), who="patient", words=said("Low"))
    walk = item("goal", "walk", "Walk", point(SURGERY + timedelta(days=30)), who="patient", words=said("Walk"))
    made = plan(items=(goal, walk))
    made = replace(made, anchors=(
        *(a for a in made.anchors if a.name != "discharge"),
        Anchor("discharge", moment(SURGERY + timedelta(days=1)), Standing.ASSUMED),
    ))  # fmt: skip
    state = State(proven_on={"discharge": SURGERY + timedelta(days=1)}, proven={"discharge": "Encounter/1"})
    chosen = select(made, state if home else State(), as_of=SURGERY + timedelta(days=60), language="en")
    assert [e.key.item for e in chosen.entries] == (["pain-by-mouth"] if told else []) + ["walk"]
    in_time = select(made, state, as_of=SURGERY + timedelta(days=1), language="en")
    assert [e.key.item for e in in_time.entries] == ["pain-by-mouth", "walk"]
