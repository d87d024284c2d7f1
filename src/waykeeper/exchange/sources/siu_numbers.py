"""Which HL7 v2 messages speak of one appointment: the filler's number (SCH-2), else the placer's (SCH-1).

HL7 v2.5.1 chapter 10: SCH-1 and SCH-2 are entity identifiers (EI: number, namespace, universal id). The filler's
number names the appointment; a sender that has none yet gives the placer's only, and a later message joins the two.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import NamedTuple

from waykeeper.exchange.sources.model import Statement
from waykeeper.findings import Finding, finding


class Entity(NamedTuple):
    """An entity identifier: the number and who gave it, by namespace, else by universal id; "" where it is not said."""

    number: str = ""
    giver: str = ""

    def __str__(self) -> str:
        """As it stands in a reference: `F1^NS`, `F1`, or nothing."""
        return "^".join(part for part in self if part) if self.number else ""


class Numbers(NamedTuple):
    """What one message calls its appointment."""

    placer: Entity = Entity()
    filler: Entity = Entity()

    @property
    def booking(self) -> str:
        """The number by which the message goes by itself."""
        return str(self.filler) or str(self.placer)


def entity(number: str, namespace: str, universal: str) -> Entity:
    """The components of an EI."""
    return Entity(number, namespace or universal)


def numbered(statements: Sequence[Statement], numbers: Sequence[Numbers]) -> tuple[list[Statement], list[Finding]]:
    """The statements, each with the number of its booking that holds in all of them.

    A number without its giver is the one with a giver where there is just one of that number. A placer's number alone
    is the filler's that other messages about the patient join to it; where they join several, it is that of none.
    """
    placers, keepers = _whole(n.placer for n in numbers), _whole(n.filler for n in numbers)
    whole = [Numbers(placers.get(n.placer, n.placer), keepers.get(n.filler, n.filler)) for n in numbers]
    fillers: defaultdict[Entity, list[tuple[Statement, Entity]]] = defaultdict(list)
    for one, (placer, filler) in zip(statements, whole, strict=True):
        if placer.number and filler.number:
            fillers[placer].append((one, filler))
    found: list[Finding] = []
    made = []
    for one, (placer, said) in zip(statements, whole, strict=True):
        filler = said
        if one.booking and not filler.number:
            joined = {number for other, number in fillers.get(placer, ()) if _one_patient(one, other)}
            filler = joined.pop() if len(joined) == 1 else Entity()
            if joined and not filler.number:
                details = f"it names only a placer's number (SCH-1), under which {len(joined)} bookings go"
                found.append(finding("WKX408", details, one.place))
        made.append(replace(one, booking=(str(filler) or str(placer)) if one.booking else ""))
    return made, found


def _whole(numbers: Iterable[Entity]) -> dict[Entity, Entity]:
    """Each number without a giver -> the one with a giver, where there is just one of that number."""
    givers: defaultdict[str, set[str]] = defaultdict(set)
    for one in numbers:
        givers[one.number].add(one.giver)
    return {
        Entity(number): Entity(number, next(iter(known - {""})))
        for number, known in givers.items()
        if number and "" in known and len(known) == 2
    }


def _one_patient(one: Statement, other: Statement) -> bool:
    names = {*one.evidence.patient}
    return not names or not other.evidence.patient or bool(names & {*other.evidence.patient})
