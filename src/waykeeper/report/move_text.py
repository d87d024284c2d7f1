"""A move as text for a terminal: medicines first, then whom to call, by when and what to say, then item by item."""

from __future__ import annotations

from collections.abc import Sequence

from waykeeper.merge.difference import Change, Row
from waykeeper.report.move_words import call_back, key_of, medicine_sentence, need_word
from waykeeper.report.moved import Call, MovedPlan, titled
from waykeeper.report.plain import clean, day, moment, shortened, value_of, wrap

LEAST_WIDTH = 48
CLOSED_DAY = "WKL106"  # said as a call of its own
# change -> heading; the order in which they are printed
HEADINGS: dict[Change, str] = {
    "conflict": "A PERSON MUST DECIDE", "again": "DONE FOR THE OLD DATE, TO BE DONE AGAIN", "new": "NEW",
    "gone": "NO LONGER NEEDED", "moved": "OTHER DATES", "valid": "DONE AND STILL VALID",
}  # fmt: skip
COUNTED_ONLY: tuple[Change, ...] = ("moved", "valid", "gone", "new")  # where many plans are printed together


def move_text(
    moved: Sequence[MovedPlan],
    width: int = 80,
    *,
    failed: Sequence[tuple[str, str]] = (),
    show_identifiers: bool = False,
) -> str:
    """The moves as lines of at most `width` columns (48 at least), ending in a newline.

    failed   patients that were not moved, each with the reason; they come first
    """
    width = max(width, LEAST_WIDTH)
    lines: list[str] = []
    many = len(moved) + len(failed) > 1
    if many or failed:
        lines += _summary(moved, failed, width)
    for one in sorted(moved, key=lambda p: p.place) if many else moved:
        lines += [*([""] if lines else []), *_plan(one, width, brief=many, whole=show_identifiers)]
    return "\n".join(lines) + "\n"


def _summary(moved: Sequence[MovedPlan], failed: Sequence[tuple[str, str]], width: int) -> list[str]:
    counted: dict[str, int] = {}
    for one in moved:
        counted[one.status] = counted.get(one.status, 0) + 1
    told = ", ".join(f"{n} {status}" for status, n in counted.items())
    urgent = sum(1 for one in moved if one.urgent)
    everybody = f"{n} patients" if (n := len(moved) + len(failed)) != 1 else "1 patient"
    lines = wrap(f"{everybody}: {told or 'none moved'}, {len(failed)} not moved.", width)
    lines += wrap(f"{urgent} with a medicine that cannot wait until tomorrow.", width)
    if moved:
        lines += wrap(f"As of {day(moved[0].as_of)}. The most urgent first, then by the new surgery day.", width)
    if failed:
        lines += ["", f"NOT MOVED: {len(failed)}"]
        for who, why in failed:
            lines += wrap(f"{who}: {why}", width, "  - ")
    return lines


def heading(one: MovedPlan, *, whole: bool = False) -> str:
    """Who it is about, on one line."""
    known = value_of(one.identifier) if whole else shortened(one.identifier)
    return f"{clean(one.patient) or 'no name'} ({known}) | {one.pathway}, episode {one.episode} | {one.status.upper()}"


def _plan(one: MovedPlan, width: int, *, brief: bool, whole: bool) -> list[str]:
    lines = wrap(heading(one, whole=whole), width)
    lines += wrap(f"as of {day(one.as_of)}", width, "  ")
    for turned in turns(one):
        lines += wrap(turned, width, "  ")
    if one.reason or one.by:
        lines += wrap(f"why: {one.reason or 'no reason given'}{f' ({one.by})' if one.by else ''}", width, "  ")
    old, new = one.codes
    if new and old != new:
        gone = f"{old} is not valid any more, have it and any older one" if old else "no older one is valid, have them"
        lines += wrap(f"sheet: {gone} thrown away; the new code is {new}", width, "  ")
    lines += _medicines(one, width) + _calls(one, width) + _rebook(one, width)
    if one.late:
        lines += ["", f"LATE FOR THE NEW DATE: {len(one.late)}"]
        for row in one.late:
            lines += wrap(f"{titled(row)}: due {row.after}, {row.who}", width, "  - ")
    for change, title in HEADINGS.items():
        lines += _rows(title, one.of(change), width, brief and change in COUNTED_ONLY)
    same = one.of("unchanged")
    lines += ["", *wrap(f"THE SAME AS BEFORE: {len(same)}: {names(same)}", width)] if same else []
    for said in checks(one):
        lines += wrap(said, width, "check: ", "  ")
    for notice in notes(one):
        lines += wrap(notice, width, "note: ", "  ")
    return lines


def turns(one: MovedPlan) -> list[str]:
    """What is other about the whole plan, each a line; the day on which it was moved is said as `as of`."""
    return [f"{t.name}: {t.before} -> {t.after}" for t in one.turned if t.name != "change"]


def names(rows: Sequence[Row]) -> str:
    """The titles, each once; how often where it has several occurrences."""
    counted: dict[str, int] = {}
    for row in rows:
        counted[row.title] = counted.get(row.title, 0) + 1
    return "; ".join(f"{title} ({n} times)" if n > 1 else title for title, n in counted.items())


def checks(one: MovedPlan) -> list[str]:
    """What compile noticed and nobody is called about, in words without codes."""
    return [" ".join(t for t in (f"{f.details}.", f.help) if t) for f in one.findings if f.code != CLOSED_DAY]


def notes(one: MovedPlan) -> list[str]:
    """The notices, but for those that are calls of their own."""
    lost = tuple(f"{name} was given as" for name, _, _ in one.lost)
    return [n for n in one.notices if not (lost and n.startswith(lost))]


def unchanged_medicines(one: MovedPlan) -> str:
    """The medicines about which nothing is asked, by name."""
    return ", ".join(m.medicine for m in one.medicines if m.need == "stands")


def said_here(call: Call, one: MovedPlan) -> list[str]:
    """The sentences of a call, without those that stand under the medicines already: these are named."""
    told = {medicine_sentence(m, one.surgery): m for m in one.open_medicines}
    mine = [m for sentence, m in told.items() if any(s.startswith(sentence) for s in call.say)]
    rest = [s for s in call.say if not any(s.startswith(sentence) for sentence in told)]
    about = ", ".join(m.medicine for m in mine)
    return [f"Read each medicine above and write the answer beside it: {about}.", *rest] if mine else rest


def _medicines(one: MovedPlan, width: int) -> list[str]:
    told, stands = one.open_medicines, unchanged_medicines(one)
    lines = ["", f"MEDICINES TO BE ANSWERED: {len(told)}"] if one.medicines else []
    for word, means in key_of(told):
        lines += wrap(f"{word} = {means}", width, "  ", "    ")
    for change in told:
        by = one.answer_by(change)
        lines += wrap(f"{need_word(change)} | {medicine_sentence(change, one.surgery)}", width, "  - ")
        lines += wrap(f"to the patient: {call_back(change, by)}", width, "    ")
    lines += wrap(f"Nothing is asked about: {stands}", width, "  ") if stands else []
    return lines


def _calls(one: MovedPlan, width: int) -> list[str]:
    lines = ["", f"CALLS, IN THIS ORDER: {len(one.calls)}"] if one.calls else []
    for number, call in enumerate(one.calls, 1):
        telephone = f", {call.telephone}" if call.telephone else ""
        urgent = " | TODAY" if call.by <= one.as_of else ""
        lines += wrap(f"{call.to}{telephone} | by {day(call.by)}{urgent}", width, f"  {number}. ")
        lines += wrap(call.note, width, "     ") if call.note else []
        for sentence in said_here(call, one):
            lines += wrap(sentence, width, "     - ")
    return lines


def _rebook(one: MovedPlan, width: int) -> list[str]:
    if not one.rebook:
        return []
    lines = ["", f"BOOKINGS THAT A PERSON MUST CHANGE (none was cancelled): {len(one.rebook)}"]
    for booking in one.rebook:
        window = f"; window {booking.window}" if booking.window else ""
        said = f"{booking.title}: booked {moment(booking.booked) or 'without a day'}, {booking.reason}{window}"
        lines += wrap(f"{said}. By {day(booking.by)}.", width, "  - ")
    return lines


def _rows(title: str, rows: Sequence[Row], width: int, counted: bool) -> list[str]:
    if not rows:
        return []
    lines = ["", f"{title}: {len(rows)}"]
    for row in () if counted else rows:
        lines += wrap(row_sentence(row), width, "  - ")
    return lines


def row_sentence(row: Row) -> str:
    """One item: its title, its days before and after, and why."""
    if row.change == "moved":
        return f"{titled(row)}: {row.before or 'no day'} -> {row.after or 'no day'}"
    if row.change in ("new", "again"):
        because = f" ({row.reason})" if row.reason else ""
        return f"{titled(row)}: {row.after or 'no day'}{because}{f', {row.who}' if row.who else ''}"
    if row.change == "gone":
        return f"{titled(row)}: was {row.before or 'without a day'}{f' ({row.reason})' if row.reason else ''}"
    return f"{titled(row)}{f': {row.reason}' if row.reason else ''}"
