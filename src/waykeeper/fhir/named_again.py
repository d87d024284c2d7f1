"""Resources that lost our identifier and kept the rest: what they say themselves names the part that they are."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

from waykeeper.fhir.extensions import find, firsts
from waykeeper.fhir.identity import Identity, episode_of, own_identifier, parse_key
from waykeeper.fhir.names import ITEM
from waykeeper.fhir.ownership import offered_of
from waykeeper.plan.model import Episode

Held = tuple[str, Mapping[str, Any]]
Plans = Mapping[Episode, Collection[str]]


def plans_among(resources: Sequence[Held]) -> dict[Episode, frozenset[str]]:
    """The plans whose roots are among the resources, each with every id that was ever offered of it."""
    roots = [(episode, r) for _, r in resources if (episode := episode_of(r)) is not None]
    return {e: frozenset({*map(str, offered_of(r).get("ever", ())), e.uuid("plan", "plan", "plan")}) for e, r in roots}


def named_again(
    resources: Sequence[Held], plans: Plans, claimed: Collection[str]
) -> Iterator[tuple[Held, tuple[Episode, ...], Identity | None]]:
    """Each of the resources without our identifier, with the plans of which it may be a part, and which part it is.

    plans     every plan of the patient, with the ids that were ever offered of it
    claimed   the ids that other resources carry

    None where two plans lack such a part, or two resources say that they are it: nobody can tell then, and an item of
    one joint must not get the dates of the other.
    """
    found = [(held, maybe) for held in resources if (maybe := _maybe(held[1], plans, claimed))]
    several = Counter(one.uuid for _, maybe in found for one in maybe.values())
    for held, maybe in found:
        one = next(iter(maybe.values()))
        yield held, tuple(maybe), one if len(maybe) == 1 and several[one.uuid] == 1 else None


def _maybe(resource: Mapping[str, Any], plans: Plans, claimed: Collection[str]) -> dict[Episode, Identity]:
    """The part that the resource says it is, in each plan that offered one and does not hold it."""
    mark = find(resource, ITEM)
    if mark is None or own_identifier(resource):
        return {}
    said = firsts(mark, ("key", "part", "round"))
    key, part, number = parse_key(str(said.get("key") or "")), str(said.get("part") or ""), int(said.get("round", 1))
    names = {episode: episode.uuid(key.kind, key.item, part, key.occurrence, number) for episode in plans}
    return {
        episode: Identity(key, part, number, uuid)
        for episode, uuid in names.items()
        if uuid in plans[episode] and uuid not in claimed
    }
