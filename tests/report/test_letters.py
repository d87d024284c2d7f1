"""The letter and the call script: what they say, and to whom nothing is said."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from report.caseload import AS_OF, plans, report, states
from report.test_sheet import Page
from waykeeper.findings import WaykeeperError
from waykeeper.pathway.reading import english_grade
from waykeeper.plan.model import Contact, HoldAnswer, ItemState, State
from waykeeper.report.letters import call_script_html, letter_html
from waykeeper.timing.model import Standing

NOTHING = State()


def test_the_letter_names_each_visit_that_needs_a_day():
    first = plans()[0]
    text = Page(letter_html(first, NOTHING, report().rows, as_of=AS_OF, language="en")).words
    assert "Dear Maren Okafor-Lindqvist," in text
    assert "We missed you at this visit: Come for a film of your ankle." in text
    assert "It is time for this visit: Come so that we can see how you walk." in text
    assert "The last good day is Thursday, July 2, 2026." in text
    assert "312-555-0102" in text
    assert "wound" not in text, "the two-week visit was attended"


def test_the_letter_names_no_day_on_which_the_clinic_is_closed():
    """The window of the three-month visit ends Thu 2026-07-02; were that day closed, the day before is the last."""
    first = replace(plans()[0], closed=(date(2026, 7, 2),))
    text = Page(letter_html(first, NOTHING, report().rows, as_of=AS_OF, language="en")).words
    assert "The last good day is Wednesday, July 1, 2026." in text
    assert "July 2, 2026" not in text


def test_the_letter_speaks_of_no_medicine():
    for some in plans()[:2]:
        text = Page(letter_html(some, NOTHING, report().rows, as_of=AS_OF, language="es")).words
        assert "Warfarin" not in text
        assert "Ibuprofen" not in text


def test_a_letter_never_mixes_languages():
    text = Page(letter_html(plans()[0], NOTHING, report().rows, as_of=AS_OF, language="es")).words
    assert "Ya es hora de esta cita: Una cita de control." in text
    assert "walk" not in text


def test_no_letter_where_nothing_needs_a_day():
    with pytest.raises(WaykeeperError, match="WKO008"):
        letter_html(plans()[0], NOTHING, (), as_of=AS_OF, language="en")


def test_the_script_tells_each_attempt_once_in_the_order_of_days():
    """Every open visit of a patient who is lost has all attempts: three of them were told as nine."""
    first = plans()[0]
    tried = tuple(Contact(date(2026, 6, n), "telephone", False) for n in (9, 2))
    rows = [replace(r, contacts=tried) for r in report().rows]
    text = Page(call_script_html(first, NOTHING, rows, as_of=AS_OF)).words
    told = "Before this: Tue 2026-06-02 telephone not reached; Tue 2026-06-09 telephone not reached. "
    assert told in text


def test_the_script_checks_who_answers_and_names_no_date_of_a_waiting_medicine():
    made = plans()[3]
    html = call_script_html(made, NOTHING, report().rows, as_of=AS_OF, language="es")
    text = Page(html).words
    assert "su fecha de nacimiento" in text
    section = text.split("Medicines that wait for an answer")[1].split("Read back")[0]
    assert "Warfarin 5 mg" in section
    assert "2026" not in section
    assert "no la deje ni la empiece hasta que lo llamemos" in section
    purpose = html.split("What this call is for")[1].split("Ask every")[0]
    assert "Warfarin" not in purpose
    assert "2026-06-25" not in purpose, "the proposed last-dose day of an unanswered hold"
    assert "more on the worklist are the clinic&#39;s own work, a medicine, or only to be" in purpose.replace(
        "'", "&#39;"
    )
    voicemail = text.split("somebody else:")[1].split("A voicemail")[0]
    for word in ("Warfarin", "cita", "operación", "2026"):
        assert word not in voicemail


def test_the_script_carries_reason_next_action_and_attempts():
    made, state = states(plans())[0]
    text = Page(call_script_html(made, state, report().rows, as_of=AS_OF)).words
    for row in (r for r in report().gaps if r.identifier == str(made.patient.identifier) and r.kind == "visit"):
        assert " ".join(row.reason.split()) in text
        assert " ".join(row.next_action.split()) in text
    assert "Sat 2026-06-20 telephone not reached" in text
    assert "3 attempts by 2 routes over 14 days" in text


def test_nothing_is_written_or_said_after_a_death():
    made, state = states(plans())[5]
    for work in (letter_html, call_script_html):
        with pytest.raises(WaykeeperError, match="WKO001"):
            work(made, state, report().rows, as_of=AS_OF, language="en")


def test_letters_read_at_the_stated_level():
    """Flesch-Kincaid (Kincaid et al. 1975), school grade 6 at most."""
    for some in plans()[:2]:
        page = letter_html(some, NOTHING, report().rows, as_of=AS_OF, language="en")
        body = Page(page.split("<p>Dear")[1].split('<p class="sign">')[0]).words.split(",", 1)[1]
        assert english_grade(body) <= 6


@pytest.mark.parametrize(
    ("verdict", "english", "spanish"),
    [
        ("booked-late", "booked too late, on Monday, July 6, 2026:", "el lunes 6 de julio de 2026"),
        ("booked-early", "booked too soon, on Monday, July 6, 2026:", "el lunes 6 de julio de 2026"),
        ("unconfirmed", "for you on Monday, July 6, 2026:", "el lunes 6 de julio de 2026"),
    ],
)
def test_a_letter_about_a_booking_names_its_day(verdict, english, spanish):
    made = plans()[0]
    overdue = next(r for r in report().rows if r.verdict == "overdue" and r.identifier == str(made.patient.identifier))
    rows = [replace(overdue, verdict=verdict, evidence_day=date(2026, 7, 6))]
    for language, wanted in (("en", english), ("es", spanish)):
        assert wanted in Page(letter_html(made, NOTHING, rows, as_of=AS_OF, language=language)).words


def test_a_call_is_not_for_what_is_only_to_be_recorded():
    """The class before an operation that is over is no reason to ring."""
    made = plans()[0]
    visits = [r for r in report().rows if r.kind == "visit" and r.verdict == "missed"]
    mine = [r for r in visits if r.identifier == str(made.patient.identifier)]
    assert mine
    over = [replace(r, window_end=r.surgery, reason="Before the operation.") for r in mine]
    told = [call_script_html(made, NOTHING, rows, as_of=AS_OF) for rows in (mine, over)]
    assert mine[0].reason.split(":")[0] in told[0]
    assert "Before the operation." not in told[1]
    assert f"{len(over)} more on the worklist" in " ".join(told[1].split())


@pytest.mark.parametrize("verdict", ["to-book", "rebook"])
def test_a_letter_offers_no_day_that_is_past(verdict):
    """The window is Thu 2026-06-04 to Thu 2026-07-02, and the letter is of Fri 2026-06-26."""
    made = plans()[0]
    overdue = next(r for r in report().rows if r.verdict == "overdue" and r.identifier == str(made.patient.identifier))
    rows = [replace(overdue, verdict=verdict)]

    def said(as_of, language="en", closed=()):
        some = replace(made, closed=closed)
        return Page(letter_html(some, NOTHING, rows, as_of=as_of, language=language)).words

    assert "The good days are Friday, June 26, 2026 through Thursday, July 2, 2026." in said(AS_OF)
    assert "Los días buenos son del viernes 26 de junio de 2026 al jueves 2 de julio" in said(AS_OF, "es")
    assert "The good days are Thursday, June 4, 2026 through" in said(date(2026, 6, 1))
    assert "The good days are Monday, June 29, 2026 through" in said(date(2026, 6, 27)), (
        "Saturday: the clinic is closed"
    )
    assert "The good day is Thursday, July 2, 2026." in said(date(2026, 7, 2))
    assert "El día bueno es el jueves 2 de julio de 2026." in said(date(2026, 7, 2), "es")
    assert "The good day is Friday, June 26, 2026." in said(
        AS_OF, closed=(date(2026, 6, 29), date(2026, 6, 30), date(2026, 7, 1), date(2026, 7, 2))
    )


@pytest.mark.parametrize(("language", "asked", "after"), [
    ("en", "A new cough, fever or cold", "Is the wound wet"),
    ("es", "Tos, fiebre o resfriado nuevos", "La herida está mojada"),
])  # fmt: skip
def test_a_call_before_surgery_asks_what_may_put_it_off_and_no_wound(language, asked, after):
    """The call one and two days before asks about illness, skin, pauses, fasting and arrival, with read-back: common
    practice, no source. Nobody has a wound then, and a cough that nobody asks about stops the operation on the day.
    """
    made = plans()[0]
    made = replace(made, anchors=tuple(replace(a, standing=Standing.GIVEN) for a in made.anchors))
    surgery = made.surgery_day
    for days, before in ((-21, True), (-1, True), (0, True), (1, False), (40, False)):
        as_of = surgery + timedelta(days=days)
        text = Page(call_script_html(made, NOTHING, (), as_of=as_of, language=language)).words
        assert (asked in text, after in text) == (before, not before)
        assert ({"en": "Please get your sheet", "es": "busque su hoja"}[language] in text) == (-7 <= days <= 0)


@pytest.mark.parametrize("on", [0, -2])
def test_a_call_after_an_operation_that_the_record_proves_asks_how_wound_and_leg_are(on):
    """The call in the evening of the day, and after one brought forward: common practice, no source."""
    made = plans()[0]
    surgery = made.surgery_day
    done = State(proven={"surgery": "Procedure/1"}, proven_on={"surgery": surgery + timedelta(days=on)})
    for days, asks_of_wound in ((on, True), (on - 1, False)):
        text = Page(call_script_html(made, done, (), as_of=surgery + timedelta(days=days))).words
        assert ("Is the wound wet" in text, "Please get your sheet" in text) == (asks_of_wound, not asks_of_wound)


def test_a_call_asks_when_a_medicine_was_really_taken_last_once_its_pause_has_begun():
    """The planned day is no proof; a dose inside a pause goes to anaesthesia and surgeon: common practice, no source.

    Of a medicine that nobody answered nothing is asked that would sound like a pause.
    """
    made = plans()[3]
    surgery, key = made.surgery_day, next(i.key for i in made.items if i.hold and "Warfarin" in i.hold.words)
    answered = HoldAnswer("hold", 5, "Dr. Amsel", surgery - timedelta(days=20))
    known = State({key: ItemState(key, answer=answered)})
    for days, asked in ((-6, False), (-5, True), (0, True), (1, False)):
        text = Page(call_script_html(made, known, (), as_of=surgery + timedelta(days=days))).words
        assert ("The pause of these has begun: Warfarin 5 mg" in text) == asked
        waiting = Page(call_script_html(made, NOTHING, (), as_of=surgery + timedelta(days=days))).words
        assert "pause of these has begun" not in waiting


def test_a_call_names_the_medicine_whose_answer_is_in_question():
    """A kidney value came after the answer: the list asked the prescriber again, and the script read the old days."""
    made = plans()[3]
    item = next(i for i in made.items if i.hold and "Warfarin" in i.hold.words)
    answered = HoldAnswer("hold", 5, "Dr. Amsel", made.surgery_day - timedelta(days=20))
    known = State({item.key: ItemState(item.key, answer=answered)})
    row = next(r for r in report().rows if r.item == str(item.key))
    row = replace(row, gap=True, snoozed=False, closed=False)
    for word, state, asked in (
        ("needs-review", known, True),
        ("restart-due", known, False),
        ("needs-review", NOTHING, False),
    ):
        rows = [replace(row, verdict=word)]
        text = Page(call_script_html(made, state, rows, as_of=AS_OF)).words
        assert ("in question on the worklist: Warfarin 5 mg" in text) == asked
