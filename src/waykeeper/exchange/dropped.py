"""What a server accepted and does not hold: a push that created it knows so, a later one would take it for deleted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waykeeper.exchange.server import Held
from waykeeper.fhir.names import OFFERED
from waykeeper.merge.model import Decision, Decisions


def lost(decisions: Decisions, held: Sequence[Held]) -> list[Decision]:
    """The creations of a push of which nothing is among what was read right after it."""
    every = [one for _, resource in held for one in resource.get("identifier") or []]
    there = {str(one.get("value")) for one in every if isinstance(one, dict)}
    return [d for d in decisions.changing if not d.reference and str((d.after or {}).get("id")) not in there]


def forgetting(held: Sequence[Held], gone: Sequence[Decision]) -> list[Held]:
    """What was read, with a root that never offered what was lost: else a merge asks who has deleted it."""
    ids = {str((d.after or {}).get("id")) for d in gone}
    return [(ref, _without(r, ids) if r.get("resourceType") == "CarePlan" else r) for ref, r in held]


def _without(root: Mapping[str, Any], ids: set[str]) -> dict[str, Any]:
    extensions = []
    for one in root.get("extension") or []:
        if one.get("url") == OFFERED:
            kept = [p for p in one.get("extension") or [] if p.get("url") != "ever" or p.get("valueString") not in ids]
            extensions.append({**one, "extension": kept})
        else:
            extensions.append(one)
    return {**root, "extension": extensions}
