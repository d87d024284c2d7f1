"""The gap report in a terminal: what to do, whom to call, how it is known. Plain text, fit for a pipe."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date

from waykeeper.counting import counted
from waykeeper.gaps.model import Change, Placement, Row, Worklist
from waykeeper.plan.model import MEDICINES
from waykeeper.report.blocks import AS_ABOVE, blocks, has_time, same_step, with_above
from waykeeper.report.not_whole import NOT_COMPARED, NOT_WHOLE, WHAT_IT_LACKS, WHAT_IT_SAYS, first_of
from waykeeper.report.plain import Ends, apart, clean, day, table, value_of, wrap
from waykeeper.report.severity import CHANGES, SEVERITY
from waykeeper.report.shown import (
    LIST_OF_MEDICINES,
    MAY_BE,
    NOT_NEEDED,
    RECORD_ONLY,
    asked_beside,
    booked_for_nothing,
    by_severity,
    check_the_day,
    completed_plans,
    entry_ahead,
    history,
    now_and_over,
    order_of_all,
    owner_line,
    second_bookings,
    silence,
    titles_of,
    told_too_soon,
)

LEAST_WIDTH = 48
_RECORD = 0  # the column of what is only to be recorded


def terminal(worklist: Worklist, width: int = 80, *, show_identifiers: bool = False) -> str:
    """The report as lines of at most `width` columns (48 at least), ending in a newline.

    Every gap with reason, next action, who and by when; then the steps of an operation that is over, to be recorded
    only, counted apart from the severities as on the page; then what was put off and closed, appointments that fit
    no plan, and a count of everything else, so that what is not listed is still counted. Identifiers are shortened
    unless asked.
    """
    width, worklist = max(width, LEAST_WIDTH), worklist.held()
    people = {(r.patient, r.identifier) for r in worklist.rows}
    people |= {(found.patient, found.identifier) for found in worklist.appointments}
    short = apart((clean(name), identifier) for name, identifier in people)
    ends = value_of if show_identifiers else short
    lines = _head(worklist, width, short)
    now, over = now_and_over(worklist)
    lines += _to_do(now, worklist.as_of, width, ends)
    lines += _record_only(over, width, short)
    lines += _snoozed(worklist.snoozed, width)
    lines += _closed(worklist.closed, width, short)
    lines += _placements("APPOINTMENTS THAT FIT NO PLANNED VISIT", worklist.unplanned, width, ends)
    lines += _placements(MAY_BE.upper(), asked_beside(worklist), width, ends)
    lines += _placements("SECOND BOOKINGS OF ONE VISIT", second_bookings(worklist), width, ends)
    idle = booked_for_nothing(worklist)
    lines += _placements(f"{NOT_NEEDED.upper()} (A PERSON CANCELS THEM)", idle, width, ends)
    return "\n".join([*lines, "", *_medicines(worklist, width), *_rest(worklist, width)]) + "\n"


def _to_do(now: Sequence[Row], as_of: date, width: int, ends: Ends) -> list[str]:
    """The gaps by severity, what one call about an operation settles together (see `blocks`)."""
    counts = Counter(row.severity for row in now)
    sections: dict[int, list[tuple[Row, ...]]] = {}
    for block in blocks(now, as_of):
        sections.setdefault(max(row.severity for row in block), []).append(block)
    lines: list[str] = []
    for severity in (3, 2, 1, 0):
        found = sections.get(severity, [])
        away = counts[severity] - sum(row.severity == severity for block in found for row in block)
        if not counts[severity]:
            continue
        said = f"; {away} of them above, with what they hang on" if away else ""
        lines += ["", f"{SEVERITY[severity].name.upper()} (severity {severity}): {counts[severity]}{said}"]
        rows = with_above(found)
        ahead = sum(has_time(row, as_of) for row, _ in rows)
        for number, (row, before) in enumerate(rows, 1):
            if ahead and number == len(rows) - ahead + 1:
                lines += ["", f"MORE THAN A WEEK LEFT (of severity {severity}): {ahead}"]
            lines += ["", *_gap(row, number, width, ends, severity=severity, before=before)]
    return lines


def _record_only(rows: Sequence[Row], width: int, short: Ends) -> list[str]:
    if not rows:
        return []
    lines = ["", f"RECORD ONLY (steps of an operation that is over): {len(rows)}", ""]
    lines += wrap(RECORD_ONLY, width, "  ", "  ")
    groups: dict[str, list[Row]] = {}
    for row in sorted(rows, key=lambda r: (r.patient, r.name)):
        groups.setdefault(order_of_all(row), []).append(row)
    for action, same in groups.items():
        lines += ["", *wrap(f"{action} ({counted(len(same), 'step')})", width, "  -> ", "     ")]
        for row in same:
            named = f"{row.patient or 'no name'} ({short(row.identifier)})"
            asks = "".join(f" Ask: {question}" for question in row.questions)
            lines += wrap(f"{named} | {row.title} | {row.verdict} | {row.reason}{asks}", width, "     - ", "       ")
    return lines


def changes_text(changes: Sequence[Change], width: int = 80) -> str:
    """What changed since an earlier report, what is new or worse first; ends in a newline."""
    width = max(width, LEAST_WIDTH)
    rows = [row for c in changes for row in (c.before, c.after) if row is not None]
    short = apart((clean(row.patient), row.identifier) for row in rows)
    lines: list[str] = []
    for kind, title in CHANGES.items():
        found = [c for c in changes if c.kind == kind]
        lines += [*([""] if lines and found else []), *([f"{title.upper()}: {len(found)}"] if found else [])]
        for change in found:
            lines += wrap(_changed(change, short), width, "  - ")
    return "\n".join(lines or ["Nothing changed since then."]) + "\n"


def _changed(change: Change, short: Ends) -> str:
    row = change.after or change.before
    words = " -> ".join(dict.fromkeys(r.verdict for r in (change.before, change.after) if r is not None))
    if row is None:
        return words
    action = ""
    if change.after and change.after.gap:
        said = change.after.closed_because if change.after.closed else change.after.next_action
        action = f" | {said}"
    return f"{row.patient or 'no name'} ({short(row.identifier)}) | {row.title} | {words}{action}"


def _head(worklist: Worklist, width: int, short: Ends) -> list[str]:
    patients = len({(r.identifier, r.patient) for r in worklist.rows})
    now, over = now_and_over(worklist)
    counts = Counter(r.severity for r in now)
    said = ", ".join(f"{SEVERITY[s].name.lower()} {counts[s]}" for s in (3, 2, 1))
    said += f", record only {len(over)}" if over else ""
    whom = f"{patients} {'patient' if patients == 1 else 'patients'}"
    first = f"Gaps as of {day(worklist.as_of)}: {len(worklist.gaps)} in {whom} ({said})"
    left = f"; left out: {by_severity(worklist.left_out)}" if any(worklist.left_out.values()) else ""
    narrowed = wrap(f"Filtered, {worklist.narrowed} are shown{left}.", width) if worklist.asked else []
    lacking = _note(NOT_WHOLE, WHAT_IT_LACKS, worklist.lacking, width)
    lacking += _note(NOT_COMPARED, WHAT_IT_SAYS, worklist.unlike, width)
    return [*wrap(first, width), *narrowed, *lacking, *_doubts(worklist, width, short), *_overview(worklist)]


def _note(title: str, about: str, sentences: Sequence[str], width: int) -> list[str]:
    """What the whole list suffers from, under its title; nothing where it does not."""
    if not sentences:
        return []
    some, more = first_of(sentences)
    told = [line for one in some for line in wrap(one, width, "  - ")]
    return ["", *wrap(f"{title.upper()}: {about}", width), *told, *([f"  {more}"] if more else [])]


def _doubts(worklist: Worklist, width: int, short: Ends) -> list[str]:
    """Whether this is the list of today at all, and what to ask about if it is."""
    ahead = told_too_soon(worklist)
    if not ahead:
        return []
    lines = ["", *wrap(f"CHECK THE DAY OF THIS LIST: {check_the_day(worklist.as_of, len(ahead))}", width)]
    titles = titles_of(worklist)
    for found in ahead:
        number = f"({short(found.identifier)})" if found.identifier else ""
        who = " ".join(p for p in (found.patient, number) if p)
        lines += wrap(f"{who} | {entry_ahead(found, titles)} | {found.reference}", width, "  - ")
    return lines


def _overview(worklist: Worklist) -> list[str]:
    """How many gaps of each kind and severity, so that a long list can be read from the right end."""
    now, over = now_and_over(worklist)
    counts = Counter((r.kind, r.severity) for r in now) + Counter((r.kind, _RECORD) for r in over)
    columns = (3, 2, 1, _RECORD) if over else (3, 2, 1)
    if not counts:
        return []
    rows = [[kind, *(str(counts[kind, s]) for s in columns)] for kind in sorted({k for k, _ in counts})]
    names = ["record only" if s == _RECORD else SEVERITY[s].name.lower() for s in columns]
    return ["", *table(["", *names], rows, (12, *(len(n) for n in names)))]


def _gap(row: Row, number: int, width: int, ends: Ends, *, severity: int, before: Row | None) -> list[str]:
    """One gap. `before`: the row of the same operation above it; `severity`: of the section that it stands in."""
    identifier = ends(row.identifier)
    since = f", since {day(row.since)}" if row.since else ""
    less = "" if row.severity == severity else f" ({SEVERITY[row.severity].name.lower()})"
    whose = f"{row.patient or 'no name'} ({identifier})" if before is None else f"also {row.patient or 'no name'}"
    head = f"{whose} | {row.title} | {row.verdict}{less}{since}"
    lines = wrap(head, width, f"{number:>3}. ", "     ")
    lines += wrap(row.reason, width, "     ")
    who = ", ".join(p for p in (owner_line(row), f"by {day(row.by)}" if row.by else "") if p)
    action = AS_ABOVE if same_step(row, before) else row.next_action or "Decide what to do."
    lines += wrap(f"{action}{f' ({who})' if who else ''}", width, "     -> ")
    lines += _bookings(row, width)
    if told := silence([row]):
        lines += wrap(told, width, "     ! ")
    return [*lines, *_contacts(row, width)]


def _bookings(row: Row, width: int) -> list[str]:
    """Every booking that belongs or may belong to a row, and what is to be asked about it."""
    lines: list[str] = []
    if row.evidence:
        lines += wrap(f"evidence: {', '.join(row.evidence)} ({row.certainty})", width, "     ", "       ")
    for question in row.questions:
        lines += wrap(f"ask: {question}", width, "     ", "       ")
    for happened in history(row):
        lines += wrap(f"history: {happened}", width, "     ", "       ")
    return lines


def _left_alone(row: Row, width: int) -> list[str]:
    """The bookings of a row that a person put off or closed, and what rests on them: nobody acts on it meanwhile."""
    return [*(wrap(row.reason, width, "     ") if row.evidence else []), *_bookings(row, width)]


def _contacts(row: Row, width: int) -> list[str]:
    lines: list[str] = []
    for contact in row.contacts:
        reached = "reached" if contact.reached else "not reached"
        text = f"contact: {day(contact.on)}, {contact.route}, {reached}{f', by {contact.by}' if contact.by else ''}"
        lines += wrap(text, width, "     ", "       ")
    return lines


def _snoozed(rows: Sequence[Row], width: int) -> list[str]:
    if not rows:
        return []
    lines = ["", f"PUT OFF BY A PERSON: {len(rows)}"]
    for row in rows:
        text = f"{row.patient} | {row.title} | {row.verdict} | comes back {day(row.snoozed_until)}"
        lines += wrap(text, width, "  - ")
        lines += _left_alone(row, width)
    return lines


def _closed(rows: Sequence[Row], width: int, short: Ends) -> list[str]:
    """Gaps that a person closed, each with why, who and when."""
    lines = ["", f"CLOSED BY A PERSON: {len(rows)}"] if rows else []
    for row in rows:
        who = ", ".join(p for p in (row.closed_by, day(row.closed_on)) if p) or "nobody said who or when"
        text = f"{row.patient} ({short(row.identifier)}) | {row.title} | {row.verdict} | {row.closed_because} ({who})"
        lines += wrap(text, width, "  - ")
        lines += _left_alone(row, width)
    return lines


def _placements(title: str, found: Sequence[Placement], width: int, ends: Ends) -> list[str]:
    if not found:
        return []
    lines = ["", f"{title}: {len(found)}"]
    for one in found:
        value = ends(one.identifier)
        who = " ".join(p for p in (one.patient, f"({value})" if value else "") if p)
        parts = (day(one.day) or "no day", one.status, who, one.text, one.site, one.reference, one.note)
        lines += wrap(" | ".join(p for p in map(clean, parts) if p), width, "  - ")
    return lines


def _medicines(worklist: Worklist, width: int) -> list[str]:
    """What the report cannot know of medicines, where it speaks of any."""
    return [*wrap(LIST_OF_MEDICINES, width), ""] if any(r.kind in MEDICINES for r in worklist.rows) else []


def _rest(worklist: Worklist, width: int) -> list[str]:
    """Verdicts of everything that is no gap, counted: the reader sees that nothing fell out."""
    calm = Counter(r.verdict for r in worklist.rows if not r.gap)
    said = ", ".join(f"{count} {word}" for word, count in sorted(calm.items()))
    total = f"{counted(len(worklist.rows), 'item')}: {counted(len(worklist.gaps), 'gap')}"
    total = f"{total}, {len(worklist.snoozed)} put off"
    total += f", {len(worklist.closed)} closed by a person" if worklist.closed else ""
    told = wrap(f"{total}{f', {said}' if said else ''}.", width)
    over = completed_plans(worklist)
    return [*told, *(wrap(over, width) if over else [])]
