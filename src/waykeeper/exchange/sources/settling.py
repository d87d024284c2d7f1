"""Several statements about one booking: the later one wins; what cannot be ordered is for a person.

HL7 v2 messages are ordered by the time of the message, calendar entries by SEQUENCE and DTSTAMP (RFC 5545 3.8.7.4,
3.8.7.2; RFC 5546 2.1.5), rows of a table by the column that says when they were changed. The place in the file decides
nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace

from waykeeper.exchange.sources.model import Bookings, Reading, Statement
from waykeeper.findings import Finding, Position, finding
from waykeeper.plan.model import Evidence


def settle(statements: Sequence[Statement]) -> tuple[list[Statement], list[Finding]]:
    """What stands of each booking, in the order of the first statement about it, and what was noticed."""
    groups: dict[str, list[Statement]] = {}
    for number, one in enumerate(statements):
        groups.setdefault(one.booking or f"\0{number}", []).append(one)
    kept: list[Statement] = []
    found: list[Finding] = []
    for group in groups.values():
        kept += _latest(group, found)
    return kept, found


def settled(reading: Reading) -> Bookings:
    """What was read of the files of one kind, settled."""
    kept, more = settle(reading.statements)
    return bookings(reading, [s.evidence for s in kept], more, len(reading.statements) - len(kept))


def bookings(reading: Reading, kept: Iterable[Evidence], more: Iterable[Finding], superseded: int) -> Bookings:
    """The result of one kind of file: findings in the order of their places."""
    found = tuple(sorted((*reading.findings, *more), key=lambda f: f.position))
    return Bookings(tuple(kept), found, reading.read, superseded, reading.others)


def _latest(group: Sequence[Statement], found: list[Finding]) -> list[Statement]:
    if len(group) == 1:
        return list(group)
    told = [s.made for s in group if s.made is not None]
    if len(told) == len(group):
        newest = max(_key(s) for s in group)
        group = [s for s in group if _key(s) == newest]
    distinct = _distinct(group)
    if len(distinct) == 1:
        return distinct
    first = distinct[0]
    for other in distinct[1:]:
        said = f"the same booking as at {first.place}, with other content, and nothing says which is later"
        found.append(finding("WKX408", said, other.place))
    words = ", ".join(sorted({s.evidence.status for s in distinct}))
    return [replace(s, evidence=unclear(s.evidence, words)) for s in distinct]


def _key(one: Statement) -> tuple[int, float]:
    number, moment = one.made or (0, None)
    return number, moment.timestamp() if moment else 0.0


def _distinct(group: Sequence[Statement]) -> list[Statement]:
    """Statements of one content once: a message sent twice says nothing new."""
    seen: dict[Evidence, Statement] = {}
    for one in group:
        seen.setdefault(replace(one.evidence, origin="", reference=""), one)
    return list(seen.values())


def unclear(one: Evidence, words: str) -> Evidence:
    """The same with a status that says what was said, and that no verdict takes for one of them."""
    return replace(one, status=f"unclear ({words})")


def across(evidence: Iterable[Evidence], read: Bookings) -> tuple[list[Evidence], list[Finding]]:
    """Lay bookings of files beside what a server holds: one booking that both know is counted once.

    Where they say different things of it, both stay and both are for a person.
    """
    theirs = list(evidence)
    known: defaultdict[str, list[int]] = defaultdict(list)
    for number, one in enumerate(theirs):
        for name in one.identifiers if one.kind == "appointment" else ():
            known[name].append(number)
    found: list[Finding] = []
    ours: list[Evidence] = []
    for one in read.evidence:
        same = sorted({n for name in one.identifiers for n in known.get(name, ())})
        differing = [n for n in same if (theirs[n].status, theirs[n].day) != (one.status, one.day)]
        if not differing:
            ours += [] if same else [one]
            continue
        words = ", ".join(sorted({one.status, *(theirs[n].status for n in differing)}))
        said = f"{one.reference} and {theirs[differing[0]].reference} are one booking and say different things"
        found.append(finding("WKX409", said, Position(one.origin)))
        ours.append(unclear(one, words))
        for n in differing:
            theirs[n] = unclear(theirs[n], words)
    return [*theirs, *ours], found
