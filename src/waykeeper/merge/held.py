"""What a server holds of one episode, by identity: our resources, the plan read from them, evidence of others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import count

from waykeeper.fhir import belongs, episode_of, identity, read_all
from waykeeper.fhir.ownership import offered_of
from waykeeper.fhir.recorded import named_medicine
from waykeeper.fhir.write import LEADING, PLAN_KEY
from waykeeper.medicines import NamedMedicine, same_medicine
from waykeeper.merge.model import Held
from waykeeper.plan.model import Episode, Key, Plan, State

Place = tuple[Key, str, int]  # key, part, round
ROOT: Place = (PLAN_KEY, "plan", 1)


@dataclass(frozen=True)
class Holding:
    """Our resources of one episode, and everything else that was read with them.

    doubles   places that two resources claim: nothing can be decided until a person removed one
    """

    episode: Episode
    own: Mapping[Place, Held]
    everything: Sequence[Held]
    doubles: tuple[Place, ...] = ()
    plan: Plan | None = None
    state: State = field(default_factory=State)
    ever: frozenset[str] = frozenset()

    @cached_property
    def _rounds(self) -> dict[Key, int]:
        """The highest round that stands, by item; a visit's request counts in none."""
        found: dict[Key, int] = {}
        for key, part, number in self.own:
            if not (key.kind == "visit" and part == "request"):
                found[key] = max(found.get(key, 0), number)
        return found

    def uuid(self, place: Place) -> str:
        """The computed id of a place."""
        key, part, number = place
        return self.episode.uuid(key.kind, key.item, part, key.occurrence, number)

    def highest(self, key: Key) -> int:
        """The highest round that any part of the item ever had, 0 where there is none. A request stays in round 1."""
        highest = self._rounds.get(key, 0)
        part = "appointment" if key.kind == "visit" else LEADING.get(key.kind, ("", "conflict"))[1]
        for number in count(highest + 1):
            if self.uuid((key, part, number)) not in self.ever:
                return number - 1
        raise AssertionError  # count() has no end

    def named(self, key: Key, number: int) -> NamedMedicine | None:
        """What the order of a medicine is called in one round; None where that is not told."""
        places = ((part, self.own.get((key, part, number))) for part in ("hold", "review"))
        return named_medicine({part: held for part, held in places if held is not None})

    def standing_name(self, key: Key) -> NamedMedicine | None:
        """What the order of a medicine is called in the round that stands; None where that is not told."""
        return self.named(key, self._rounds.get(key, 1))

    def rounds_about(self, key: Key, medicine: NamedMedicine) -> frozenset[int]:
        """The rounds of an item in which its order named this medicine, or does not say which."""
        names = {n: self.named(key, n) for n in range(1, self._rounds.get(key, 0) + 1)}
        return frozenset(n for n, was in names.items() if was is None or same_medicine(was, medicine))

    def references(self) -> dict[str, str]:
        """`Type/computed id` -> where it stands, for the places whose server gave ids of its own."""
        pairs = ((f"{r['resourceType']}/{self.uuid(place)}", ref) for place, (ref, r) in self.own.items())
        return {computed: ref for computed, ref in pairs if computed != ref}


def holding(episode: Episode, everything: Sequence[Held]) -> Holding:
    """Sort what was read. `everything` may hold other plans and other patients' resources; they are left alone."""
    own: dict[Place, Held] = {}
    doubles = []
    for ref, resource in everything:
        known = identity(resource)
        if known is None or not belongs(known, episode):
            continue
        place = (known.key, known.part, known.round)
        if place in own:
            doubles.append(place)
        else:
            own[place] = (ref, resource)
    plan, state = _stored(episode, everything)
    ever = frozenset(map(str, offered_of(own[ROOT][1]).get("ever", []))) if ROOT in own else frozenset()
    return Holding(episode, own, tuple(everything), tuple(doubles), plan, state, ever)


def _stored(episode: Episode, everything: Sequence[Held]) -> tuple[Plan | None, State]:
    roots = [r for _, r in everything if r.get("resourceType") == "CarePlan" and episode_of(r) == episode]
    if not roots:
        return None, State()
    found = [(p, s) for p, s in read_all(everything) if p.episode == episode]
    return found[0] if found else (None, State())
