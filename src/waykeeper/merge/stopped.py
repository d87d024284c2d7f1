"""Medicines that the patient has stopped for a surgery, and the Task that asks a prescriber to start them again."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Literal

from waykeeper.fhir.identity import identity
from waykeeper.fhir.ownership import with_offered
from waykeeper.fhir.recorded import done_on, output_of
from waykeeper.fhir.resource import Maker
from waykeeper.fhir.status import status_class
from waykeeper.fhir.told import last_taken as taken_last
from waykeeper.fhir.told import related, told_of
from waykeeper.fhir.write import source_reference, stop_and_restart
from waykeeper.merge.held import Holding
from waykeeper.merge.model import Decision, Word
from waykeeper.plan.holds import pauses, told_last_dose, with_answer
from waykeeper.plan.model import MEDICINES, HoldProposal, Item, ItemState, Key, Plan
from waykeeper.plan.validity import to_come
from waykeeper.timing.model import Moment

RESTART = "restart-needed"


@dataclass(frozen=True, slots=True)
class Stopped:
    """One medicine that is paused as far as anybody knows.

    how          recorded: the stop Task is done, or a last dose was recorded; planned: a prescriber answered, and the
                 last-dose day is over; ahead: the stop Task is done for a day that has not come; asked: a restart was
                 asked for earlier and nobody has answered
    last_taken   the last dose that somebody recorded, None where nobody did
    words        the medicine that is paused, where its order names another one by now; else ""
    """

    item: Item
    how: Literal["recorded", "planned", "ahead", "asked"]
    last_taken: Moment | None = None
    words: str = ""

    @property
    def called(self) -> str:
        """The name of what is paused."""
        return self.words or (self.item.hold.words if self.item.hold else self.item.title)


def stopped(held: Holding, today: date | None = None) -> list[Stopped]:
    """Every medicine of the plan whose pause began and of which no restart is recorded, over all its rounds.

    today   the day to look at; without it a pause that nobody recorded is not seen
    """
    if held.plan is None:
        return []
    found = [_stopped(held, item, today) for item in held.plan.items if item.key.kind in MEDICINES]
    return [one for one in found if one is not None]


def _stopped(held: Holding, item: Item, today: date | None) -> Stopped | None:
    if _restarted(held, item, today):
        return None
    named = item.hold.medicine if item.hold else None
    about = held.rounds_about(item.key, named) if named else None
    own = _paused(held, item, about, today, item.hold)
    if own is not None or about is None:
        return own
    others = _other_medicines(held, item, about)
    found = _paused(held, item, others, today) if others else None
    return replace(found, words=others[max(others)]) if found else None


def _other_medicines(held: Holding, item: Item, about: Collection[int]) -> dict[int, str]:
    """The rounds in which the order named another medicine, and which: what was paused then waits for a restart too."""
    numbers = {n for k, _, n in held.own if k == item.key} - set(about)
    return {n: was.words for n in sorted(numbers) if (was := held.named(item.key, n)) is not None}


def _paused(
    held: Holding, item: Item, rounds: Collection[int] | None, today: date | None, hold: HoldProposal | None = None
) -> Stopped | None:
    """The pause of these rounds, of all where None is given. `hold`: what was proposed in them, where that is known."""
    taken = last_taken(held, item.key, rounds)
    stops = [r for r in _rounds_of(held, item.key, "stop", rounds) if _completed(r)]
    if taken is not None or any(_happened(held, r, today) for r in stops):
        return Stopped(item, "recorded", taken)
    if stops:
        return Stopped(item, "ahead")
    if _asked(held, item.key, rounds):
        return Stopped(item, "asked")
    return Stopped(item, "planned") if _begun(held, item, rounds, today, hold) else None


def _begun(
    held: Holding, item: Item, rounds: Collection[int] | None, today: date | None, hold: HoldProposal | None
) -> date | None:
    """The last-dose day that a prescriber answered, where it is over; None where the pause has not begun by it."""
    last = answered_last_dose(held, item, rounds, hold)
    return last if last and today and last < today else None


def answered_last_dose(
    held: Holding, item: Item, rounds: Collection[int] | None, hold: HoldProposal | None
) -> date | None:
    """The last-dose day that a prescriber answered; None where nobody did, or the plan does not hold it any more."""
    state, surgery = held.state.items.get(item.key), held.plan.surgery_day if held.plan else None
    if state is None or surgery is None or state.cls == "withdrawn":  # withdrawn before its day it was never begun
        return None
    answer = state.answer if rounds is None or state.round in rounds else state.earlier
    return told_last_dose(hold, answer, surgery) if answer else None


def to_stop(held: Holding, today: date | None) -> Iterator[tuple[str, date]]:
    """Medicines that are to be stopped after a day that is still to come, and that day."""
    for item in held.plan.items if held.plan and today else ():
        if item.key.kind in MEDICINES and _stopped(held, item, today) is None:
            last = answered_last_dose(held, item, None, item.hold)
            if last and today and last >= today:
                yield item.hold.words if item.hold else item.title, last


def _asked(held: Holding, key: Key, rounds: Collection[int] | None) -> bool:
    """A restart waits for its answer. A move asks in the round that it begins: about the pause of the one before."""
    waiting = [n for k, p, n in held.own if (k, p) == (key, RESTART) and _waits(held, key, n)]
    about = {n if n == 1 or (key, "stop", n) in held.own else n - 1 for n in waiting}
    return bool(about) and (rounds is None or not about.isdisjoint(rounds))


def _waits(held: Holding, key: Key, number: int) -> bool:
    return status_class(held.own[key, RESTART, number][1]) in ("open", "busy")


def _restarted(held: Holding, item: Item, today: date | None) -> bool:
    """A restart is recorded, and no pause has begun after it: another may begin for the new day of a surgery."""
    happened = [
        (part, n, _done_on(held, r))
        for (k, part, n), (_, r) in held.own.items()
        if k == item.key and _happened(held, r, today)
    ]
    again = [(n, day) for part, n, day in happened if part in ("restart", RESTART)]
    if not again:
        return False
    number, day = max(again, key=lambda one: (one[1] or date.min, one[0]))
    begun = _begun(held, item, None, today, item.hold)
    if day is not None and begun is not None and begun > day:
        return False
    return all(
        (day, number) >= (paused, n) if day and paused else number >= n
        for part, n, paused in happened
        if part == "stop"
    )


def _done_on(held: Holding, resource: Any) -> date | None:
    return done_on(resource, held.plan.zone if held.plan else "UTC")


def _happened(held: Holding, resource: Any, today: date | None) -> bool:
    """A Task is completed, and not for a day that has not come."""
    return _completed(resource) and not to_come(_done_on(held, resource), today)


def _completed(resource: Any) -> bool:
    return bool(resource.get("status") == "completed")


def _rounds_of(held: Holding, key: Key, part: str, rounds: Collection[int] | None) -> Iterator[Any]:
    own = held.own.items()
    return (r for (k, p, n), (_, r) in own if (k, p) == (key, part) and (rounds is None or n in rounds))


def last_taken(held: Holding, key: Key, rounds: Collection[int] | None = None) -> Moment | None:
    """The latest dose that somebody recorded about these rounds of the medicine, about any where None is given."""
    own = held.own.items()
    ours = {ref: resource for (k, _, n), (ref, resource) in own if k == key and (rounds is None or n in rounds)}
    telling = told_of(held.everything, ours.items())
    return taken_last(related(ours, telling), held.plan.zone if held.plan else "UTC")


def answered_since(plan: Plan, item: Item, own: ItemState, part: str) -> Mapping[str, Any] | None:
    """The Task of a pause (`stop` or `restart`) that was answered since the plan was made, as a plan made with the
    answer has it; None where no answer pauses."""
    anchor = plan.anchor("surgery")
    surgery = anchor.moment if anchor else None
    if item.hold is None or own.answer is None or surgery is None or not pauses(own.answer):
        return None
    hold = with_answer(item.hold, own.answer, surgery)
    source = source_reference(hold.reference, hold.words)
    tasks = stop_and_restart(Maker(plan, {item.key: own.round}), replace(item, hold=hold), source)
    return next((with_offered(t) for t in tasks if (said := identity(t)) and said.part == part), None)


def restart_asked(
    plan: Plan, paused: Stopped, held: Holding, number: int, why: str, today: date | None
) -> Decision | None:
    """The Task that asks the prescriber about a restart in this round; None where it stands already.

    why   the sentence's beginning; it holds no date

    One that was answered before another pause began is opened again: its answer stays in its notes.
    """
    item = paused.item
    ref, standing = held.own.get((item.key, RESTART, number), ("", None))
    if standing is not None and not _happened(held, standing, today):
        return None
    maker = Maker(plan, {item.key: number})
    task = maker.task(item, RESTART, "restart")
    task["description"] = f"{why}: restart {paused.called}, or say why not"
    task["performerType"] = maker.role("prescriber")
    task["priority"] = "urgent"
    if today:
        task["restriction"] = {"period": {"end": today.isoformat()}}
    word: Word = "create"
    if standing is not None:
        word = "write"
        said = [text for code in ("decision", "text") if (text := output_of(standing, code))]
        before = ", ".join([str(_done_on(held, standing) or "no day is recorded"), *said])
        answered = {"text": f"Asked again: it was answered before this pause ({before})."}
        kept = {k: v for k, v in standing.items() if k not in ("executionPeriod", "output")}
        task = {**kept, **task, "id": standing.get("id", task["id"]), "meta": standing.get("meta") or task["meta"]}
        task["note"] = [*(standing.get("note") or ()), answered]
    return Decision(str(item.key), RESTART, number, word, (), why, ref, "Task", standing, with_offered(task))
