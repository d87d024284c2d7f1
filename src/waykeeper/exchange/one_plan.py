"""One plan that was read from several places: the copy that was written last counts, the others are left out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from waykeeper.exchange.reading import NEVER, written
from waykeeper.fhir import episode_of, identity
from waykeeper.fhir.identity import belongs
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.plan.model import Episode

Held = tuple[str, Mapping[str, Any]]


def one_of_each(held: Sequence[Held]) -> tuple[list[Held], tuple[Episode, ...]]:
    """What was read with each plan once, and the plans of which there were several copies.

    A copy is known by our identifier, whatever id a server gave it: a plan's file beside the server's own, two servers.
    Of each part the copy that was written last counts; what names no moment is older than what does. Where one copy
    of the plan comes from a server, parts that only a file has are left out: they were never pushed.
    """
    several = _several(held)
    if not several:
        return list(held), ()
    best: dict[str, int] = {}
    left_out: set[int] = set()
    for number, (_, resource) in enumerate(held):
        episode, named = _of(resource, several)
        if episode is None:
            continue
        if several[episode] > NEVER and written(resource)[0] == NEVER:
            left_out.add(number)
        elif named not in best:
            best[named] = number
        else:
            older, newer = sorted((best[named], number), key=lambda n: written(held[n][1]))
            left_out.add(older)
            best[named] = newer
    return [pair for number, pair in enumerate(held) if number not in left_out], tuple(several)


def _several(held: Sequence[Held]) -> dict[Episode, datetime]:
    """The plans of which there is more than one root, each with the moment of the one that was written last."""
    roots = [(episode, r) for _, r in held if (episode := episode_of(r)) is not None]
    counts = Counter(episode for episode, _ in roots)
    return {
        episode: max(written(r)[0] for one, r in roots if one == episode)
        for episode, count in counts.items()
        if count > 1
    }


def _of(resource: Mapping[str, Any], episodes: Mapping[Episode, datetime]) -> tuple[Episode | None, str]:
    """The plan among these of which a resource is a part, and our name of that part: its identifier may be lost."""
    own = episode_of(resource)
    if own is not None and own in episodes:
        return own, own.uuid(PLAN_KEY.kind, PLAN_KEY.item, "plan")
    known = identity(resource)
    if known is None:
        return None, ""
    return next((episode for episode in episodes if belongs(known, episode)), None), known.uuid
