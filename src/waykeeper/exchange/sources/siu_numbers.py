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
from waykeeper.exchange.sources.settling import LIVE, OFF, unclear
from waykeeper.findings import Finding, Position, finding


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
    occurrence: str = ""  # which of a series (SCH-3)
    opens: bool = False  # the message tells of a new appointment

    @property
    def booking(self) -> str:
        """The number by which the message goes by itself."""
        number = str(self.filler) or str(self.placer)
        return f"{number}/{self.occurrence}" if number and self.occurrence else number


def entity(number: str, namespace: str, universal: str) -> Entity:
    """The components of an EI."""
    return Entity(number, namespace or universal)


def numbered(statements: Sequence[Statement], numbers: Sequence[Numbers]) -> tuple[list[Statement], list[Finding]]:
    """The statements, each with the number of its booking that holds in all of them.

    A number without its giver is the one with a giver where there is just one of that number. A placer's number alone
    is the filler's that other messages about the patient join to it; where they join several, it is that of none.
    Where a number is used with several occurrences, each is a booking of its own.
    """
    placers, keepers = _whole(n.placer for n in numbers), _whole(n.filler for n in numbers)
    whole = [(placers.get(n.placer, n.placer), keepers.get(n.filler, n.filler)) for n in numbers]
    fillers: defaultdict[Entity, _Fillers] = defaultdict(_Fillers)
    for one, (placer, filler) in zip(statements, whole, strict=True):
        if placer.number and filler.number:
            fillers[placer].add(one, filler)
    found: list[Finding] = []
    made = []
    for one, (placer, said) in zip(statements, whole, strict=True):
        filler = said
        if one.booking and not filler.number:
            joined = fillers[placer].of(one) if placer in fillers else set()
            filler = next(iter(joined)) if len(joined) == 1 else Entity()
            if len(joined) > 1:
                details = f"it names only a placer's number (SCH-1), under which {len(joined)} bookings go"
                found.append(finding("WKX408", details, one.place))
        booking = (str(filler) or str(placer)) if one.booking else ""
        made.append(one if one.booking == booking else replace(one, booking=booking))
    made, noticed = _apart(made, numbers)
    return made, [*found, *noticed]


class _Fillers:
    """The fillers' numbers that go with one placer's number, by the patients of whom it was said."""

    def __init__(self) -> None:
        self.every: set[Entity] = set()
        self.nameless: set[Entity] = set()
        self.named: defaultdict[str, set[Entity]] = defaultdict(set)

    def add(self, one: Statement, filler: Entity) -> None:
        self.every.add(filler)
        for name in one.evidence.patient:
            self.named[name].add(filler)
        if not one.evidence.patient:
            self.nameless.add(filler)

    def of(self, one: Statement) -> set[Entity]:
        """Those that may be of the patient of a statement."""
        names = one.evidence.patient
        return self.nameless.union(*(self.named.get(n, set()) for n in names)) if names else self.every


def _apart(statements: Sequence[Statement], numbers: Sequence[Numbers]) -> tuple[list[Statement], list[Finding]]:
    """Each occurrence of a number apart (SCH-3, which with SCH-1 and SCH-2 names one appointment of a series).

    What takes back a number without naming an occurrence takes back each. Where some occurrences begin with a new
    appointment (S12) and others with a change, the sender may count its messages there: then the earlier times are
    over, and no booking of the number is sure.
    """
    told: defaultdict[str, dict[str, Position]] = defaultdict(dict)
    opened: defaultdict[str, set[str]] = defaultdict(set)
    for one, number in zip(statements, numbers, strict=True):
        if one.booking and number.occurrence:
            told[one.booking].setdefault(number.occurrence, one.place)
            if number.opens:
                opened[one.booking].add(number.occurrence)
    several = {booking: known for booking, known in told.items() if len(known) > 1}
    counted = {booking for booking, known in several.items() if 0 < len(opened[booking]) < len(known)}
    made: list[Statement] = []
    for told_one, number in zip(statements, numbers, strict=True):
        occurrence, known = number.occurrence, several.get(told_one.booking, {})
        one = _doubted(told_one) if told_one.booking in counted else told_one
        if known and occurrence:
            made.append(replace(one, booking=f"{one.booking}/{occurrence}"))
        elif known and one.evidence.status in OFF:
            said = one.evidence
            made += [
                replace(one, booking=f"{one.booking}/{n}", evidence=replace(said, reference=f"{said.reference}/{n}"))
                for n in known
            ]
        else:
            made.append(one)
    found = []
    for booking, known in several.items():
        place = [*known.values()][1]
        found.append(finding("WKX425", f"one number with {len(known)} occurrences (SCH-3)", place))
        if booking in counted:
            details = (
                f"of {len(known)} occurrences (SCH-3) of the number {len(opened[booking])} begin with S12: the others"
                " may be later times of the same booking"
            )
            found.append(finding("WKX408", details, place))
    return made, found


def _doubted(one: Statement) -> Statement:
    said = one.evidence
    return replace(one, evidence=unclear(said, f"{said.status}, of several SCH-3")) if said.status in LIVE else one


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
