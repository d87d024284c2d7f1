"""What a server accepted and does not hold, or not as it was sent: only the push that wrote it can know.

A later one would take it for deleted, or for changed, by a person.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from waykeeper.exchange.server import Held, Server
from waykeeper.fhir.gone import entries
from waykeeper.fhir.identity import belongs, episode_of, identity, named_by, own_identifier
from waykeeper.fhir.names import OFFERED
from waykeeper.fhir.ownership import GROUPS, group_values, offered_of
from waykeeper.findings import Finding, finding
from waykeeper.merge.model import Decision, Decisions
from waykeeper.plan.model import Episode

PARTS = ("activity", "goal", "supportingInfo")  # where a CarePlan names what belongs to it
SHOWN = 3  # items named of those that lost the same
NOT_WHOLE = (
    "The plan is not whole on this server, and the next push takes what is missing for a person's change: ask whoever"
    " runs the server why it drops it, or use another."
)


def lost(decisions: Decisions, held: Sequence[Held]) -> list[Decision]:
    """The creations of a push of which nothing is among what was read right after it."""
    every = [one for _, resource in held for one in resource.get("identifier") or []]
    there = {str(one.get("value")) for one in every if isinstance(one, dict)}
    return [d for d in decisions.changing if not d.reference and str((d.after or {}).get("id")) not in there]


def altered(decisions: Decisions, held: Sequence[Held]) -> Iterator[Finding]:
    """What was written and does not stand as it was sent: a later merge would take that for the work of a person.

    What a server adds beside what it was given is its own affair.
    """
    found: dict[tuple[str, str], list[str]] = {}
    standing = dict(held)
    named = {own_identifier(resource): resource for _, resource in held}
    for d in decisions.changing:
        sent, stands = d.after or {}, standing.get(d.reference) or named.get(str((d.after or {}).get("id")))
        if stands is None or stands.get("resourceType") != d.kind:
            continue
        gone = [path for group in GROUPS for path in _gone(group_values(sent, group), group_values(stands, group))]
        if gone:
            names = ", ".join(path.rpartition("#")[2] or path for path in gone)
            found.setdefault((d.kind, names), []).append(f"{d.item} {d.part}")
    for (kind, names), items in found.items():
        shown = ", ".join(items[:SHOWN]) + (f" and {len(items) - SHOWN} more" if len(items) > SHOWN else "")
        yield finding("WKX230", f"{kind}: {names} is not there as it was sent, of {shown}", help=NOT_WHOLE)


def _gone(sent: Mapping[str, Any], stands: Mapping[str, Any]) -> Iterator[str]:
    return (path for path, value in sent.items() if not _within(value, stands.get(path)))


def _within(sent: Any, stands: Any) -> bool:
    """True where everything that was sent stands, in its place."""
    if isinstance(sent, Mapping):
        return isinstance(stands, Mapping) and all(_within(value, stands.get(key)) for key, value in sent.items())
    if isinstance(sent, list):
        return isinstance(stands, list) and len(stands) >= len(sent) and all(map(_within, sent, stands))
    return bool(sent == stands)


def without_dead_entries(server: Server, held: Sequence[Held], episode: Episode) -> list[Held]:
    """What was read, the plan's CarePlans without entries of which the server has nothing any more.

    A server may let go of what others refer to, or be restored without it. By an id that the server gave nobody sees
    whose the entry was; sent again it is refused, and with it every change of the plan. Nothing is asked while
    everything that the plan offered is there: the entry is then somebody else's.
    """
    offers = {str(i) for _, r in held if _care_plan_of(r, episode) for i in offered_of(r).get("ever", ())}
    if offers <= {name for _, r in held for name in named_by(r)}:
        return list(held)
    known = {ref for ref, _ in held}
    named = {ref: set(_here(server, r)) - known for ref, r in held if _care_plan_of(r, episode)}
    asked = sorted(one for one in set().union(*named.values()) if not one.startswith(("urn:", "#", "http")))
    dead = set(server.gone(asked))
    return [
        (ref, _with_entries_but(server, r, dead) if not dead.isdisjoint(named.get(ref, ())) else r) for ref, r in held
    ]


def _care_plan_of(resource: Mapping[str, Any], episode: Episode) -> bool:
    if resource.get("resourceType") != "CarePlan":
        return False
    known = identity(resource)
    return episode_of(resource) == episode or (known is not None and belongs(known, episode))


def _here(server: Server, root: Mapping[str, Any]) -> list[str]:
    """The entries that lead to this server: of what is on another one it cannot say that it is gone."""
    parts = {name: root.get(name) or () for name in PARTS}
    here = {name: [one for one in of if not _elsewhere(server, one)] for name, of in parts.items()}
    return entries(here)


def _elsewhere(server: Server, entry: Mapping[str, Any]) -> bool:
    said = entry.get("reference")  # of an activity it is a Reference, of the others its text
    text = said.get("reference") if isinstance(said, Mapping) else said
    return server.elsewhere(str(text or ""))


def _with_entries_but(server: Server, root: Mapping[str, Any], dead: set[str]) -> dict[str, Any]:
    made = dict(root)
    for name in PARTS:
        left = [one for one in root.get(name) or () if dead.isdisjoint(_here(server, {name: [one]}))]
        made |= {name: left}
        if not left:
            del made[name]
    return made


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
