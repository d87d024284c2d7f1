"""One page a patient: the letter about visits, and the script for whoever calls."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any, cast

from waykeeper.findings import Position, WaykeeperError, finding
from waykeeper.gaps.model import Row
from waykeeper.gaps.setting import happened_on
from waykeeper.gaps.words import open_on_or_after, open_on_or_before
from waykeeper.plan.answered_since import answered_since, hanging
from waykeeper.plan.model import MEDICINES, Item, Plan, State
from waykeeper.report.interface import Interface, data, interface
from waykeeper.report.medicine_lines import MedicineLine, medicine_line
from waykeeper.report.page import render
from waykeeper.report.permit import ensure_printable
from waykeeper.report.plain import day
from waykeeper.report.shown import is_over, shown

_CALLERS = ("scheduler", "coordinator", "clinic", "nurse")
_LAST_DAYS = timedelta(days=7)  # in which the sheet is read together (common practice, no source)


def letter_html(plan: Plan, state: State, rows: Sequence[Row], *, as_of: date, language: str) -> str:
    """The letter to a patient about the visits that need a day, one page, no medicine and no diagnosis in it.

    `rows` may be the whole worklist: only gaps of this plan's visits are used, and none of a visit that prepared an
    operation whose day is over: nobody is asked to come to the class before it; nor of one of which an answer came that
    the plan was not made with, so that it may not be needed. Raises WaykeeperError: WKO001 to
    WKO003 (nothing may be printed), WKO004 (language), WKO008 (there is no such visit, so no letter).
    """
    ensure_printable(plan, state)
    words = interface(language)
    told = data("letters")["letter"]
    asked = {str(key) for key in hanging(answered_since(plan, state).values())}  # needed at all? first the plan says
    mine = (r for r in _own(plan, rows) if r.kind == "visit" and r.item not in asked)
    found = [r for r in mine if r.verdict in told and not is_over(r, as_of)]
    if not found:
        place = Position(path=plan.episode.uuid("plan", plan.pathway.name, "plan"))
        raise WaykeeperError(finding("WKO008", "no visit of this plan needs a letter", place))
    phone = _phone(plan)
    return render(
        "letter.html.j2",
        style="letter.css",
        i=words,
        clinic=plan.letterhead.clinic,
        today=words.date(as_of),
        title=_say(words, "title"),
        greeting=_say(words, "greeting", name=plan.patient.name or plan.patient.identifier.value),
        paragraphs=[_paragraph(words, plan, row, as_of) for row in sorted(found, key=lambda r: str(r.target))],
        call=_say(words, "call_us", phone=phone) if phone else _say(words, "call_us_plain"),
        closing=[_say(words, "closing"), _say(words, "help")],
        sign=_say(words, "sign"),
        test=words.say("test_data") if plan.patient.test_data else "",
    )


def call_script_html(plan: Plan, state: State, rows: Sequence[Row], *, as_of: date, language: str = "en") -> str:
    """The page for whoever calls: check who answers, what to say and ask, what to write down.

    Headings are for staff and in English; what is said aloud is in the patient's language. Medicines that wait for
    an answer are named without a date, and so is one whose answer the list questions, as where a kidney value came
    since. Until surgery took place, or its day is over, it asks what may put the operation off, and when each medicine
    whose pause has begun was really taken last; after it, how wound and leg are. Raises WaykeeperError as
    `letter_html`, but not WKO008.
    """
    ensure_printable(plan, state)
    words = interface(language)
    surgery = plan.surgery_day
    before = _is_ahead(plan, state, as_of)
    last_days = before and surgery is not None and surgery - _LAST_DAYS <= as_of
    told = {str(i.key): medicine_line(plan, i, state) for i in plan.items if i.key.kind in MEDICINES}
    lines = list(told.values())
    own = [r for r in _own(plan, rows) if r.contactable]
    gaps = [r for r in own if _for_the_call(plan, r) and not is_over(r, as_of)]
    tried = dict.fromkeys(c for r in own for c in r.contacts)  # each row of a patient who is lost has all of them
    names = {"name": plan.patient.name or "the patient", "clinic": plan.letterhead.clinic or "the clinic",
             "phone": _phone(plan) or _say(words, "no_number")}  # fmt: skip
    return render(
        "call.html.j2",
        style="letter.css",
        i=words,
        day=day,
        as_of=as_of,
        patient=plan.patient,
        clinic=plan.letterhead.clinic,
        surgery=day(surgery),
        said={key: _spoken(words, key, names) for key in data("letters")["say"]},
        gaps=gaps,
        others=len(own) - len(gaps),
        shown=shown,
        attempts=sorted(tried, key=lambda c: c.on),
        settings=plan.settings,
        waiting=[_named(line) for line in lines if line.told == "wait"],
        questioned=[_named(told[r.item]) for r in own if r.item in told and _questioned(r, told[r.item])],
        signs=[s for t in data("red_flags") if before and t["when"] == "before" for s in t["signs"][language]],
        paused=[_named(x) for x in lines if before and x.told == "hold" and x.first_missed and x.first_missed <= as_of],
        last_days=last_days,
        speaks=plan.patient.language,
    )


def _own(plan: Plan, rows: Sequence[Row]) -> list[Row]:
    """The gaps of this very plan that nobody put off or closed."""
    mine = (str(plan.patient.identifier), plan.episode.number, plan.pathway.name)
    return [r for r in rows if (r.identifier, r.episode, r.pathway) == mine and r.to_do]


def _item(plan: Plan, row: Row) -> Item | None:
    return next((i for i in plan.items if str(i.key) == row.item), None)


def _for_the_call(plan: Plan, row: Row) -> bool:
    """What the patient can answer or do. Never a medicine: the reason of an unanswered hold names its proposed day."""
    item = _item(plan, row)
    theirs = item is not None and ("patient" in item.who.lower() or bool(item.words))
    return row.kind in ("visit", "question") or (row.kind in ("task", "goal") and theirs)


def _questioned(row: Row, line: MedicineLine) -> bool:
    """True where a prescriber answered, the patient was told so, and the list asks whether that still holds."""
    return line.told != "wait" and row.verdict == "needs-review"


def _paragraph(words: Interface, plan: Plan, row: Row, as_of: date) -> str:
    item = _item(plan, row)
    text = (item.words.get(words.language) if item else "") or _say(words, "a_visit")
    visit = text if text.rstrip().endswith((".", "!", "?")) else f"{text}."
    days = {**_window(plan, row, as_of), "booked": row.evidence_day}
    said = {name: words.date(when) if when else words.say("not_known_yet") for name, when in days.items()}
    said["good"] = _say(words, "good_day" if days["open"] == days["close"] else "good_days", **said)
    sentence = cast("str", data("letters")["letter"][row.verdict][words.language])
    return sentence.format(visit=visit, **said)


def _window(plan: Plan, row: Row, as_of: date) -> dict[str, date | None]:
    """The first and the last day still to come on which the clinic is open; the window's own where it never is."""
    first, last = row.window_start, row.window_end
    if first is None or last is None:
        return {"open": first, "close": last}
    first = min(max(first, as_of), last)
    return {
        "open": open_on_or_after(first, last, plan.is_open),
        "close": open_on_or_before(last, first, plan.is_open),
    }


def _say(words: Interface, key: str, **fields: str) -> str:
    return cast("str", data("letters")[key][words.language]).format(**fields)


def _spoken(words: Interface, key: str, names: dict[str, str]) -> str:
    row: Any = data("letters")["say"][key]
    return cast("str", row[words.language]).format(**names)


def _phone(plan: Plan) -> str:
    numbers = plan.letterhead.telephone
    return next((numbers[role] for role in _CALLERS if numbers.get(role)), "")


def _is_ahead(plan: Plan, state: State, as_of: date) -> bool:
    """Whether the operation is still to come: on its day, and where it was done earlier, the record may prove it."""
    anchor = plan.anchor("surgery")
    if anchor is None or anchor.moment is None or anchor.moment.day < as_of:
        return False
    happened = happened_on(anchor, state)
    return happened is None or happened > as_of


def _named(line: MedicineLine) -> str:
    return line.name or "a medicine on the list"
