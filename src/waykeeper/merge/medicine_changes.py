"""What a moved surgery means for each medicine: who must stop today, who may start again, whose pause is too short.

Days are counted as everywhere: `missed_days: N` = no dose on day -N .. -1 nor on day 0 before surgery.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Literal

from waykeeper.medicines import same_medicine, settles, speaks_for
from waykeeper.merge.held import Holding
from waykeeper.merge.model import Decisions
from waykeeper.merge.rounds import FOR_ANOTHER_ANAESTHETIC
from waykeeper.merge.stopped import Stopped, answered_last_dose, last_taken, stopped
from waykeeper.plan.model import MEDICINES, HoldProposal, Item, Key, Plan
from waykeeper.plan.unlisted import again, settled, unlisted
from waykeeper.timing.model import Moment

Need = Literal[
    "cannot be met",  # the pause that is proposed does not fit any more, whatever is done from today on
    "stop today",  # the last dose is today, or today's dose must not be taken
    "ask about restart",  # stopped for the old day, and days are left in which it could be taken again
    "stays stopped",  # stopped for the old day, and nothing is to be taken before the new one
    "approve again",  # answered for the old day; the new days wait for the prescriber
    "answer",  # never answered
    "ask",  # no number of days is proposed: the prescriber decides
    "unanswered",  # no answer stands for this surgery, and its day is past: no pause can be kept any more
    "no longer listed",  # not on the list of medicines any more
    "stands",  # continue and the like: does not depend on the day; or paused as it was answered for a day that stays
]
URGENT: tuple[Need, ...] = ("cannot be met", "stop today", "ask about restart")
ORDER: tuple[Need, ...] = (
    "cannot be met", "stop today", "ask about restart", "stays stopped", "unanswered", "ask", "approve again", "answer",
    "no longer listed", "stands",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class MedicineChange:
    """One medicine, before and after.

    again            it was answered for an earlier day: that answer stays as history and counts no more
    earlier          that was before another move: not for the day that stood last, maybe for this very one
    fewer            it was answered for another anaesthetic, with fewer days than are proposed for this one
    days             missed days that are proposed now (the answered number, where there was one)
    possible         missed days that can still be kept, None where nothing is short
    earliest         the first surgery day that would keep the proposed number
    counted_from     the dose from which both are counted: recorded, or assumed where nobody recorded one
    last_dose_was    its last-dose day before, as it was answered, else as proposed; `last_dose` now, `first_missed` now
    recorded_later   a recorded dose that lies after the day on which people are told: no dose, an error of the record
    sooner           the surgery moved to an earlier day: nobody is asked about a restart
    renamed          the list names it by another id than before: recognised by its words
    asks             what is asked of the prescriber now and was not before, as where a kidney value came since
    """

    item: Key
    title: str
    medicine: str
    need: Need
    again: bool = False
    days: int | None = None
    possible: int | None = None
    earliest: date | None = None
    counted_from: date | None = None
    last_dose_was: date | None = None
    last_dose: date | None = None
    first_missed: date | None = None
    last_taken: date | None = None
    is_stopped: bool = False
    due: date | None = None
    who: str = "prescriber"
    recorded_later: date | None = None
    sooner: bool = False
    renamed: bool = False
    earlier: bool = False
    fewer: bool = False
    asks: tuple[str, ...] = ()


def medicine_changes(old: Plan, held: Holding, decided: Decisions, today: date) -> tuple[MedicineChange, ...]:
    """A row for each medicine of either plan, the most urgent first.

    held      what stood before; `decided` what the merge of the new plan decided
    today     the day on which people are told
    """
    new = decided.plan
    begun = {d.item: d.reason for d in decided.rows if d.word == "create" and d.round > 1}
    pauses = {one.item.key: one for one in stopped(held, today) if not one.words and one.how != "ahead"}
    now = {i.key: i for i in new.items if i.key.kind in MEDICINES}
    was = {i.key: i for i in old.items if i.key.kind in MEDICINES and not _gone_before(held, old, i)}
    surgery, earlier = new.anchor("surgery"), old.anchor("surgery")
    day, day_was = surgery.moment if surgery else None, earlier.moment if earlier else None
    days = (day.day, day_was.day) if day and day_was else None
    case = _Case(held, pauses, begun, day, today, bool(days and days[0] < days[1]), bool(days and days[0] == days[1]))
    others = {k for k, i in was.items() if k in now and not _same(i, now[k])}  # another medicine under the same order
    left = {k: i for k, i in was.items() if k not in now}
    renamed = {other.key: k for k, i in left.items() if (other := again(i, _new_rows(now, was)))}
    rows = [_row(case, was.get(renamed.get(k, k)), now[k]) for k in now if k not in others]
    rows += [_row(replace(case, pauses={}), None, now[k], told=False) for k in now if k in others]
    rows += [_row(case, i, None) for k, i in (left | {k: was[k] for k in others}).items() if k not in renamed.values()]
    return tuple(sorted(rows, key=lambda r: (ORDER.index(r.need), r.last_dose or date.max, str(r.item))))


def _same(before: Item, after: Item) -> bool:
    return before.hold is None or after.hold is None or same_medicine(before.hold.medicine, after.hold.medicine)


def _new_rows(now: Mapping[Key, Item], was: Mapping[Key, Item]) -> list[Item]:
    return [i for k, i in now.items() if k not in was]


def _gone_before(held: Holding, old: Plan, item: Item) -> bool:
    """Withdrawn before this move, and nobody is asked about it any more."""
    state = held.state.items.get(item.key)
    if state is None or unlisted(item, old, held.state):
        return False
    return (state.cls in ("withdrawn", "void") and state.withdrawn_by_us) or settled(state)


@dataclass(frozen=True, slots=True)
class _Case:
    held: Holding
    pauses: Mapping[Key, Stopped]
    begun: Mapping[str, str]
    surgery: Moment | None
    today: date
    sooner: bool
    same_day: bool


def _row(case: _Case, before: Item | None, after: Item | None, *, told: bool = True) -> MedicineChange:
    """One row. `told` False: what is recorded under its key is of another medicine."""
    item = after or before
    assert item is not None
    hold, earlier = item.hold, before.hold if before else None
    known = before.key if before else item.key  # what is recorded stands under the id that the list had before
    state = case.held.state.items.get(known) if told else None
    answer = (state.answer or state.earlier) if state else None
    if answer is not None and hold is not None and not speaks_for(answer, (earlier or hold).medicine):
        answer = None
    asked_since = state is not None and state.answer is None  # the round that stands was never answered
    rounds = case.held.rounds_about(known, (earlier or hold).medicine) if hold is not None else None
    taken = last_taken(case.held, known, rounds) if told else None
    later = taken.day if taken and taken.day > case.today else None
    said = answered_last_dose(case.held, before, rounds, earlier) if told and before is not None else None
    base = MedicineChange(
        item.key,
        item.title,
        hold.words if hold else item.title,
        "no longer listed",
        again=answer is not None and (str(item.key) in case.begun or known != item.key or asked_since),
        earlier=answer is not None and asked_since,
        fewer=case.begun.get(str(item.key)) == FOR_ANOTHER_ANAESTHETIC,
        days=hold.missed_days if hold else None,
        last_dose_was=said or (earlier.last_dose if earlier else None),
        last_taken=taken.day if taken and not later else None,
        who=item.who or "prescriber",
        is_stopped=known in case.pauses and not later,
        recorded_later=later,
        sooner=case.sooner,
        renamed=known.item != item.key.item,
        asks=_new_questions(earlier, hold) if earlier is not None and hold is not None and after is not None else (),
    )
    if after is None or hold is None:
        return base
    base = replace(base, last_dose=hold.last_dose, first_missed=hold.first_missed, due=item.dates.due_from)
    return _judged(case, base, after)


def _new_questions(before: HoldProposal, after: HoldProposal) -> tuple[str, ...]:
    asked = before.question.split("; ")
    return tuple(one for one in after.question.split("; ") if one and one not in asked)


def _judged(case: _Case, row: MedicineChange, item: Item) -> MedicineChange:
    hold = item.hold
    answer = hold.answered if hold else None
    dated = row.days is not None and row.last_dose is not None and case.surgery is not None
    proposed = not dated and answer is None and hold is not None and hold.recognised and hold.decision != "ask"
    settled = proposed or settles(answer)
    if case.surgery is not None and case.surgery.day < case.today:  # what is paused asks for its restart on the list
        return replace(row, need="stands" if settled and not row.again else "unanswered")
    if row.days is None or hold is None or case.surgery is None or row.last_dose is None:
        begun: Need = "stays stopped" if case.sooner else "ask about restart"
        return replace(row, need=begun if row.is_stopped else "stands" if settled else "ask")
    short = _short(case, row)
    if short is not None:
        possible, last = short
        earliest = last + timedelta(days=row.days + 1)
        return replace(row, need="cannot be met", possible=possible, earliest=earliest, counted_from=last)
    if row.is_stopped:
        ahead = row.last_dose > case.today and not case.sooner
        if not ahead and case.same_day and settles(answer) and not row.again:
            return replace(row, need="stands")  # it is paused as somebody said for this very day
        return replace(row, need="ask about restart" if ahead else "stays stopped")
    if row.last_dose <= case.today <= case.surgery.day:
        return replace(row, need="stop today")
    return replace(row, need="approve again" if row.again else "stands" if settles(answer) else "answer")


def _short(case: _Case, row: MedicineChange) -> tuple[int, date] | None:
    """How many missed days are still possible, counted from which last dose; None where the pause fits."""
    if case.surgery is None or row.days is None or case.surgery.day < case.today:
        return None
    last = min(_counted_from(case, row), case.today)
    possible = (case.surgery.day - last).days - 1
    return (max(possible, 0), last) if possible < row.days else None


def _counted_from(case: _Case, row: MedicineChange) -> date:
    """The dose that counts: the last one recorded, else the old plan's last day where the pause began by it.

    Where nothing says that the medicine is stopped, yesterday's dose counts: today's may still be left out.
    """
    yesterday = case.today - timedelta(days=1)
    pause = case.pauses.get(row.item)
    if pause is None or pause.how == "asked" or row.recorded_later:
        return max(row.last_taken, yesterday) if row.last_taken else yesterday
    return row.last_taken or min(row.last_dose_was or yesterday, yesterday)
