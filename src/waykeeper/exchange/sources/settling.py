"""Several statements about one booking: the later one wins; what cannot be ordered is for a person.

HL7 v2 messages are ordered by the time of the message, calendar entries by SEQUENCE and DTSTAMP (RFC 5545 3.8.7.4,
3.8.7.2; RFC 5546 2.1.5), rows of a table by the column that says when they were changed. The place in the file decides
nothing. A number is a booking of each patient for whom it is used: what is said of one patient never replaces what is
said of another.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import timedelta
from typing import NamedTuple

from waykeeper.exchange.sources.model import Bookings, Reading, Statement
from waykeeper.exchange.sources.people import apart, by_patient, with_names
from waykeeper.findings import Finding, Position, finding
from waykeeper.plan.model import Evidence

OFF = ("cancelled", "entered-in-error")
FELL = (*OFF, "noshow")
LIVE = ("proposed", "pending", "waitlist", "booked")
TOLD_SINGLY = 5  # of one kind, as numbers of several patients: more of them are one slip in mapping or feed


class Settled(NamedTuple):
    """What stands, what was noticed, and what of it takes back a booking that is not among the statements."""

    kept: list[Statement]
    findings: list[Finding]
    revoked: list[Statement]


def settle(statements: Sequence[Statement]) -> Settled:
    """What stands of each booking, in the order of the first statement about it, and what was noticed."""
    groups: dict[str, list[Statement]] = {}
    for number, one in enumerate(statements):
        groups.setdefault(one.booking or f"\0{number}", []).append(one)
    settled = Settled([], [], [])
    shared: list[Finding] = []
    for group in groups.values():
        now = _of_a_number(group, settled.findings, shared)
        settled.kept.extend(now)
        settled.revoked.extend(
            one for one in now if one.revokes and all(s.revokes for s in group if not apart(s.evidence, one.evidence))
        )
    settled.findings.extend(_few(shared))
    return settled


def settled(reading: Reading) -> Bookings:
    """What was read of the files of one kind, settled."""
    now = settle(reading.statements)
    other_number(now)
    return bookings(reading, [s.evidence for s in now.kept], now, len(reading.statements) - len(now.kept))


def bookings(reading: Reading, kept: Iterable[Evidence], now: Settled, superseded: int) -> Bookings:
    """The result of one kind of file: findings in the order of their places."""
    found = tuple(sorted((*reading.findings, *now.findings), key=lambda f: f.position))
    return Bookings(tuple(kept), found, reading.read, superseded, reading.others, tuple(now.revoked),
                    tuple(reading.merged))  # fmt: skip


def _of_a_number(group: Sequence[Statement], found: list[Finding], shared: list[Finding]) -> list[Statement]:
    if len(group) == 1:
        return list(group)
    said = by_patient(group)
    if not said.people:
        return _latest(group, found)
    places = {s.place for person in said.people for s in person}
    strangers = [s for s in said.nameless if s.place in places]  # one more of a class, whom the message does not name
    nameless = [s for s in said.nameless if s.place not in places]
    now = [_with_nameless(_latest(person, found), nameless, found) for person in said.people]
    if len(said.people) > 1:
        named = Counter(s.place for s in group)
        now = [_left_out(person, group, named, found) for person in now]
        shared += _several(said.people, now)
    if strangers:
        now.append(_latest(strangers, found))
    return [one for number, person in enumerate(now, 1) for one in _renamed(person, number)]


def _renamed(person: list[Statement], number: int) -> list[Statement]:
    """References are unique in a run: the second patient of a number gets one of her own."""
    if number == 1 or "/patient-" in person[0].evidence.reference:
        return person
    return [
        replace(s, evidence=replace(s.evidence, reference=f"{s.evidence.reference}/patient-{number}")) for s in person
    ]


def _several(people: Sequence[list[Statement]], now: Sequence[list[Statement]]) -> list[Finding]:
    """A number that is used for several patients, unless each statement about it names all of them: a class."""
    if len({frozenset(str(s.place) for s in person) for person in people}) == 1:
        return []
    firsts = [person[0] for person in now]
    alike = len({(s.evidence.day, s.evidence.start, s.evidence.service_types) for s in firsts}) == 1
    said = f"one number for {len(people)} patients, first at {people[0][0].place}: each keeps a booking of her own"
    place = next((s.place for person in people[1:] for s in person if s.place != people[0][0].place), firsts[-1].place)
    return [finding("WKX419" if alike else "WKX418", said, place)]


def _few(shared: Sequence[Finding]) -> list[Finding]:
    if len(shared) <= TOLD_SINGLY:
        return list(shared)
    worst = next((f for f in shared if f.code == "WKX418"), shared[0])
    more = finding(
        worst.code, f"{len(shared) - TOLD_SINGLY} more numbers are used for several patients", worst.position
    )
    return [*shared[:TOLD_SINGLY], more]


def _left_out(
    now: list[Statement], group: Sequence[Statement], named: Counter[Position], found: list[Finding]
) -> list[Statement]:
    """Of a class that a later statement tells again without her: nobody says whether she still comes."""
    one = now[0]
    if len(now) > 1 or named[one.place] < 2 or one.evidence.status not in LIVE:
        return now
    later = [s for s in group if named[s.place] > 1 and said_later(s, one)]
    if not later:
        return now
    found.append(
        finding("WKX408", f"names no longer a patient whom {one.place} names for the same booking", later[0].place)
    )
    return [replace(one, evidence=unclear(one.evidence, f"{one.evidence.status}, then left out"))]


def _with_nameless(now: list[Statement], nameless: Sequence[Statement], found: list[Finding]) -> list[Statement]:
    """What a later statement of the same number says that names nobody: it may take back, and never confirms."""
    one = now[0]
    later = [s for s in nameless if not said_later(one, s)]
    if not later or len(now) > 1:
        return now
    last = _latest(later, found)[-1]
    if last.evidence.status in OFF:
        taken = replace(last.evidence, patient=one.evidence.patient, reference=one.evidence.reference)
        return [replace(last, evidence=_filled(replace(last, evidence=taken), [one]))]
    if (last.evidence.status, last.evidence.day) == (one.evidence.status, one.evidence.day):
        return now
    said = f"the same booking as at {one.place}, with other content and without a patient"
    found.append(finding("WKX408", said, last.place))
    return [replace(one, evidence=unclear(one.evidence, f"{one.evidence.status}, {last.evidence.status}"))]


def _latest(group: Sequence[Statement], found: list[Finding]) -> list[Statement]:
    if len(group) == 1:
        return list(group)
    every = group
    told = [s.made for s in group if s.made is not None]
    if len(told) == len(group):
        newest = max(_key(s) for s in group)
        group = [s for s in group if _until(s) >= newest]
    distinct = _distinct([replace(s, evidence=with_names(s.evidence, every)) for s in _distinct(group)])
    if len(distinct) == 1:
        return [replace(distinct[0], evidence=_filled(distinct[0], every))]
    first = distinct[0]
    for other in distinct[1:]:
        said = f"the same booking as at {first.place}, with other content, and nothing says which is later"
        found.append(finding("WKX408", said, other.place))
    words = ", ".join(sorted({s.evidence.status for s in distinct}))
    return [replace(s, evidence=unclear(s.evidence, words)) for s in distinct]


def _filled(said: Statement, others: Sequence[Statement]) -> Evidence:
    """What fell through without saying when it was to be, with the day and the service that were told before.

    So is what leaves unsaid what did not change, unless it was called off before. Every number under which the booking
    was told stays with it, since another source may know it by any of them.
    """
    one = said.evidence
    numbers = tuple(dict.fromkeys(n for e in (one, *(s.evidence for s in others)) for n in e.identifiers))
    one = replace(one, identifiers=numbers) if numbers != one.identifiers else one
    dated = [s for s in others if s.evidence.day is not None]
    if one.day is not None or not dated:
        return one
    was = max(dated, key=_key).evidence
    if one.status not in FELL and not (said.keeps and was.status not in OFF):
        return one
    return replace(one, day=was.day, start=was.start, end=was.end, minutes=was.minutes, links=one.links or was.links,
                   service_types=one.service_types or was.service_types, text=one.text or was.text)  # fmt: skip


def other_number(now: Settled) -> None:
    """A cancellation that finds no booking by its number, beside one of its patient and hour, may mean that one."""
    standing: defaultdict[object, list[int]] = defaultdict(list)
    for n, s in enumerate(now.kept):
        if s.evidence.status in LIVE and s.evidence.start is not None:
            standing[s.evidence.start].append(n)
    for gone in now.revoked:
        for n in standing.get(gone.evidence.start, ()):
            one = now.kept[n]
            if {*one.evidence.patient}.isdisjoint(gone.evidence.patient) or said_later(one, gone):
                continue
            said = f"takes back a booking of the patient and hour of {one.place}, which has another number"
            now.findings.append(finding("WKX408", said, gone.place))
            words = f"{one.evidence.status}, {gone.evidence.status}"
            now.kept[n] = replace(one, evidence=unclear(one.evidence, words))


def said_later(one: Statement, other: Statement) -> bool:
    """Whether it is known that one was said after the other."""
    return one.made is not None and other.made is not None and _key(one) > _until(other)


def sent_again(statements: Sequence[Statement], sent: Sequence[tuple[str, ...]]) -> list[Statement]:
    """The statements, those of a message that came again under another time said at some time from first to last.

    sent   what tells that a message came again, () where nothing does: whether a repetition says something anew, as
           after a cancellation, or was only sent once more, nobody knows
    """
    times: dict[tuple[str, ...], tuple[Statement, Statement]] = {}
    for one, key in zip(statements, sent, strict=True):
        if key and one.made is not None:
            first, last = times.get(key, (one, one))
            times[key] = min(first, one, key=_key), max(last, one, key=_until)
    made = []
    for one, key in zip(statements, sent, strict=True):
        first, last = times[key] if key and one.made is not None else (one, one)
        if first is one and last is one:
            made.append(one)
        else:
            span = timedelta(seconds=_until(last)[1] - _key(first)[1])
            made.append(replace(one, made=first.made, span=span))
    return made


def _key(one: Statement) -> tuple[int, float]:
    number, moment = one.made or (0, None)
    return number, moment.timestamp() if moment else 0.0


def _until(one: Statement) -> tuple[int, float]:
    number, moment = _key(one)
    return number, moment + one.span.total_seconds()


def _distinct(group: Sequence[Statement]) -> list[Statement]:
    """Statements of one content once: a message sent twice says nothing new."""
    seen: dict[Evidence, Statement] = {}
    for one in group:
        patient = tuple(sorted(one.evidence.patient))
        seen.setdefault(replace(one.evidence, origin="", reference="", patient=patient), one)
    return list(seen.values())


def unclear(one: Evidence, words: str) -> Evidence:
    """The same with a status that says what was said, and that no verdict takes for one of them."""
    return replace(one, status=f"unclear ({words})")


def across(evidence: Iterable[Evidence], read: Bookings) -> tuple[list[Evidence], list[Finding]]:
    """Lay bookings of files beside what a server holds: one booking that both know is counted once.

    Where they say different things of it, both stay and both are for a person. A number that is another patient's
    there is another booking.
    """
    theirs = list(evidence)
    known: defaultdict[str, list[int]] = defaultdict(list)
    for number, one in enumerate(theirs):
        for name in one.identifiers if one.kind == "appointment" else ():
            known[name].append(number)
    found: list[Finding] = []
    ours: list[Evidence] = []
    for one in read.evidence:
        numbered = sorted({n for name in one.identifiers for n in known.get(name, ())})
        same = [n for n in numbered if not apart(theirs[n], one)]
        if numbered and not same:
            said = f"{one.reference} and {theirs[numbered[0]].reference} are one number and two patients"
            alike = (theirs[numbered[0]].day, theirs[numbered[0]].start) == (one.day, one.start)
            found.append(finding("WKX419" if alike else "WKX418", said, Position(one.origin)))
        differing = [n for n in same if (theirs[n].status, theirs[n].day) != (one.status, one.day)]
        if not differing:
            ours += [one] if not any(_known_as(theirs[n], one) for n in same) else []
            continue
        words = ", ".join(sorted({one.status, *(theirs[n].status for n in differing)}))
        said = f"{one.reference} and {theirs[differing[0]].reference} are one booking and say different things"
        found.append(finding("WKX409", said, Position(one.origin)))
        ours.append(unclear(one, words))
        for n in differing:
            theirs[n] = unclear(theirs[n], words)
    return [*theirs, *ours], found


def _known_as(theirs: Evidence, ours: Evidence) -> bool:
    """Whether a server's booking stands for that of a file: not where it may be somebody else's."""
    return not ours.patient or not {*theirs.patient}.isdisjoint(ours.patient)


def unknown(evidence: Iterable[Evidence], revoked: Iterable[Statement]) -> list[Finding]:
    """A finding for each cancellation of a booking that nothing else tells of.

    evidence   what other sources know: the numbers of their bookings
    """
    numbers = {name for one in evidence if one.kind == "appointment" for name in one.identifiers}
    said = "it takes back a booking of which nothing else was read: by this number none is known"
    return [finding("WKX420", said, s.place) for s in revoked if numbers.isdisjoint(s.evidence.identifiers)]
