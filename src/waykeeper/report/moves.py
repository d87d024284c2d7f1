"""What a move means for people: medicines first, whom to call by when and what to say, bookings that no longer fit.

Values only; `move_text` and `move_page` print them, `move_json` gives the same with stable names.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from waykeeper.findings import Finding
from waykeeper.gaps.model import Row as GapRow
from waykeeper.gaps.says import LIVE_BOOKINGS
from waykeeper.merge.attendance import attendance
from waykeeper.merge.difference import CHANGES, Row, difference, shown, turned
from waykeeper.merge.held import holding
from waykeeper.merge.medicine_changes import MedicineChange, medicine_changes
from waykeeper.merge.model import Decisions, Held
from waykeeper.plan.model import MEDICINES, Plan, State
from waykeeper.report.move_calls import calls_of
from waykeeper.report.move_words import call_back, medicine_sentence, need_word
from waykeeper.report.moved import MovedPlan, Rebook, Status
from waykeeper.report.permit import refusal
from waykeeper.report.selection import Bookings, booked_moment, check_code
from waykeeper.timing.model import Moment, Standing


@dataclass(frozen=True, slots=True)
class Before:
    """What stood: the plan, its state, everything read with it, proven bookings."""

    plan: Plan
    state: State
    held: Sequence[Held]
    bookings: Bookings


@dataclass(frozen=True, slots=True)
class After:
    """What stands now, or would: the plan, its state, proven bookings, and the gap report's rows of its visits."""

    plan: Plan
    state: State
    bookings: Bookings
    rows: Sequence[GapRow] = ()


def moved_plan(
    before: Before,
    decided: Decisions,
    after: After,
    *,
    status: Status,
    as_of: date,
    next_open: date,
    reason: str = "",
    by: str = "",
    findings: Iterable[Finding] = (),
    notices: Iterable[str] = (),
) -> MovedPlan:
    """Put everything together. `next_open` is the clinic's first working day after `as_of`."""
    held = holding(before.plan.episode, before.held)
    came = attendance(held, before.plan.zone, as_of).attended
    rows = difference(before.plan, decided.plan, before.state, decided, came, as_of)
    medicines = medicine_changes(before.plan, held, decided, as_of)
    rebook = _rebook(after, decided.plan, before, as_of, next_open)
    patient, was = after.plan.patient, _anchor(before.plan, "surgery")
    made = MovedPlan(
        patient=patient.name,
        identifier=str(patient.identifier),
        episode=after.plan.episode.number,
        pathway=after.plan.pathway.name,
        status=status,
        as_of=as_of,
        surgery_was=was and was.on_the_clock_of(decided.plan.zone),
        surgery=_anchor(after.plan, "surgery"),
        turned=turned(before.plan, decided.plan),
        medicines=medicines,
        rows=tuple(r for r in rows if r.item.kind not in MEDICINES),
        late=_late(before, after, rows, as_of),
        rebook=rebook,
        codes=_codes(before, after),
        notices=tuple(notices),
        findings=tuple(findings),
        reason=reason,
        by=by,
        lost=_lost(before.plan, after.plan),
        arrival=_anchor(after.plan, "arrival"),
        next_open=next_open,
    )
    return replace(made, calls=calls_of(made, after.plan, printable(after))) if status != "unchanged" else made


def printable(after: After) -> bool:
    """False where nothing may be printed for the patient."""
    return refusal(after.plan, after.state) is None


def _lost(before: Plan, after: Plan) -> tuple[tuple[str, Moment, Moment | None], ...]:
    """What a person had given for the old date, and the new plan only assumes."""
    found = []
    for was in before.anchors:
        now = after.anchor(was.name)
        given = was.standing is Standing.GIVEN and was.moment is not None
        if given and was.name not in ("surgery", "change") and (now is None or now.standing is Standing.ASSUMED):
            assert was.moment is not None
            found.append((was.name, was.moment, now.moment if now else None))
    return tuple(found)


def _anchor(plan: Plan, name: str) -> Moment | None:
    anchor = plan.anchor(name)
    return anchor.moment if anchor else None


def _late(before: Before, after: After, rows: Sequence[Row], as_of: date) -> tuple[Row, ...]:
    """Open work whose last day was still ahead, and lies behind now: surgery came nearer."""
    was = {i.key: i.dates.last_day for i in before.plan.items}
    found = []
    for row in rows:
        state, old = after.state.items.get(row.item), was.get(row.item)
        if row.item.kind not in ("task", "question") or row.by is None or row.by >= as_of or (old and old < as_of):
            continue
        if state is None or state.cls in ("open", "busy"):
            found.append(row)
    return tuple(found)


def _codes(before: Before, after: After) -> tuple[str, str]:
    """The check codes of the sheets; "" where none may be printed, as of a plan that was put off."""
    if not printable(after):
        return "", ""
    stood = refusal(before.plan, before.state) is None
    old = check_code(before.plan, before.state, before.bookings) if stood else ""
    return old, check_code(after.plan, after.state, after.bookings)


def _rebook(after: After, new: Plan, before: Before, as_of: date, next_open: date) -> tuple[Rebook, ...]:
    """Bookings outside the window that is wanted now, and bookings of visits that are wanted no more.

    What was known as a visit's booking before the move stays so: for its new window the day alone may say no more.
    """
    old = before.plan
    seen = {booking.reference for booking in after.bookings.values()}
    earlier = [(k, b) for k, b in before.bookings.items() if b.reference not in seen]
    rows = {r.item: r for r in after.rows}
    wanted = {i.key: i for i in new.items}
    gone = {i.key: i for i in old.items if i.key not in wanted}
    found = []
    for key, booking in [*after.bookings.items(), *earlier]:
        item, row, at = wanted.get(key) or gone.get(key), rows.get(str(key)), booked_moment(booking, old.zone)
        if item is None or booking.status not in LIVE_BOOKINGS:
            continue
        window = item.dates.window
        if key in wanted and (at is None or window is None or window.holds(at.day)):
            continue
        why = "no longer in the plan" if key not in wanted else _side(row)
        shown_window = f"{shown(window.start.day)} to {shown(window.end.day)}" if window else ""
        by = as_of if at is not None and at.day <= next_open else next_open
        found.append(Rebook(str(key), item.title, at, shown_window, why, by))
    return tuple(sorted(found, key=lambda r: (r.booked.day if r.booked else date.max, r.item)))


def _side(row: GapRow | None) -> str:
    if row is not None and row.verdict in ("booked-early", "booked-late"):
        return "before its new window" if row.verdict == "booked-early" else "after its new window"
    return "outside its new window"


# JSON


def move_json(moved: Sequence[MovedPlan]) -> dict[str, Any]:
    """The same with stable names; lists in the order in which they are printed."""
    return {"schema_version": 1, "plans": [_plan_json(one) for one in moved]}


def _plan_json(one: MovedPlan) -> dict[str, Any]:
    return {
        "patient": one.patient,
        "identifier": one.identifier,
        "episode": one.episode,
        "pathway": one.pathway,
        "status": one.status,
        "as_of": one.as_of.isoformat(),
        "surgery_was": _text(one.surgery_was),
        "surgery": _text(one.surgery),
        "reason": one.reason,
        "by": one.by,
        "sheet_code_was": one.codes[0],
        "sheet_code": one.codes[1],
        "changed": [{"name": t.name, "before": t.before, "after": t.after} for t in one.turned],
        "urgent": one.urgent,
        "arrival": _text(one.arrival),
        "lost": [{"name": name, "given": _text(was), "assumed": _text(now)} for name, was, now in one.lost],
        "medicines": [_medicine_json(m, one) for m in one.medicines],
        "calls": [
            {"to": c.to, "role": c.role, "telephone": c.telephone, "by": c.by.isoformat(), "say": list(c.say),
             "urgent": c.urgent, "note": c.note, "again": c.again}
            for c in one.calls
        ],
        "rebook": [
            {"item": r.item, "title": r.title, "booked": _text(r.booked), "window": r.window, "reason": r.reason,
             "by": r.by.isoformat()}
            for r in one.rebook
        ],
        "items": [
            {"item": str(r.item), "title": r.title, "change": r.change, "before": r.before, "after": r.after,
             "reason": r.reason, "who": r.who}
            for r in sorted(one.rows, key=lambda r: CHANGES.index(r.change))
        ],
        "late": [{"item": str(r.item), "title": r.title, "due": r.after, "who": r.who} for r in one.late],
        "notices": list(one.notices),
        "findings": [
            {"code": f.code, "severity": f.severity, "details": f.details, "help": f.help} for f in one.findings
        ],
    }  # fmt: skip


def _medicine_json(change: MedicineChange, one: MovedPlan) -> dict[str, Any]:
    days: Mapping[str, date | None] = {
        "last_dose_was": change.last_dose_was, "last_dose": change.last_dose, "first_missed": change.first_missed,
        "last_taken": change.last_taken, "earliest_surgery": change.earliest,
        "counted_from": change.counted_from, "recorded_after_as_of": change.recorded_later,
        "answer_by": one.answer_by(change) if change.need != "stands" else None,
    }  # fmt: skip
    return {
        "item": str(change.item), "medicine": change.medicine, "need": change.need, "who": change.who,
        "answered_before": change.again, "missed_days": change.days, "possible_days": change.possible,
        "stopped": change.is_stopped, **{name: day.isoformat() if day else None for name, day in days.items()},
        "word": need_word(change),
        "say": medicine_sentence(change, one.surgery) if change.need != "stands" else "",
        "call_back": call_back(change, one.answer_by(change)) if change.need != "stands" else "",
    }  # fmt: skip


def _text(moment: Moment | None) -> str | None:
    return str(moment) if moment else None


__all__ = ["After", "Before", "move_json", "moved_plan"]
