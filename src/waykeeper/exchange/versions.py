"""Earlier versions of a plan, out of the server's own history: what stood when each change was made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from waykeeper.exchange.errors import BadAnswerError
from waykeeper.exchange.reading import one_plan, plan_resources
from waykeeper.exchange.server import Held, Server
from waykeeper.fhir import belongs, identity, read_all
from waykeeper.findings import finding
from waykeeper.merge.difference import Row, Turned, difference, turned
from waykeeper.merge.model import Decision, Decisions, Word
from waykeeper.plan.model import Episode, Identifier, Plan, State

MOST = 200  # versions of one resource in one answer
CREATED: Word = "create"


@dataclass(frozen=True)
class PlanVersion:
    """One change of a plan by Waykeeper: when, by whom, why, and what it made of it.

    rows      item by item against the version before; empty for the first
    turned    what changed of the whole plan: anchors, side, version of the pathway
    """

    number: int
    at: datetime
    activity: str
    by: str
    reason: str
    tool: str
    plan: Plan
    state: State
    rows: tuple[Row, ...] = ()
    turned: tuple[Turned, ...] = ()


def history(server: Server, patient: Identifier, *, episode: int = 1, pathway: str = "") -> tuple[PlanVersion, ...]:
    """Every version of a plan that a push, a move or a withdrawal made, oldest first.

    Raises BadAnswerError: WKX221 no such plan, WKX214 the server keeps no history.
    """
    held = plan_resources(server, patient)
    plan, state = one_plan(held, episode, pathway, patient)
    kept = _kept(server, held, plan.episode)
    found: list[PlanVersion] = []
    for proof in _provenances(server, state.plan_reference):
        at = _written(proof)
        stood = next(((p, s) for p, s in read_all(_as_of(kept, held, proof)) if p.episode == plan.episode), None)
        if stood is None:
            continue
        before = found[-1] if found else None
        found.append(_version(len(found) + 1, proof, at, *stood, before))
    return tuple(found)


def before_last_move(server: Server, held: Sequence[Held], episode: Episode, root: str) -> list[Held] | None:
    """What stood just before the last move of the plan; None where it was never moved, or no history is kept."""
    moves = [p for p in _provenances(server, root) if _activity(p) == "move"]
    if not moves:
        return None
    try:
        kept = _kept(server, held, episode)
    except BadAnswerError:
        return None
    stood = _as_of(kept, held, moves[-1], before=True)
    return stood if any(p.episode == episode for p, _ in read_all(stood)) else None


def changed(server: Server, root: str) -> bool:
    """Whether a plan that stood was changed, as the server remembers."""
    return any(e.get("role") == "revision" for p in _provenances(server, root) for e in p.get("entity") or [])


def withdrawn_by(server: Server, root: str) -> str:
    """Who withdrew a plan last, as its Provenance says; "" where nobody is named."""
    told = [p for p in _provenances(server, root) if _activity(p) == "withdrawal"]
    return ", ".join(_people(told[-1])[0]) if told else ""


def _provenances(server: Server, root: str) -> list[dict[str, Any]]:
    """Every change of a plan, oldest first: of those after the first the root is the entity, changed or not."""
    if not root:
        return []
    found = server.searches([("Provenance", [(name, root)]) for name in ("target", "entity")])
    return sorted((r for _, r in found if r.get("resourceType") == "Provenance"), key=_written)


def _written(resource: Mapping[str, Any]) -> datetime:
    """When the server wrote it; its own clock, the same for all of one transaction."""
    return datetime.fromisoformat(str((resource.get("meta") or {}).get("lastUpdated")))


Kept = Mapping[str, list[tuple[datetime, dict[str, Any]]]]


def _kept(server: Server, held: Sequence[Held], episode: Episode) -> Kept:
    """Every version of each resource of ours, oldest first."""
    own = [ref for ref, r in held if (said := identity(r)) is not None and belongs(said, episode)]
    entries = [{"request": {"method": "GET", "url": f"{ref}/_history?_count={MOST}"}} for ref in own]
    answers = server.bundle({"resourceType": "Bundle", "type": "batch", "entry": entries})
    found = {}
    for ref, answer in zip(own, answers, strict=True):
        document = answer.get("resource") or {}
        if document.get("type") != "history":
            raise BadAnswerError(finding("WKX214", f"the server keeps no history of {ref}"))
        versions = [e["resource"] for e in document.get("entry") or [] if e.get("resource")]
        found[ref] = sorted(((_written(r), r) for r in versions), key=lambda pair: pair[0])
    return found


def _as_of(kept: Kept, held: Sequence[Held], proof: Mapping[str, Any], *, before: bool = False) -> list[Held]:
    """What stood after a change, or just before it: our resources by version, those of others as they stand now.

    The resources of one transaction need not bear one time: of what the Provenance names, the version written nearest
    to it is the one that the change made.
    """
    at = _written(proof)
    named = {str(t.get("reference") or "").split("/_history/")[0] for t in proof.get("target") or []}
    found: list[Held] = []
    for ref, resource in held:
        if ref not in kept:
            found.append((ref, resource))
            continue
        versions = kept[ref]
        if ref in named and versions:
            made = min(range(len(versions)), key=lambda n, v=versions: abs(v[n][0] - at))  # type: ignore[misc]
            stood = [r for _, r in versions[: made + (not before)]]
        else:
            stood = [r for written, r in versions if written <= at]
        found += [(ref, stood[-1])] if stood else []
    return found


def _activity(proof: Mapping[str, Any]) -> str:
    return str((proof.get("activity") or {}).get("text") or "push")


def _people(proof: Mapping[str, Any]) -> tuple[list[str], list[str]]:
    """The people and the tools that a Provenance names."""
    names = [str((a.get("who") or {}).get("display") or "") for a in proof.get("agent") or []]
    return [n for n in names if not n.startswith("Waykeeper")], [n for n in names if n.startswith("Waykeeper")]


def _version(
    number: int, proof: Mapping[str, Any], at: datetime, plan: Plan, state: State, before: PlanVersion | None
) -> PlanVersion:
    people, tools = _people(proof)
    reason = "; ".join(str(r.get("text") or "") for r in proof.get("reason") or [])
    rows: tuple[Row, ...] = ()
    differs: tuple[Turned, ...] = ()
    if before is not None:
        rows = tuple(difference(before.plan, plan, before.state, _rounds_begun(before.state, plan, state)))
        differs = turned(before.plan, plan)
    return PlanVersion(
        number, at, _activity(proof), ", ".join(people), reason, ", ".join(tools), plan, state, rows, differs
    )


def _rounds_begun(was: State, plan: Plan, now: State) -> Decisions:
    """The items that began a round between two versions, in the form in which a merge says it."""
    begun = [
        Decision(str(key), "", state.round, CREATED, reason="a new round")
        for key, state in now.items.items()
        if state.round > (was.items[key].round if key in was.items else 1)
    ]
    return Decisions(plan, tuple(begun))
