"""A move as text for a terminal: medicines first, then whom to call, by when and what to say, then item by item."""

from __future__ import annotations

from collections.abc import Sequence

from waykeeper.merge.difference import Change, Row
from waykeeper.report.moves import MovedPlan, medicine_sentence, titled
from waykeeper.report.plain import clean, day, moment, shortened, wrap

LEAST_WIDTH = 48
# change -> heading; the order in which they are printed
HEADINGS: dict[Change, str] = {
    "conflict": "A PERSON MUST DECIDE", "again": "DONE, AND TO BE DONE AGAIN", "new": "NEW", "gone": "NO LONGER NEEDED",
    "moved": "OTHER DATES", "valid": "DONE AND STILL VALID",
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
    if many:
        lines += _summary(moved, failed, width)
    for one in sorted(moved, key=lambda p: not p.urgent) if many else moved:
        lines += [*([""] if lines else []), *_plan(one, width, brief=many, whole=show_identifiers)]
    return "\n".join(lines) + "\n"


def _summary(moved: Sequence[MovedPlan], failed: Sequence[tuple[str, str]], width: int) -> list[str]:
    counted: dict[str, int] = {}
    for one in moved:
        counted[one.status] = counted.get(one.status, 0) + 1
    told = ", ".join(f"{n} {status}" for status, n in counted.items())
    urgent = sum(1 for one in moved if one.urgent)
    lines = wrap(f"{len(moved) + len(failed)} patients: {told or 'none moved'}, {len(failed)} not moved.", width)
    lines += wrap(f"{urgent} with a medicine that cannot wait until tomorrow.", width)
    if failed:
        lines += ["", f"NOT MOVED: {len(failed)}"]
        for who, why in failed:
            lines += wrap(f"{who}: {why}", width, "  - ")
    return lines


def heading(one: MovedPlan, *, whole: bool = False) -> str:
    """Who it is about, on one line."""
    known = one.identifier.rsplit("|", 1)[-1] if whole else shortened(one.identifier)
    return f"{clean(one.patient) or 'no name'} ({known}) | {one.pathway}, episode {one.episode} | {one.status.upper()}"


def _plan(one: MovedPlan, width: int, *, brief: bool, whole: bool) -> list[str]:
    lines = wrap(heading(one, whole=whole), width)
    for turned in one.turned:
        lines += wrap(f"{turned.name}: {turned.before} -> {turned.after}", width, "  ")
    if one.reason or one.by:
        lines += wrap(f"why: {one.reason or 'no reason given'}{f' ({one.by})' if one.by else ''}", width, "  ")
    old, new = one.codes
    if old and old != new:
        lines += wrap(f"sheet: the one with the code {old} is superseded; the new one has the code {new}", width, "  ")
    lines += _medicines(one, width) + _calls(one, width) + _rebook(one, width)
    if one.late:
        lines += ["", f"NO TIME LEFT FOR, THE NEW DUE DAY IS OVER: {len(one.late)}"]
        for row in one.late:
            lines += wrap(f"{titled(row)}: due {row.after}, {row.who}", width, "  - ")
    for change, title in HEADINGS.items():
        lines += _rows(title, one.of(change), width, brief and change in COUNTED_ONLY)
    unchanged = len(one.of("unchanged"))
    lines += ["", f"UNCHANGED: {unchanged}"] if unchanged else []
    for finding in one.findings:
        lines += wrap(finding.line().removeprefix(": "), width, "note: ", "  ")
    for notice in one.notices:
        lines += wrap(notice, width, "note: ", "  ")
    return lines


def _medicines(one: MovedPlan, width: int) -> list[str]:
    told = [m for m in one.medicines if m.need != "stands"]
    stands = len(one.medicines) - len(told)
    lines = ["", f"MEDICINES: {len(told)} to be answered, {stands} do not depend on the day"] if one.medicines else []
    for change in told:
        lines += wrap(f"{change.need.upper()} | {medicine_sentence(change, one.surgery)}", width, "  - ")
    return lines


def _calls(one: MovedPlan, width: int) -> list[str]:
    lines = ["", f"CALLS: {len(one.calls)}"] if one.calls else []
    for number, call in enumerate(one.calls, 1):
        telephone = f", {call.telephone}" if call.telephone else ""
        urgent = " | TODAY, FIRST" if call.urgent else ""
        lines += wrap(f"{call.to}{telephone} | by {day(call.by)}{urgent}", width, f"  {number}. ")
        for sentence in call.say:
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
        return f"{titled(row)}: was {row.before or 'without a day'}"
    return f"{titled(row)}{f': {row.reason}' if row.reason else ''}"
