"""Resources of ours that another system saved without our extensions: known again by their identifier."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import replace

from waykeeper.fhir import episode_of, identity, read_all, write
from waykeeper.fhir.extensions import find
from waykeeper.fhir.identity import named_by, own_identifier
from waykeeper.fhir.named_again import named_again, plans_among
from waykeeper.fhir.names import HOLD, IDENTIFIER_PATH, ITEM, PLAN
from waykeeper.fhir.ownership import GROUPS, digest, offered_of
from waykeeper.fhir.status import status_class
from waykeeper.merge.model import Decision, Held, Resource
from waykeeper.merge.withdrawal import reoffered
from waykeeper.plan.model import Plan

MARKS = (ITEM, HOLD, PLAN)
# What a hold said when somebody answered it is gone with its extension: the number that is proposed now is not put in
# its place, or a proposal that was confirmed as it stood would be read as confirmed for another number.
ONLY_IT_KNEW = frozenset({"decision", "missedDays", "lastDose", "firstMissed", "lastLimit", "restartFrom"})
WRITTEN_AGAIN = "what Waykeeper wrote on it was lost, and is written again"

NOBODY_DECIDES = "it is left as it is, a person must close it"


def marked(plan: Plan, held: Sequence[Held]) -> tuple[list[Held], frozenset[str]]:
    """What was read, with our marks on what lost them as the plan would write them, and the references of those.

    The digests of what was offered stay away: whatever differs from the plan is asked about. But for the status of a
    gate and its mirrors, which follows from other items: as the plan writes it first, nobody has said anything by it.
    """
    roots = [r for _, r in held if episode_of(r) == plan.episode]
    ever = {plan.episode.uuid("plan", "plan", "plan"), *(n for r in roots for n in offered_of(r).get("ever", ()))}
    if not roots:  # it lost with its mark what it ever offered: what has a number that this plan computes is of it
        ever |= {own_identifier(r) for _, r in held if identity(r) is None} - {""}
    lost = {uuid: (ref, r) for ref, r in held if identity(r) is None for uuid in named_by(r) & ever}
    found = {lost[uuid][0]: _with_marks(lost[uuid][1], made) for uuid, made in _written(plan, held, lost.keys())}
    found |= _named_again(plan, held, ever)
    return [(ref, found.get(ref, r)) for ref, r in held] if found else list(held), frozenset(found)


def _named_again(plan: Plan, held: Sequence[Held], ever: Collection[str]) -> dict[str, Resource]:
    """What lost our identifier and kept the rest, with the identifier again; what two plans may have made is left."""
    nameless = [(ref, r) for ref, r in held if find(r, ITEM) and not own_identifier(r)]
    if not nameless:
        return {}
    claimed = {known.uuid for _, r in held if (known := identity(r)) is not None}
    found: dict[str, Resource] = {}
    for (ref, resource), whose, known in named_again(nameless, {**plans_among(held), plan.episode: ever}, claimed):
        if known is not None and whose == (plan.episode,):
            ours = {"system": plan.episode.clinic_url + IDENTIFIER_PATH, "value": known.uuid}
            found[ref] = {**resource, "identifier": [ours, *(resource.get("identifier") or ())]}
    return found


def _written(plan: Plan, held: Sequence[Held], wanted: Collection[str]) -> Iterator[tuple[str, Resource]]:
    """The resources of these ids as the plan writes them, and as the plan that stands does, over all their rounds."""
    if not wanted:
        return
    stood = [p for p, _ in read_all(held) if p.episode == plan.episode]
    rounds = max((known.round for _, r in held if (known := identity(r)) is not None), default=1) + 1
    seen: set[str] = set()
    for one in map(_whole, (plan, *stood)):
        for number in range(1, rounds + 1):
            for made in write(one, {item.key: number for item in one.items}):
                if made["id"] in wanted and made["id"] not in seen:
                    seen.add(made["id"])
                    yield made["id"], made


def _whole(stood: Plan) -> Plan:
    """The plan without needs that name what it does not have: a plan that was read may lack items."""
    known = {item.key for item in stood.items}
    items = (replace(i, needs=tuple(n for n in i.needs if n in known)) if i.needs else i for i in stood.items)
    return replace(stood, items=tuple(items))


def _with_marks(standing: Mapping[str, object], made: Resource) -> Resource:
    if standing["resourceType"] != made["resourceType"]:
        return dict(standing)
    theirs = [e for e in standing.get("extension") or () if e.get("url") not in MARKS]  # type: ignore[attr-defined]
    ours = [_unanswered(mark) for url in MARKS if (mark := find(made, url)) is not None]
    again = {**standing, "extension": [*ours, *theirs]}
    known = identity(made)
    follows = known is not None and known.key.kind == "gate" and digest(standing, "status") == digest(made, "status")
    return reoffered(again, {"status": digest(made, "status")}) if follows else again


def _unanswered(mark: Mapping[str, object]) -> dict[str, object]:
    if mark["url"] != HOLD:
        return dict(mark)
    parts = [p for p in mark["extension"] if p.get("url") not in ONLY_IT_KNEW]  # type: ignore[attr-defined]
    return {**mark, "extension": parts}


def restored(decision: Decision, wanted: Mapping[str, object] | None) -> Decision:
    """The decision about a resource that lost our marks: they are written again, whatever else becomes of it.

    A booking is the scheduler's and is left alone.
    """
    before = decision.before
    if decision.changes or before is None or (decision.kind == "Appointment" and status_class(before) != "open"):
        return decision
    told = {g: digest(before, g) if wanted and digest(wanted, g) == digest(before, g) else "" for g in GROUPS}
    reason = f"{decision.reason}; {WRITTEN_AGAIN}" if decision.reason else WRITTEN_AGAIN
    word = decision.word if decision.word == "conflict" else "write"
    return replace(decision, word=word, reason=reason, after=reoffered(dict(before), told))


def unknown(held: Sequence[Held], ever: Collection[str]) -> Iterator[Held]:
    """What was ours by its identifier and lives, and lost what says which item it is."""
    for ref, resource in held:
        nameless = identity(resource) is None and not named_by(resource).isdisjoint(ever)
        if nameless and status_class(resource) in ("open", "busy"):
            yield ref, resource
