"""One plan that was read from several places: the copy that was written last counts, the others are left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from waykeeper.exchange.reading import NEVER, written
from waykeeper.fhir import episode_of, identity
from waykeeper.fhir.identity import belongs
from waykeeper.fhir.patients import Patients
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.plan.model import Episode

Held = tuple[str, Mapping[str, Any]]


def one_of_each(held: Sequence[Held]) -> tuple[list[Held], tuple[Episode, ...]]:
    """What was read with each plan once, and the plans of which there were several copies.

    A copy is known by our identifier, whatever id a server gave it: a plan's file beside the server's own, two servers.
    Of each part the copy that was written last counts; what names no moment is older than what does. Where one copy
    of the plan comes from a server, parts that only a file has are left out: they were never pushed.
    """
    roots = [(episode, written(r)[0]) for _, r in held if (episode := episode_of(r)) is not None]
    several = _several(roots)
    if not several:
        return list(held), ()
    pairs = [(ref, resource) for ref, resource in held]  # each one its own, to be told apart by its place in memory
    patients = Patients(pairs, {episode.patient.system for episode, _ in roots})
    left_out: set[int] = set()
    for episode, newest in several.items():
        left_out |= _left_out(episode, patients.of(str(episode.patient)), served=newest > NEVER)
    return [pair for pair in pairs if id(pair) not in left_out], tuple(several)


def _left_out(episode: Episode, theirs: Sequence[Held], *, served: bool) -> set[int]:
    """The older copies among the resources of the plan's patient. `served`: a copy of the plan comes from a server."""
    best: dict[str, Held] = {}
    found: set[int] = set()
    for pair in theirs:
        named = _named(pair[1], episode)
        if not named:
            continue
        if served and written(pair[1])[0] == NEVER:
            found.add(id(pair))
        elif named not in best:
            best[named] = pair
        else:
            older, best[named] = sorted((best[named], pair), key=lambda one: written(one[1]))
            found.add(id(older))
    return found


def _several(roots: Sequence[tuple[Episode, datetime]]) -> dict[Episode, datetime]:
    """The plans of which there is more than one root, each with the moment of the one that was written last."""
    moments: dict[Episode, list[datetime]] = {}
    for episode, moment in roots:
        moments.setdefault(episode, []).append(moment)
    return {episode: max(one) for episode, one in moments.items() if len(one) > 1}


def _named(resource: Mapping[str, Any], episode: Episode) -> str:
    """Our name of the part of the plan that a resource is, "" where it is none: its identifier may be lost."""
    known = identity(resource)
    if known is not None and belongs(known, episode):
        return known.uuid
    return episode.uuid(PLAN_KEY.kind, PLAN_KEY.item, "plan") if episode_of(resource) == episode else ""
