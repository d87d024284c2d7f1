"""The month in figures: numerators and denominators, each listed by case. Rates of fewer than ten are not given."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache
from importlib.resources import files
from statistics import quantiles
from typing import Any, cast

import yaml

from waykeeper.counting import counted
from waykeeper.gaps.model import Row
from waykeeper.gaps.setting import Setting, happened_on, setting
from waykeeper.gaps.words import written
from waykeeper.gaps.worklist import by_plan
from waykeeper.medicines import unclear
from waykeeper.plan.holds import answer_in_force, last_dose_of, pauses, taken_inside
from waykeeper.plan.model import Contact, Evidence, Item, Plan, State
from waykeeper.record.local_times import day_of

SMALLEST = 10  # a rate of fewer is noise, and may name a person (small-number rule: common practice, no source)
_YEAR = 12  # months
_LOST = 14  # months: who was operated on in the 12th to the 14th month before this one
_FORMS_BEFORE, _FORMS_AFTER = 90, (300, 425)  # days; CMS patient-reported outcome measure for hip and knee
_FEW = 2  # values from which quartiles can be told


@dataclass(frozen=True, slots=True)
class Case:
    """One case of a denominator. `counted` = also of the numerator; `value` where the measure is a number of days."""

    patient: str
    identifier: str
    episode: int
    item: str
    counted: bool
    why: str
    value: int | None = None


@dataclass(frozen=True, slots=True)
class Measure:
    """One figure of the month.

    left_out      cases that the denominator would have, and why they are not in it
    rolling       numerator and denominator of this month and the two before it together; of this month alone where the
                  measure looks at one day (what is overdue would count three times)
    """

    name: str
    title: str
    cases: tuple[Case, ...]
    left_out: tuple[Case, ...] = ()
    rolling: tuple[int, int] = (0, 0)

    @property
    def numerator(self) -> int:
        """How many cases count."""
        return sum(c.counted for c in self.cases)

    @property
    def denominator(self) -> int:
        """How many cases there are."""
        return len(self.cases)

    @property
    def rate(self) -> float | None:
        """Per cent, None where fewer than ten cases make a rate meaningless, and for days."""
        return _rate(self.numerator, self.denominator) if all(c.value is None for c in self.cases) else None

    @property
    def rolling_rate(self) -> float | None:
        """Per cent over three months, None where there are fewer than ten cases or the measure is days."""
        return _rate(*self.rolling) if all(c.value is None for c in self.cases) else None

    @property
    def quartiles(self) -> tuple[float, float, float] | None:
        """Lower quartile, median, upper quartile of the values, None where there are none."""
        values = sorted(c.value for c in self.cases if c.value is not None)
        if len(values) < _FEW:
            return (float(values[0]),) * 3 if values else None
        low, middle, high = quantiles(values, n=4, method="inclusive")
        return low, middle, high


def _rate(part: int, whole: int) -> float | None:
    return round(100 * part / whole, 1) if whole >= SMALLEST else None


@dataclass(frozen=True, slots=True)
class _Followed:
    """One plan at the month's end, with its rows by item; `contacts` of all plans of its patient."""

    on: Setting
    rows: Mapping[str, Row]
    contacts: tuple[Contact, ...] = ()

    @property
    def plan(self) -> Plan:
        return self.on.plan

    def happened(self, name: str) -> date | None:
        """The day of an anchor that is proven, else None."""
        anchor = self.plan.anchor(name)
        if anchor is None or anchor.moment is None:
            return None
        day = happened_on(anchor, self.on.state)
        return day if day is not None and day <= self.on.as_of else None

    def needed(self, item: Item) -> bool:
        """False for what was not needed. A patient who died or left after it was needs it no less."""
        own = self.on.of(item)
        return self.rows[str(item.key)].verdict != "excused" or (bool(self.on.ended) and own.cls != "withdrawn")

    def items(self, *names: str, kinds: tuple[str, ...] = ("task", "visit")) -> list[Item]:
        return [i for i in self.plan.items if i.key.kind in kinds and i.key.item in names]

    def case(self, counted: bool, why: str, item: str = "", value: int | None = None) -> Case:
        who = self.plan.patient
        return Case(who.name, str(who.identifier), self.plan.episode.number, item, counted, why, value)


@dataclass(frozen=True, slots=True)
class _Month:
    first: date
    last: date

    def holds(self, day: date | None) -> bool:
        return day is not None and self.first <= day <= self.last

    def before(self, months: int = 1) -> _Month:
        before = month_of(self.first - timedelta(days=1))
        return before.before(months - 1) if months > 1 else before


def month_of(day: date) -> _Month:
    """The month of a day."""
    return _Month(day.replace(day=1), day.replace(day=monthrange(day.year, day.month)[1]))


_Found = Iterator[tuple[bool, Case]]  # False = left out
_Count = Callable[[_Followed, _Month], _Found]
_NO_DAY = "no day is recorded"
# What a status of a day after the month's end was at its end: still ahead.
_THEN = {"appointment": "booked", "encounter": "planned"}
_CAME_OR_NOT = frozenset({"arrived", "checked-in", "fulfilled", "noshow", "in-progress", "triaged", "finished"})


def _not_proven(one: _Followed) -> Case | None:
    """The case of a plan in force whose operation nothing proves; None where it is proven, or there is to be none."""
    planned = one.on.surgery
    if one.happened("surgery") is not None or planned is None or one.on.ended:
        return None
    return one.case(False, f"nothing proves the operation of {written(planned)}")


def _operated(one: _Followed, month: _Month) -> tuple[date | None, Case | None]:
    """The day of a proven operation of the month; or a case that is left out because nothing proves it."""
    if not month.holds(one.on.surgery):
        return None, None
    return one.happened("surgery"), _not_proven(one)


def _done_on(one: _Followed, item: Item) -> date | None:
    """The day on which an item was done or attended, as the report has it; an excused item is none."""
    own, row = one.on.of(item), one.rows[str(item.key)]
    if item.key.kind == "visit":
        return row.attended
    return own.done_on if own.cls == "done" and row.verdict.startswith("done") else None


def _by_day(names: Sequence[str], days_before: int, enough: Callable[[list[bool]], bool]) -> _Count:
    """What was done by a day before surgery. `enough`: `all` of several, or `any`."""

    def found(one: _Followed, month: _Month) -> _Found:
        day, unproven = _operated(one, month)
        planned = one.items(*names)
        wanted = [i for i in planned if one.needed(i)]
        if unproven and wanted:
            yield False, unproven
        if day is not None and planned and not wanted and one.on.ended:
            yield False, one.case(False, one.on.ended)
        if day is None or not wanted:
            return
        limit = day - timedelta(days=days_before)
        done = [_done_on(one, i) for i in wanted]
        said = f"on {written(max(d for d in done if d))}, by {written(limit)} wanted" if any(done) else _NO_DAY
        yield True, one.case(enough([d is not None and d <= limit for d in done]), said, str(wanted[0].key))

    return found


def _holds(one: _Followed, month: _Month) -> _Found:
    day, unproven = _operated(one, month)
    flagged = [i for i in one.plan.items if i.hold and (i.key.kind == "hold" or i.hold.decision == "ask")]
    flagged = [i for i in flagged if one.needed(i)]
    if unproven and flagged:
        yield False, unproven
    if day is None or not flagged:
        return
    late = []
    for item in flagged:
        answer, due = answer_in_force(item, one.on.of(item)), item.dates.due_from
        if answer is None or unclear(answer) or answer.on is None or (due is not None and answer.on > due):
            late.append(item.title)
    yield True, one.case(not late, f"late or unanswered: {'; '.join(late)}" if late else f"{len(flagged)} answered")


def _doses(one: _Followed, month: _Month) -> _Found:
    day, unproven = _operated(one, month)
    paused = [i for i in one.plan.items if i.hold and _pausing(one, i)]
    if unproven and paused:
        yield False, unproven
    if day is None or not paused:
        return
    taken = [i.title for i in paused if _inside(one, i, day)]
    yield True, one.case(bool(taken), "; ".join(taken) or "no dose inside a hold is recorded")


def _pausing(one: _Followed, item: Item) -> bool:
    answer = answer_in_force(item, one.on.of(item))
    return answer is not None and pauses(answer)


def _inside(one: _Followed, item: Item, surgery: date) -> bool:
    own = one.on.of(item)
    answer = answer_in_force(item, own)
    if answer is None:
        return False
    return taken_inside(item.hold, own.last_taken or answer.last_taken, last_dose_of(answer, surgery), surgery)


def _discharged(one: _Followed, month: _Month) -> tuple[date | None, Case | None]:
    """The day of a proven discharge of the month; or a case that is left out, and why."""
    anchor, surgery = one.plan.anchor("discharge"), one.happened("surgery")
    planned = anchor.moment.day if anchor is not None and anchor.moment is not None else None
    if planned is None or not month.holds(planned):
        return None, None
    home = one.happened("discharge")
    if home is None:
        return None, None if one.on.ended else one.case(False, f"nothing proves the discharge of {written(planned)}")
    if surgery is not None and home < surgery:
        return None, one.case(False, f"discharged {written(home)}, before the operation of {written(surgery)}")
    return home, None


def _reached(one: _Followed, month: _Month) -> _Found:
    home, unproven = _discharged(one, month)
    if unproven:
        yield False, unproven
    if home is None:
        return
    if home + timedelta(days=3) > one.on.as_of:
        yield False, one.case(False, f"discharged {written(home)}: the three days are not over")
        return
    tried = [c for c in one.contacts if 0 < (c.on - home).days <= 3]
    live = [c for c in tried if c.reached]
    said = counted(len(tried), "attempt") if tried else "no attempt is recorded"
    yield True, one.case(bool(live), f"discharged {written(home)}, {said}")


def _visits(one: _Followed, first: date, counts: Callable[[Row], bool]) -> _Found:
    """Visits after surgery whose window closed between a day and the month's end, without excused ones.

    One before surgery is no follow-up: whether it was kept shows at the surgery itself.
    """
    surgery, unproven = one.on.surgery, _not_proven(one)
    if surgery is None or (unproven is None and one.happened("surgery") is None):
        return
    for row in one.rows.values():
        if row.kind != "visit" or row.window_end is None or row.verdict == "excused" or row.window_end <= surgery:
            continue
        if first <= row.window_end <= one.on.as_of:
            if unproven:
                yield False, replace(unproven, item=row.item)
            else:
                yield True, one.case(counts(row), f"{row.verdict}: {row.reason}", row.item)


def _kept(one: _Followed, month: _Month) -> _Found:
    return _visits(one, month.first, lambda row: row.verdict == "attended")


def _overdue(one: _Followed, month: _Month) -> _Found:
    return _visits(one, month.before(_YEAR - 1).first, lambda row: not row.verdict.startswith("attended"))


def _long_ago(one: _Followed, surgery_in: Callable[[date], bool]) -> tuple[date | None, Case | None]:
    """The day of an operation of long ago whose patient lives; or a case that is left out, and why."""
    surgery = one.on.surgery
    if surgery is None or not surgery_in(surgery):
        return None, None
    if one.on.died and one.happened("surgery") is not None:
        return None, one.case(False, one.on.ended)
    return one.happened("surgery"), _not_proven(one)


def _forms(one: _Followed, month: _Month) -> _Found:
    day, out = _long_ago(one, lambda day: month.holds(day + timedelta(days=_FORMS_AFTER[1])))
    if out:
        yield False, out
    if day is None:
        return
    before = [_done_on(one, i) for i in one.items("outcome-before")]
    after = [_done_on(one, i) for i in one.items("outcome-year")]
    first = any(d is not None and 0 <= (day - d).days <= _FORMS_BEFORE for d in before)
    second = any(d is not None and _FORMS_AFTER[0] <= (d - day).days <= _FORMS_AFTER[1] for d in after)
    said = f"before {'there' if first else 'missing'}, after {'there' if second else 'missing'}"
    yield True, one.case(first and second, said)


def _lost(one: _Followed, month: _Month) -> _Found:
    first, last = month.before(_LOST).first, month.before(_YEAR).last
    day, out = _long_ago(one, lambda day: first <= day <= last)
    if out:
        yield False, out
    if day is None:
        return
    gone = [r for r in one.rows.values() if r.lost]
    yield True, one.case(bool(gone), gone[0].reason if gone else "not lost")


def _stay(one: _Followed, month: _Month) -> _Found:
    home, out = _discharged(one, month)
    day = one.happened("surgery")
    out = out or (_not_proven(one) if home is not None else None)
    if out:
        yield False, out
    if home is None or day is None:
        return
    yield True, one.case(True, f"{written(day)} to {written(home)}", value=(home - day).days)


_COUNTED: Mapping[str, _Count] = {
    "class-attendance": _by_day(("joint-class", "class"), 1, any),
    "clearance-in-time": _by_day(("clearance-received", "heart-clearance"), 14, all),
    "holds-in-time": _holds,
    "doses-inside-holds": _doses,
    "call-reached": _reached,
    "kept-in-window": _kept,
    "overdue-at-month-end": _overdue,
    "forms-complete": _forms,
    "lost-to-follow-up": _lost,
    "length-of-stay": _stay,
}


@cache
def definitions() -> Mapping[str, Mapping[str, Any]]:
    """What each measure counts, from measures.yaml: title, numerator, denominator, note."""
    text = (files("waykeeper.gaps") / "measures.yaml").read_text("utf-8")
    return cast("dict[str, dict[str, Any]]", yaml.safe_load(text))


# What the usual list asks and this record cannot say; printed, so that nobody takes silence for zero.
NOT_MEASURED = (
    "late cancellation (the reason and the hour are not in the record)", "first case on time (theatre times)",
    "discharge home (destination)", "emergency visits and readmissions in 30 days", "infections in 30 and 90 days",
    "clots in 90 days", "opioids at discharge, refills, naloxone",
)  # fmt: skip


def measures(plans: Iterable[tuple[Plan, State]], evidence: Iterable[Evidence], month: date) -> tuple[Measure, ...]:
    """The figures of a month, as the record says them at its end; each case of each denominator is listed.

    month   any day of it; what was recorded since the month's end counts, what happened since does not
    """
    pairs, found = list(plans), list(evidence)
    wanted = month_of(month)
    of_month = {n: _counted(pairs, found, m) for n, m in enumerate((wanted, wanted.before(), wanted.before().before()))}
    made = []
    for name, said in definitions().items():
        whole = [of_month[n][name] for n in of_month if n == 0 or not said.get("snapshot")]
        rolling = (sum(m.numerator for m in whole), sum(m.denominator for m in whole))
        made.append(replace(whole[0], title=said["title"], rolling=rolling))
    return tuple(made)


def _of_then(plan: Plan, state: State, last: date) -> tuple[Plan, State]:
    """A plan as it stood at the month's end: who died later had not died, and the figures of a month stay what they
    were. (The list asks otherwise: no letter goes to somebody who is dead by now.)"""
    died = state.deceased_on or day_of(plan.patient.deceased)
    if died is None or died <= last:
        return plan, state
    return (
        replace(plan, patient=replace(plan.patient, deceased="")),
        replace(state, deceased_on=None, deceased=False),
    )


def _ahead(part: Evidence, last: date) -> Evidence:
    """A source as it stood at the month's end: what came of it later is no contradiction of that day."""
    later = part.day is not None and part.day > last
    return replace(part, status=_THEN[part.kind]) if later and part.status in _CAME_OR_NOT else part


def _counted(pairs: Sequence[tuple[Plan, State]], found: Sequence[Evidence], month: _Month) -> dict[str, Measure]:
    pairs = [_of_then(plan, state, month.last) for plan, state in pairs]
    found = [_ahead(part, month.last) for part in found]
    followed = [
        _Followed(setting(plan, state, month.last), {row.item: row for row in rows}, contacts)
        for plan, state, rows, contacts in by_plan(pairs, found, month.last)
    ]
    made = {}
    for name, count in _COUNTED.items():
        cases = [c for one in followed for c in count(one, month)]
        inside = tuple(sorted((c for counts, c in cases if counts), key=lambda c: (c.patient, c.identifier, c.item)))
        out = tuple(sorted((c for counts, c in cases if not counts), key=lambda c: (c.patient, c.identifier)))
        made[name] = Measure(name, name, inside, out)
    return made
