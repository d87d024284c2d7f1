"""What a move means for people: medicines first, whom to call by when and what to say, bookings that no longer fit.

Values only; `move_text` and `move_page` print them, `move_json` gives the same with stable names.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

from waykeeper.findings import Finding
from waykeeper.gaps.model import Row as GapRow
from waykeeper.merge.attendance import attendance
from waykeeper.merge.difference import CHANGES, MEDICINES, Row, Turned, difference, last_day, shown, turned
from waykeeper.merge.held import holding
from waykeeper.merge.medicine_changes import URGENT, MedicineChange, medicine_changes
from waykeeper.merge.model import Decisions, Held
from waykeeper.plan.model import Evidence, Key, Plan, State
from waykeeper.report.permit import refusal
from waykeeper.report.selection import Bookings, booked_moment, check_code
from waykeeper.timing.model import Moment

Status = Literal["moved", "would be moved", "moved before", "unchanged", "not moved"]
_PEOPLE_AT_HOME = ("patient", "family", "helper", "caregiver", "")
_LIVE = frozenset({"booked", "arrived", "checked-in"})


@dataclass(frozen=True, slots=True)
class Call:
    """One call: whom, by when, and what to say: whole sentences, what is due first comes first.

    Whom something must be said today is called today about that, and about the rest by its first day.
    """

    to: str
    role: str
    telephone: str
    by: date
    say: tuple[str, ...]
    urgent: bool = False


@dataclass(frozen=True, slots=True)
class Rebook:
    """A booking that does not fit the plan any more. Nobody but a person cancels it."""

    item: str
    title: str
    booked: Moment | None
    window: str
    reason: str
    by: date


@dataclass(frozen=True, slots=True)
class MovedPlan:
    """Everything that a coordinator needs about one moved plan.

    codes   check codes of the sheet before and after, "" where nothing may be printed
    rows    every item that is no medicine, each exactly once
    late    those of them whose new day is over before they were done: the new date leaves no time for them
    """

    patient: str
    identifier: str
    episode: int
    pathway: str
    status: Status
    as_of: date
    surgery_was: Moment | None = None
    surgery: Moment | None = None
    turned: tuple[Turned, ...] = ()
    medicines: tuple[MedicineChange, ...] = ()
    rows: tuple[Row, ...] = ()
    late: tuple[Row, ...] = ()
    rebook: tuple[Rebook, ...] = ()
    calls: tuple[Call, ...] = ()
    codes: tuple[str, str] = ("", "")
    notices: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    reason: str = ""
    by: str = ""

    def of(self, change: str) -> tuple[Row, ...]:
        """The rows of one word."""
        return tuple(r for r in self.rows if r.change == change)

    @property
    def urgent(self) -> bool:
        """True where a medicine cannot wait until tomorrow."""
        return any(m.need in URGENT for m in self.medicines)


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
    rows = difference(before.plan, decided.plan, before.state, decided, came)
    medicines = medicine_changes(before.plan, held, decided, as_of)
    rebook = _rebook(after, decided.plan, before, as_of, next_open)
    patient = after.plan.patient
    made = MovedPlan(
        patient=patient.name,
        identifier=str(patient.identifier),
        episode=after.plan.episode.number,
        pathway=after.plan.pathway.name,
        status=status,
        as_of=as_of,
        surgery_was=_surgery(before.plan),
        surgery=_surgery(after.plan),
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
    )
    return _with_calls(made, after, next_open) if status != "unchanged" else made


def _late(before: Before, after: After, rows: Sequence[Row], as_of: date) -> tuple[Row, ...]:
    """Open work whose last day was still ahead, and lies behind now: surgery came nearer."""
    was = {i.key: last_day(i) for i in before.plan.items}
    found = []
    for row in rows:
        state, old = after.state.items.get(row.item), was.get(row.item)
        if row.item.kind not in ("task", "question") or row.by is None or row.by >= as_of or (old and old < as_of):
            continue
        if state is None or state.cls in ("open", "busy"):
            found.append(row)
    return tuple(found)


def _surgery(plan: Plan) -> Moment | None:
    anchor = plan.anchor("surgery")
    return anchor.moment if anchor else None


def _codes(before: Before, after: After) -> tuple[str, str]:
    if refusal(after.plan, after.state) is not None:
        return "", ""
    old = check_code(before.plan, before.state, before.bookings)
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
        if item is None or booking.status not in _LIVE:
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


# calls


def _with_calls(made: MovedPlan, after: After, next_open: date) -> MovedPlan:
    from dataclasses import replace

    said: dict[tuple[str, bool], list[tuple[date, str]]] = {}
    for role, by, sentence in [
        *_about_medicines(made, next_open), *_to_the_patient(made, after), *_to_the_scheduler(made),
        *_overdue(made), *_again(made, next_open), *_conflicts(made, next_open),
    ]:  # fmt: skip
        said.setdefault((role, by <= made.as_of), []).append((by, sentence))
    calls = [
        _call(after.plan, role, min(by for by, _ in told), [sentence for _, sentence in sorted(told, key=_by)], made)
        for (role, _), told in said.items()
    ]
    return replace(made, calls=tuple(sorted(calls, key=lambda c: (c.by, not c.urgent, _rank(c.role), c.to))))


def _by(told: tuple[date, str]) -> date:
    return told[0]


def _rank(role: str) -> int:
    order = ("prescriber", "surgeon", "patient", "scheduler")
    return order.index(role) if role in order else len(order)


def _call(plan: Plan, role: str, by: date, say: Sequence[str], made: MovedPlan) -> Call:
    head = plan.letterhead
    urgent = made.urgent and by <= made.as_of and role in ("prescriber", "surgeon", "patient")
    title = head.roles.get(role) or role.replace("-", " ")
    telephone = "" if role == "patient" else head.telephone.get(role, "")
    return Call(title[:1].upper() + title[1:], role, telephone, by, tuple(dict.fromkeys(say)), urgent)


Said = tuple[str, date, str]


def _about_medicines(made: MovedPlan, next_open: date) -> Iterable[Said]:
    """The prescriber (or who else answers for a medicine), and the surgeon where a pause cannot be kept."""
    for change in made.medicines:
        sentence = medicine_sentence(change, made.surgery)
        if change.need == "stands":
            continue
        due = change.due or next_open
        today = change.need in URGENT or change.need == "stays stopped"
        yield change.who, made.as_of if today else max(made.as_of, min(due, _soon(made, next_open))), sentence
        if change.need == "cannot be met":
            yield "surgeon", made.as_of, sentence


def _soon(made: MovedPlan, next_open: date) -> date:
    """Answers are asked for on the next working day: a hold that lost its answer must not wait for its due day."""
    return max(next_open, made.as_of)


def medicine_sentence(change: MedicineChange, surgery: Moment | None) -> str:
    """What is said about one medicine to whom must decide, with every number that is known."""
    name, days = change.medicine, _count(change.days, "day")
    last = f"last dose {shown(change.last_dose)}" if change.last_dose else ""
    taken = f" Last dose recorded: {shown(change.last_taken)}." if change.last_taken else ""
    again = " The answer for the old date counts no more." if change.again else ""
    if change.need == "cannot be met":
        head = f"{name}: {days} without a dose cannot be kept; {change.possible} of {change.days} are still possible."
        ask = f"Earliest surgery that keeps {change.days}: {shown(change.earliest)}. Decide how to go on."
        assumed = "" if taken else f" No dose is recorded: counted from {shown(change.counted_from)}, ask for it."
        return f"{head}{taken}{assumed} {ask}{again}"
    if change.need == "stop today":
        when = "today" if surgery is None or change.last_dose is None else f"on {shown(change.last_dose)}"
        return f"{name}: proposed last dose is {when} ({days} without a dose). Say now whether it stops.{taken}{again}"
    if change.need == "ask about restart":
        ahead = f"the new {last}" if last else "no new last-dose day is proposed"
        ask = "Say today whether it restarts until then."
        return f"{name}: already stopped for the old date; {ahead}. {ask}{taken}{again}"
    if change.need == "stays stopped":
        ask = "which leaves no dose to take. Approve again or say otherwise."
        return f"{name}: already stopped; new {last}, {ask}{taken}{again}"
    if change.need == "no longer listed":
        return f"{name}: no longer on the list of medicines. Say whether it was stopped, and whether it still matters."
    if change.need == "ask":
        return f"{name}: no number of days is proposed. Decide whether and when it pauses for the new date.{taken}"
    verb = "approve again" if change.need == "approve again" else "still to be answered"
    return f"{name}: {verb}: {days} without a dose, new {last}.{taken}{again}"


def _count(number: int | None, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _to_the_patient(made: MovedPlan, after: After) -> Iterable[Said]:
    """What is read to the patient the same day. Nothing where nothing may be printed for the patient."""
    if refusal(after.plan, after.state) is not None:
        return
    today = made.as_of
    if made.surgery != made.surgery_was:
        yield "patient", today, f"Your surgery is now on {_moment(made.surgery)}. It was {_moment(made.surgery_was)}."
    for change in made.medicines:
        if change.need == "stands":
            continue
        if change.need in URGENT or change.need == "stays stopped":
            yield "patient", today, f"Ask: when was the last dose of {change.medicine}? Write it down."
        yield "patient", today, f"{change.medicine}: do not stop or start it until we call you."
    for one in made.rebook:
        yield "patient", today, f"{one.title}: the appointment on {_moment(one.booked)} will be changed; we call you."
    old, new = made.codes
    if old and new and old != new:
        said = f"Throw away the sheet with the code {old}. Your new sheet has the code {new}."
        yield "patient", today, f"{said} Read the new date back to me, please."


def _to_the_scheduler(made: MovedPlan) -> Iterable[Said]:
    for one in made.rebook:
        wanted = f"book it from {one.window}" if one.reason != "no longer in the plan" else "it is not needed any more"
        yield "scheduler", one.by, f"{one.title}: booked on {_moment(one.booked)}, {one.reason}; {wanted}."


def titled(row: Row) -> str:
    """The title, with the name of its occurrence where the item has several."""
    return f"{row.title} ({row.item.occurrence})" if row.item.occurrence else row.title


def _overdue(made: MovedPlan) -> Iterable[Said]:
    for row in made.late:
        said = f"{titled(row)}: was due on {shown(row.by)} for the new date. Do it today, or say what is given up."
        yield "coordinator" if _at_home(row.who) else row.who, made.as_of, said


def _at_home(who: str) -> bool:
    return not who or any(word in who.lower() for word in _PEOPLE_AT_HOME if word)


def _again(made: MovedPlan, next_open: date) -> Iterable[Said]:
    """Work of others that must be done again. The patient's own stands on the new sheet."""
    for row in made.of("again"):
        if _at_home(row.who) or row.item.kind in ("gate", "visit") or row in made.late:
            continue
        by = max(made.as_of, row.by) if row.by else next_open
        yield row.who, by, f"{titled(row)}: do it again ({row.reason}), by {shown(by)}."


def _conflicts(made: MovedPlan, next_open: date) -> Iterable[Said]:
    for row in made.of("conflict"):
        yield "coordinator", next_open, f"Decide about {titled(row)}: {row.reason}."


def _moment(moment: Moment | None) -> str:
    if moment is None:
        return "a day that is not known"
    return f"{shown(moment.day)}{f' {moment.clock:%H:%M}' if moment.clock else ''}"


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
        "medicines": [_medicine_json(m, one.surgery) for m in one.medicines],
        "calls": [
            {"to": c.to, "role": c.role, "telephone": c.telephone, "by": c.by.isoformat(), "say": list(c.say),
             "urgent": c.urgent}
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


def _medicine_json(change: MedicineChange, surgery: Moment | None) -> dict[str, Any]:
    days: Mapping[str, date | None] = {
        "last_dose_was": change.last_dose_was, "last_dose": change.last_dose, "first_missed": change.first_missed,
        "last_taken": change.last_taken, "earliest_surgery": change.earliest,
        "counted_from": change.counted_from,
    }  # fmt: skip
    return {
        "item": str(change.item), "medicine": change.medicine, "need": change.need, "who": change.who,
        "answered_before": change.again, "missed_days": change.days, "possible_days": change.possible,
        "stopped": change.is_stopped, **{name: day.isoformat() if day else None for name, day in days.items()},
        "say": medicine_sentence(change, surgery) if change.need != "stands" else "",
    }  # fmt: skip


def _text(moment: Moment | None) -> str | None:
    return str(moment) if moment else None


__all__ = [
    "After", "Before", "Call", "Evidence", "Key", "MovedPlan", "Rebook", "Status", "medicine_sentence", "move_json",
    "moved_plan", "titled",
]  # fmt: skip
