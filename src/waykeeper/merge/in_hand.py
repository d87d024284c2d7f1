"""The Tasks by which somebody has an item in hand: they are about a round of an item, and no parts of the plan."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from waykeeper.fhir.identity import own_identifier, parse_key
from waykeeper.fhir.recorded import CLOSED, opened, output_of
from waykeeper.fhir.status import status_class
from waykeeper.fhir.told import IN_HAND
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.merge.held import Holding
from waykeeper.merge.model import Decision, Resource, Word
from waykeeper.merge.withdrawal import withdrawn
from waykeeper.plan.model import MEDICINES, Key
from waykeeper.plan.unlisted import REASON

OURS = ("requested", "accepted", "on-hold")  # what a note writes; any other status is somebody else's work


AGAIN = "known now to apply: on the list again"


def in_hand(held: Holding) -> Iterator[tuple[Key, int, str, Mapping[str, Any]]]:
    """Those that are open: item, round, reference, Task."""
    return (found for found in _of_any_status(held) if status_class(found[3]) in ("open", "busy"))


def _of_any_status(held: Holding) -> Iterator[tuple[Key, int, str, Mapping[str, Any]]]:
    items = held.plan.items if held.plan else ()
    rounds = {i.key: range(1, max(held.highest(i.key), 1) + 1) for i in items} | {PLAN_KEY: range(1, 2)}
    names = {held.uuid((key, IN_HAND, n)): (key, n) for key, numbers in rounds.items() for n in numbers}
    for ref, resource in held.everything:
        place = names.get(own_identifier(resource))
        if place and resource["resourceType"] == "Task":
            yield *place, ref, resource


def let_go(held: Holding, new: Mapping[Key, int], rows: Sequence[Decision]) -> Iterator[Decision]:
    """Close those that are about an earlier round, or about an item that this push withdraws: nobody asks for them.

    Not those about a medicine that went from the list: whether it was stopped is asked until somebody says so.

    new   the rounds that begin with this push; `rows` what is decided about the items
    """
    went = {d.item for d in rows if d.word == "withdraw" and d.reason == REASON}
    gone = {key for key in map(parse_key, went) if key.kind not in MEDICINES}
    for key, number, ref, resource in in_hand(held):
        own = held.state.items.get(key)
        newest = new.get(key) or (own.round if own else 0)
        reason = REASON if key in gone else f"replaced by round {newest}" if number < newest else ""
        if reason and resource.get("status") in OURS:
            after = withdrawn(resource, reason)
            word: Word = "withdraw" if reason == REASON else "replace"
            yield Decision(str(key), IN_HAND, number, word, (), reason, ref, "Task", resource, after)


def asked_again(held: Holding, rows: Sequence[Decision], applies: Collection[Key]) -> Iterator[Decision]:
    """The decisions, without the reasons for which people closed what applies, as is known since this push.

    They were given of what nobody knew to apply, or of another answer, and would keep off the list what is to be done.
    The notes go on saying what the reason was. One that is withdrawn speaks as well: the item may be wanted again.
    """
    named = {str(key) for key in applies}
    for row in rows:
        after = _opened_again(row.after) if row.after and row.item in named else None
        yield replace(row, after=after) if after else row
    for key, number, ref, resource in _of_any_status(held):
        after = _opened_again(resource) if key in applies else None
        if after:
            yield Decision(str(key), IN_HAND, number, "write", (), AGAIN, ref, "Task", resource, after)


def _opened_again(resource: Mapping[str, Any]) -> Resource | None:
    """Without the reason for which it was closed; None where there is none."""
    because = output_of(resource, CLOSED)
    if because is None:
        return None
    after = opened(resource)
    return {**after, "note": [*(after.get("note") or []), {"text": f"{AGAIN}. It had been closed: {because}."}]}
