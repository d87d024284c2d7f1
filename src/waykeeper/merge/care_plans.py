"""The root CarePlan and its phases: ours by entry, so that what others add to them stays."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from waykeeper.fhir import answers, read_all
from waykeeper.fhir.extensions import find
from waykeeper.fhir.identity import parse_key
from waykeeper.fhir.names import PLAN
from waykeeper.fhir.ownership import normal, offered_of, with_offered
from waykeeper.fhir.status import status_class
from waykeeper.fhir.write import IN_ACTIVITY, PLAN_KEY
from waykeeper.merge.groups import offer
from waykeeper.merge.held import ROOT, Holding, Place
from waykeeper.merge.model import Decision, Resource
from waykeeper.merge.withdrawal import reoffered
from waykeeper.plan.answers import digest as digest_of_answers
from waykeeper.plan.model import Key, Plan, State

ENTRIES: Mapping[str, frozenset[str]] = {
    "goal": frozenset({"Goal"}),
    "supportingInfo": frozenset({"Flag"}),
    "activity": frozenset(IN_ACTIVITY),
}
GONE = ("withdrawn", "void")
CANONICAL = "instantiatesCanonical"
ALWAYS_OURS = (CANONICAL,)  # which version all items are of, also where a person changed the title


@dataclass(frozen=True)
class CarePlans:
    """The CarePlans as they shall stand once the other decisions are carried out."""

    plan: Plan
    held: Holding
    wanted: Mapping[Place, Resource]
    rows: Sequence[Decision]
    settled: tuple[str, ...]

    def wanted_plans(self) -> Iterator[tuple[Place, Resource]]:
        """The phases, then the root, with their entries and what the root keeps in mind."""
        alive = self._alive()
        phase_of = {item.key: item.phase for item in self.plan.items}
        for place, resource in self.wanted.items():
            if place[0].kind == "phase":
                mine = [ref for ref, key in alive.items() if phase_of.get(key) == place[0].item]
                stray = {ref for ref, key in alive.items() if key not in phase_of}
                yield place, self._filled(place, resource, mine, {*mine, *stray}, ("activity",))
        root = self._filled(ROOT, self.wanted[ROOT], list(alive), set(alive), tuple(ENTRIES))
        yield ROOT, self._remembering(root)

    def _alive(self) -> dict[str, Key]:
        """Our resources that stand and are not withdrawn, by reference: the plan's order first, then the rest."""
        after = {(d.item, d.part, d.round): d for d in self.rows if d.after is not None}
        found: dict[str, Key] = {}
        order = [*self.wanted, *(p for p in self.held.own if p not in self.wanted)]
        order += [(parse_key(i), part, n) for i, part, n in after if (parse_key(i), part, n) not in order]
        for place in order:
            key, part, number = place
            decision = after.get((str(key), part, number))
            ref, resource = self.held.own.get(place, ("", None))
            now = decision.after if decision and decision.after else resource
            if now is None or key.kind in ("plan", "phase") or status_class(now) in GONE:
                continue
            found[ref or f"{now['resourceType']}/{now['id']}"] = key
        return found

    def _filled(
        self, place: Place, resource: Resource, mine: Sequence[str], may_stay: set[str], names: Sequence[str]
    ) -> Resource:
        standing = self.held.own.get(place, ("", {}))[1]
        made = dict(resource)
        for name in names:
            wanted = [ref for ref in mine if ref.partition("/")[0] in ENTRIES[name]]
            kept = [e for e in standing.get(name) or [] if self._stays(_reference(e), may_stay)]
            there = {_reference(e) for e in kept}
            made[name] = [*kept, *(_entry(name, ref) for ref in wanted if ref not in there)]
            if not made[name]:
                del made[name]
        return made

    def _stays(self, reference: str, may_stay: set[str]) -> bool:
        ours = reference in {ref for ref, _ in self.held.own.values()} or reference.partition("/")[2] in self.held.ever
        return not ours or reference in may_stay

    def _remembering(self, root: Resource) -> Resource:
        """The root with every id ever offered, the conflicts settled, and the answers that were merged."""
        before = [str(i) for i in offered_of(self.held.own[ROOT][1]).get("ever", [])] if ROOT in self.held.own else []
        computed = [self.held.uuid(p) for p in self.held.own]
        made = [str(d.after["id"]) for d in self.rows if d.after is not None and not d.reference]
        phases = [self.held.uuid(p) for p in self.wanted if p[0].kind in ("phase", "plan")]
        ever = tuple(dict.fromkeys([*before, *phases, *made, *sorted(computed)]))
        merged = self._merged(root)
        return with_offered(root, ever=ever, settled=self.settled, merged="" if merged == self.plan.answers else merged)

    def _merged(self, root: Resource) -> str:
        """The digest of the answers that the server holds once this push went through."""
        if self.held.plan is not None and not any(d.after for d in self.rows):
            return self._digest(self.held.state)
        after = {d.reference: d.after for d in self.rows if d.after is not None and d.reference}
        now = [(ref, after.get(ref, r)) for ref, r in self.held.everything if ref != self.held.own.get(ROOT, ("",))[0]]
        now += [
            (f"{d.after['resourceType']}/{d.after['id']}", d.after) for d in self.rows if d.after and not d.reference
        ]
        found = [s for p, s in read_all([*now, ("CarePlan/root", root)]) if p.episode == self.plan.episode]
        return self._digest(found[0]) if found else ""

    def _digest(self, state: State) -> str:
        return digest_of_answers(answers(state), self.plan.items, self.plan.phases)

    @staticmethod
    def with_entries(base: Mapping[str, Any], wanted: Mapping[str, Any], root: Plan | None) -> Resource | None:
        """The CarePlan with its entries and, on the root, what it keeps in mind; None where nothing differs."""
        names = tuple(ENTRIES) if root else ("activity",)
        changed = {n for n in names if _references(base.get(n)) != _references(wanted.get(n))}
        made: Resource = {k: v for k, v in base.items() if k not in changed}
        made |= {n: wanted[n] for n in changed if n in wanted}
        told = {group: offer(base, group) for group in ("when", "what", "who", "status")}
        if root is None:
            return made if changed else None
        kept = {name: tuple(map(str, offered_of(wanted).get(name, []))) for name in ("ever", "settled")}
        merged = offer(wanted, "merged")
        said = {name: tuple(map(str, offered_of(base).get(name, []))) for name in ("ever", "settled")}
        # what the last push foresaw is what this plan was compiled with: the root need not say it again
        foreseen = not merged and root.answers == offer(base, "merged")
        extension = _plan_extension(base, wanted)
        version = {n: wanted[n] for n in ALWAYS_OURS if n in wanted and normal(wanted[n]) != normal(base.get(n))}
        says_same = extension is None or (foreseen and _plan_extension(base, wanted, besides="answers") is None)
        if says_same and not changed and not version and kept == said and (foreseen or merged == offer(base, "merged")):
            return None
        if extension is not None:
            made["extension"] = [extension if e.get("url") == PLAN else e for e in made["extension"]]
        return reoffered(made | version, told, merged=merged, **kept)


def alone(held: Holding) -> tuple[Holding, tuple[str, ...]]:
    """The holding with the root as if it followed our pathway only, and what it follows beside: protocols of others."""
    ref, root = held.own.get(ROOT, ("", {}))
    url = held.episode.pathway_url
    followed = [str(one) for one in root.get(CANONICAL) or ()]
    others = tuple(one for one in followed if one.partition("|")[0] != url)
    if not others:
        return held, ()
    mine = [one for one in followed if one not in others]
    seen = {k: v for k, v in root.items() if k != CANONICAL} | ({CANONICAL: mine} if mine else {})
    return replace(held, own={**held.own, ROOT: (ref, seen)}), others


def with_others(decision: Decision, others: Sequence[str]) -> Decision:
    """The decision about the root, with what it follows beside our pathway in it again."""
    if decision.before is None:
        return decision

    def whole(resource: Mapping[str, Any]) -> Resource:
        return {**resource, CANONICAL: [*(resource.get(CANONICAL) or ()), *others]}

    after = whole(decision.after) if decision.after is not None else None
    return replace(decision, before=whole(decision.before), after=after)


def _plan_extension(base: Mapping[str, Any], wanted: Mapping[str, Any], besides: str = "") -> dict[str, Any] | None:
    """The plan extension as wanted, but for the parts that are judged in groups; None where nothing differs.

    The anchors are as wanted whatever becomes of their group: all items are dated from them, so that a period which a
    person changed must not keep the surgery of before. `besides` is a part that may differ.
    """
    new, old = find(wanted, PLAN) or {}, find(base, PLAN) or {}
    judged = ("letterhead",)
    ours = [p for p in new.get("extension") or [] if p.get("url") not in judged]
    theirs = [p for p in old.get("extension") or [] if p.get("url") in judged]
    stands = [p for p in old.get("extension") or [] if p.get("url") not in judged]
    same = _compared(ours, besides) == _compared(stands, besides)
    return None if same else {"url": PLAN, "extension": [*ours, *theirs]}


def as_written(standing: Mapping[str, Any], wanted: Mapping[str, Any]) -> Resource:
    """The root as it stands after any push, whatever is asked about: its anchors and version are always the plan's."""
    made = {**standing, **{n: wanted[n] for n in ALWAYS_OURS if n in wanted}}
    extension = _plan_extension(standing, wanted)
    if extension is not None:
        made["extension"] = [extension if e.get("url") == PLAN else e for e in made["extension"]]
    return made


def _compared(parts: Sequence[Mapping[str, Any]], besides: str) -> Any:
    return normal([p for p in parts if p.get("url") != besides])


def _entry(name: str, reference: str) -> dict[str, Any]:
    return {"reference": {"reference": reference}} if name == "activity" else {"reference": reference}


def _reference(entry: Mapping[str, Any]) -> str:
    held = entry.get("reference")
    return str(held.get("reference") or "") if isinstance(held, Mapping) else str(held or "")


def _references(entries: Any) -> set[str]:
    return {_reference(e) for e in entries or []}


__all__ = ["PLAN_KEY", "CarePlans", "alone", "as_written", "with_others"]
