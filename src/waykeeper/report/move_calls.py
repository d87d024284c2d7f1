"""The calls of one moved plan: whom, by when, in which order, with which words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from waykeeper.merge.difference import shown
from waykeeper.merge.medicine_changes import MedicineChange
from waykeeper.plan.model import Plan
from waykeeper.report.move_words import (
    dose_question,
    medicine_sentence,
    patient_sentence,
    stopped_already,
    too_late_together,
)
from waykeeper.report.moved import NEAR, Call, MovedPlan, titled
from waykeeper.timing.model import Moment

_PEOPLE_AT_HOME = ("patient", "family", "helper", "caregiver")
_CLOSED = "WKL106"  # surgery on a day on which the clinic is closed
_SECOND = "patient, second call"  # what was decided, once it is
_ORDER = ("scheduler", "patient", "prescriber", "surgeon", _SECOND)
Said = tuple[str, date, str]


def calls_of(made: MovedPlan, plan: Plan, printable: bool) -> tuple[Call, ...]:
    """Every call once, in the order in which they are made: by day, then what another call needs first.

    printable   False where nothing may be printed, or said, to the patient
    """
    said: dict[str, list[tuple[date, str]]] = {}
    for role, by, sentence in [
        *_closed_day(made), *_old_day_over(made), *(_to_the_patient(made, plan) if printable else ()),
        *_about_medicines(made), *_lost(made), *_to_the_scheduler(made), *_overdue(made), *_again(made),
        *_conflicts(made),
    ]:  # fmt: skip
        said.setdefault(role, []).append((by, sentence))
    calls = [(role, _call(made, plan, role, sorted(told, key=lambda one: one[0]))) for role, told in said.items()]
    return tuple(call for _, call in sorted(calls, key=lambda one: (one[1].by, _rank(one[0], made), one[1].to)))


def _rank(role: str, made: MovedPlan) -> int:
    """Whether surgery took place comes before all; the desk early where the day is in doubt, else after medicines."""
    if role == "coordinator" and _is_over(made):
        return -1
    if role == "scheduler" and not _closed(made):
        return len(_ORDER)
    return _ORDER.index(role) if role in _ORDER else len(_ORDER) + 1


def _call(made: MovedPlan, plan: Plan, role: str, told: Sequence[tuple[date, str]]) -> Call:
    head, by = plan.letterhead, told[0][0]
    say = [sentence if day <= by else f"{sentence} (By {shown(day)}.)" for day, sentence in told]
    urgent = made.urgent and by <= made.as_of and role in ("prescriber", "surgeon", "patient")
    title = head.roles.get(role) or role.replace("-", " ")
    telephone = "" if role in ("patient", _SECOND) else head.telephone.get(role, "")
    again = role == _SECOND
    return Call(
        title[:1].upper() + title[1:], "patient" if again else role, telephone, by, tuple(dict.fromkeys(say)), urgent,
        _note(made, role), again,
    )  # fmt: skip


def _note(made: MovedPlan, role: str) -> str:
    asked = bool(made.open_medicines)
    if role == "patient":
        after = "after the day is confirmed, and " if _closed(made) else ""
        return f"Call {after}before the prescriber: the answer needs the last dose." if asked else ""
    if role == "scheduler" and _closed(made):
        return "Call first: the patient is told the new day when it is confirmed."
    if role == "prescriber" and asked:
        return "Call with the patient's last doses at hand."
    if role == _SECOND:
        stands = " and the surgeon has said whether the day stands" if _short(made) else ""
        return f"Call when the answers are there{stands}."
    return ""


def _closed(made: MovedPlan) -> bool:
    return any(f.code == _CLOSED for f in made.findings)


def _closed_day(made: MovedPlan) -> Iterable[Said]:
    if _closed(made):
        said = f"Surgery is on {moment_of(made.surgery)}, a day on which the clinic is closed by its own calendar."
        ask = "Is the theatre really open then? Confirm the day, or name another one."
        yield "scheduler", made.as_of, f"{said} {ask}"


def _old_day_over(made: MovedPlan) -> Iterable[Said]:
    """Moved after its day: whoever knows says whether surgery took place, before anything else is believed."""
    was = made.surgery_was
    if was is not None and _is_over(made):
        said = f"The old date, {moment_of(was)}, is over already. Make sure that no surgery took place on it,"
        yield "coordinator", made.as_of, f"{said} and ask what the patient has stopped for it."


def _is_over(made: MovedPlan) -> bool:
    was = made.surgery_was
    return was is not None and made.surgery != was and was.day < made.as_of


def _short(made: MovedPlan) -> list[MedicineChange]:
    """The medicines whose pause does not fit before the new day."""
    return [m for m in made.medicines if m.need == "cannot be met"]


def _lost(made: MovedPlan) -> Iterable[Said]:
    """A stay or another day that a person had given: nobody has given it for the new date."""
    near = made.surgery is not None and made.surgery.day <= made.as_of + timedelta(days=NEAR)
    for name, was, now in made.lost:
        given = f"{name.capitalize()} was given as {moment_of(was)}{_nights(made.surgery_was, was)} for the old date."
        assumed = f"only {moment_of(now)}{_nights(made.surgery, now)} is assumed" if now else "none is known"
        by = made.as_of if near else made.next_open or made.as_of
        yield "surgeon", by, f"{given} For the new date {assumed}: say which day holds; tell the ward and the helper."


def _nights(surgery: Moment | None, end: Moment | None) -> str:
    if surgery is None or end is None:
        return ""
    nights = (end.day - surgery.day).days
    return f" ({nights} {'night' if nights == 1 else 'nights'})" if nights >= 0 else ""


def _about_medicines(made: MovedPlan) -> Iterable[Said]:
    """The prescriber (or who else answers for a medicine), and the surgeon where a pause cannot be kept."""
    for change in made.open_medicines:
        yield change.who, made.answer_by(change), medicine_sentence(change, made.surgery)
    for who in dict.fromkeys(m.who for m in made.open_medicines):
        yield who, made.as_of, stopped_already([m for m in made.open_medicines if m.who == who])
    if short := _short(made):
        yield "surgeon", made.as_of, too_late_together(short, made.surgery)


def _to_the_patient(made: MovedPlan, plan: Plan) -> Iterable[Said]:
    """What is read to the patient the same day."""
    today = made.as_of
    if made.surgery != made.surgery_was:
        yield "patient", today, _new_day(made)
        yield from (("patient", today, said) for said in _what_else(made, plan))
    if made.open_medicines:
        yield "patient", today, dose_question(made.open_medicines)
        yield "patient", today, patient_sentence(made.open_medicines)
        for by in sorted({made.answer_by(m) for m in made.open_medicines}):
            names = ", ".join(m.medicine for m in made.open_medicines if made.answer_by(m) == by)
            yield "patient", today, f"We call you again about {names} by {shown(by)}."
            yield _SECOND, by, f"Say what was decided about {names}, and from which day."
        if _short(made):
            yield _SECOND, today, f"Say whether {moment_of(made.surgery)} stands."
    for one in made.rebook:
        yield "patient", today, f"{one.title}: the appointment on {moment_of(one.booked)} will be changed; we call you."
    old, new = made.codes
    if new and old != new:
        gone = f"the sheet with the code {old}, and any older one" if old else "every older sheet"
        said = f"Throw away {gone}. Your new sheet has the code {new}."
        back = "the new date" if made.surgery != made.surgery_was else "the new code"
        yield "patient", today, f"{said} Read {back} back to me, please."


def _new_day(made: MovedPlan) -> str:
    """The new day; where a pause does not fit before it, that it is not settled."""
    day, was = moment_of(made.surgery), moment_of(made.surgery_was)
    if not _short(made):
        return f"Your surgery is now on {day}. It was {was}."
    ask = "The surgeon still has to say whether that day can stand, because of your medicines: we call you again."
    return f"Your surgery is planned for {day}. It was {was}. {ask}"


def _what_else(made: MovedPlan, plan: Plan) -> Iterable[str]:
    if made.arrival is not None and made.arrival.clock is not None:
        yield f"Come to the clinic on {moment_of(made.arrival)}, that is before the time of surgery."
    if any(item.key.item == "driver" for item in plan.items):
        yield "Ask whoever drives you, and your helper at home, about the new days; tell us if they can not."


def _to_the_scheduler(made: MovedPlan) -> Iterable[Said]:
    for one in made.rebook:
        wanted = f"book it from {one.window}" if one.reason != "no longer in the plan" else "it is not needed any more"
        yield "scheduler", one.by, f"{one.title}: booked on {moment_of(one.booked)}, {one.reason}; {wanted}."


def _overdue(made: MovedPlan) -> Iterable[Said]:
    for row in made.late:
        said = f"{titled(row)}: for the new date it was due by {shown(row.by)}. Late: do it now, or write down why not."
        yield "coordinator" if _at_home(row.who) else row.who, made.as_of, said


def _at_home(who: str) -> bool:
    return not who or any(word in who.lower() for word in _PEOPLE_AT_HOME)


def _again(made: MovedPlan) -> Iterable[Said]:
    """Work of others that must be done again. The patient's own stands on the new sheet."""
    for row in made.of("again"):
        if _at_home(row.who) or row.item.kind in ("gate", "visit") or row in made.late:
            continue
        by = max(made.as_of, row.by) if row.by else made.next_open or made.as_of
        yield row.who, by, f"{titled(row)}: do it again ({row.reason}), by {shown(by)}."


def _conflicts(made: MovedPlan) -> Iterable[Said]:
    for row in made.of("conflict"):
        yield "coordinator", made.next_open or made.as_of, f"Decide about {titled(row)}: {row.reason}."


def moment_of(moment: Moment | None) -> str:
    """`Wed 2026-03-18 07:30`; words where nothing is known."""
    if moment is None:
        return "a day that is not known"
    return f"{shown(moment.day)}{f' {moment.clock:%H:%M}' if moment.clock else ''}"
