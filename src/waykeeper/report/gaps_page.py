"""The coordinator's worklist as one self-contained page: to act from on a screen, to search, and to print."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any, Literal

from waykeeper.gaps.model import Change, Placement, Row, Worklist
from waykeeper.plan.model import MEDICINES, Plan
from waykeeper.report.blocks import AS_ABOVE, blocks, same_step, with_above
from waykeeper.report.not_whole import NOT_COMPARED, NOT_WHOLE, WHAT_IT_LACKS, WHAT_IT_SAYS, first_of
from waykeeper.report.page import render
from waykeeper.report.plain import Ends, apart, clean, day, value_of
from waykeeper.report.severity import CHANGES, SEVERITY, SeverityWords
from waykeeper.report.shown import (
    CERTAINTIES,
    KINDS,
    LIST_OF_MEDICINES,
    MAY_BE,
    NOT_NEEDED,
    RECORD_ONLY,
    asked_beside,
    booked_for_nothing,
    by_severity,
    check_the_day,
    completed_plans,
    entry_ahead,
    history,
    is_over,
    key,
    left_alone,
    now_and_over,
    order_of_all,
    owner_line,
    second_bookings,
    shown,
    silence,
    titles_of,
    told_too_soon,
)
from waykeeper.report.timeline import Timeline, layout

Names = Literal["shown", "hidden"]
_PART_OF_NAME = re.compile(r"[^\W\d_]{3,}")
Ranks = dict[tuple[str, str], int]  # identifier and name -> the patient's place by name
CALLED = ("phone", "sms")  # systems of a ContactPoint that a person can ring (FHIR R4)
_UNLISTED = frozenset({"not-yet-due", "printed"})  # counted on a patient's card, not listed


@dataclass(frozen=True, slots=True)
class Person:
    """A patient as the page names them: the whole name (empty where names are hidden), initials, identifier.

    birth, telephone   empty where names are hidden or nobody said
    """

    name: str
    initials: str
    identifier: str
    birth: str = ""
    telephone: str = ""


@dataclass(frozen=True, slots=True)
class GapCard:
    """One gap with everything that filters and sorts ask for. `order` is its place in the contract's order.

    patient_order   the patient's place by name; the same on every part of the page that is about the patient
    anchor          where the patient's own part of the page begins
    order_of_all    its next action in words that several steps share
    goes_on         it stands below another of the same operation
    same_step       and asks for the very thing that that one asks for
    """

    row: Row
    person: Person
    severity: SeverityWords
    order: int
    patient_order: int
    phase: str
    since: str
    by: str
    due: str
    surgery: str
    side: str = ""
    operation: str = ""
    order_of_all: str = ""
    anchor: str = ""
    goes_on: bool = False
    same_step: bool = False


@dataclass(frozen=True, slots=True)
class OverGroup:
    """The steps of one patient's operation that is over: of no use any more but to be recorded or closed."""

    person: Person
    surgery: str
    side: str
    operation: str
    cards: tuple[GapCard, ...]
    patient_order: int


@dataclass(frozen=True, slots=True)
class PatientCard:
    """One patient: timeline, rows worth reading, and a count of those that are not listed.

    counts   how much is to be done of each severity; `over` is counted apart: only to be recorded or closed
    put_off, closed   gaps that a person left alone
    """

    person: Person
    anchor: str
    surgery: str
    pathway: str
    silence: str
    counts: tuple[tuple[SeverityWords, int], ...]
    over: int
    put_off: int
    closed: int
    worst: int
    timeline: Timeline | None
    rows: tuple[Row, ...]
    unlisted: str
    side: str = ""
    patient_order: int = 0


@dataclass(frozen=True, slots=True)
class Choice:
    """One filter: the attribute that it looks at, its label, its values with their labels."""

    field: str
    label: str
    values: tuple[tuple[str, str], ...]


def gaps_html(
    worklist: Worklist,
    plans: Sequence[Plan] = (),
    *,
    names: Names = "shown",
    show_identifiers: bool = False,
    checked_against: str = "",
    changes: Sequence[Change] | None = None,
    since: date | None = None,
) -> str:
    """The worklist as one HTML file: nothing is fetched, a strict policy, works without its script.

    plans    give the clinic's name and the titles of phases; nothing else is read from them
    names    hidden: names are not in the file at all, only initials and the end of the identifier;
             shown: the reader may hide them on screen and on paper
    changes  what became of each gap since the report of the day `since`
    """
    worklist = worklist.held()
    if names == "hidden":
        worklist = replace(worklist, rows=tuple(map(_unnamed, worklist.rows)))
    phases = {phase.name: phase.title for plan in plans for phase in plan.phases}
    clinics = sorted({plan.letterhead.clinic for plan in plans if plan.letterhead.clinic})
    ends = _ends(worklist, changes or (), names, show_identifiers)
    people = _people(worklist, plans, names, ends)
    sides = {(str(p.patient.identifier), p.episode.number, p.pathway.name): p.side for p in plans}
    cards = _cards(worklist, people, phases, sides)
    now = [c for c in cards if not is_over(c.row, worklist.as_of)]
    counts = Counter(c.row.severity for c in now)
    early, ranks = told_too_soon(worklist), _ranks(worklist)
    return render(
        "gaps.html.j2",
        style="gaps.css",
        script="gaps.js",
        as_of=worklist.as_of,
        clinic=", ".join(clinics),
        source=checked_against,
        hidden=names == "hidden",
        cards=now,
        over=_over([c for c in cards if is_over(c.row, worklist.as_of)]),
        all_gaps=len(cards),
        today=_by_patient(now),
        ahead=_ahead(early, worklist, ranks, names, ends),
        check=check_the_day(worklist.as_of, len(early)),
        notes=(
            (NOT_WHOLE, WHAT_IT_LACKS, first_of(worklist.lacking)),
            (NOT_COMPARED, WHAT_IT_SAYS, first_of(worklist.unlike)),
        ),
        test_data=_test_data(plans),
        left_out=worklist.of_gaps - len(worklist.gaps) if worklist.asked else 0,
        left_levels=by_severity(worklist.left_out),
        key=key(worklist.rows),
        counts=[(SEVERITY[s], s, counts[s]) for s in (3, 2, 1) if counts[s] or s == 3],
        patients=_patients(worklist, people, sides),
        list_of_medicines=LIST_OF_MEDICINES if any(r.kind in MEDICINES for r in worklist.rows) else "",
        choices=_choices(cards),
        items=len(worklist.rows),
        plan_count=len({(*_who(r), r.episode, r.pathway) for r in worklist.rows if r.verdict != "no-plan"}),
        completed=completed_plans(worklist),
        narrowed=worklist.narrowed,
        changes=_changed(changes or (), names, ends),
        since=day(since),
        **_set_aside(worklist, people, ranks),
        **_appointments(worklist, ranks, names, ends),
        **_words(),
    )


def _set_aside(worklist: Worklist, people: Mapping[tuple[str, str], Person], ranks: Ranks) -> dict[str, Any]:
    """Rows beside the list of gaps, each with its patient."""
    kinds = {"snoozed": worklist.snoozed, "closed": worklist.closed, "lost": worklist.lost}
    return {name: [(r, people[_who(r)], ranks[_who(r)]) for r in rows] for name, rows in kinds.items()}


def _appointments(worklist: Worklist, ranks: Ranks, names: Names, ends: Ends) -> dict[str, list[dict[str, object]]]:
    """Appointments that are nobody's visit, may be one, are one too many, or are needed no more."""
    kinds = {
        "unplanned": worklist.unplanned,
        "maybe": asked_beside(worklist),
        "duplicates": second_bookings(worklist),
        "still_booked": booked_for_nothing(worklist),
    }
    return {name: [_appointment(p, ranks, names, ends) for p in found] for name, found in kinds.items()}


def _words() -> dict[str, Any]:
    """What the template writes with, whatever is in the list."""
    return {
        "day": day, "shown": shown, "left_alone": left_alone, "owner_line": owner_line, "history": history,
        "silence": silence, "certainties": CERTAINTIES, "kinds": KINDS, "severities": SEVERITY,
        "may_be": MAY_BE, "not_needed": NOT_NEEDED, "record_only": RECORD_ONLY,
        "as_above": AS_ABOVE,
    }  # fmt: skip


def _test_data(plans: Sequence[Plan]) -> str:
    """Whether the list is about invented people."""
    marked = sum(plan.patient.test_data for plan in plans)
    if not marked:
        return ""
    if marked == len(plans):
        return "Test data, not real patients."
    return f"Of {len(plans)} plans {marked} are test data, not of real patients."


def _ahead(
    early: Sequence[Placement], worklist: Worklist, ranks: Ranks, names: Names, ends: Ends
) -> list[tuple[Person, list[str], int | None]]:
    """Appointments ahead that are recorded as over, by patient."""
    found: dict[tuple[str, str], list[str]] = {}
    titles = titles_of(worklist) if early else {}
    for one in early:
        found.setdefault((one.identifier, one.patient), []).append(entry_ahead(one, titles))
    return [(_person(who[1], who[0], names, ends), entries, ranks.get(who)) for who, entries in found.items()]


def _changed(changes: Sequence[Change], names: Names, ends: Ends) -> list[tuple[str, list[dict[str, object]]]]:
    """What changed by its kind, gravest first, each with the patient, the item and the words before and after."""
    found = []
    for kind, title in CHANGES.items():
        lines = []
        for change in changes:
            row = change.after or change.before
            if change.kind == kind and row is not None:
                words = [shown(r.verdict) for r in (change.before, change.after) if r is not None]
                person = _person(row.patient, row.identifier, names, ends)
                lines.append({"person": person, "title": row.title, "words": " to ".join(dict.fromkeys(words))})
        if lines:
            found.append((title, lines))
    return found


def _unnamed(row: Row) -> Row:
    """The row without its patient's names in what it repeats of others: a booking is often called by them.

    A name like Sun leaves the weekday of a date where it stands.
    """
    words = {w for part in _PART_OF_NAME.findall(row.patient) for w in (part, part.upper())}
    known = re.compile(rf"\b({'|'.join(sorted(words))})\b(?! [0-9]{{4}}-)") if words else None

    def without(text: str) -> str:
        return known.sub(lambda found: f"{found[0][0]}.", text) if known else text

    return replace(
        row, reason=without(row.reason), next_action=without(row.next_action), owner=without(row.owner),
        closed_because=without(row.closed_because), questions=tuple(map(without, row.questions)),
        guesses=tuple(map(without, row.guesses)), history=tuple(map(without, row.history)),
    )  # fmt: skip


def _who(row: Row) -> tuple[str, str]:
    return row.identifier, row.patient


Sides = dict[tuple[str, int, str], str]


def _people(worklist: Worklist, plans: Sequence[Plan], names: Names, ends: Ends) -> dict[tuple[str, str], Person]:
    found = {_who(r): _person(r.patient, r.identifier, names, ends) for r in worklist.rows}
    if names == "hidden":
        return found
    known = {(str(p.patient.identifier), p.patient.name): p for p in plans}
    for who in found.keys() & known.keys():
        plan = known[who]
        found[who] = replace(
            found[who], birth=clean(plan.patient.birth_date), telephone=_telephone(plan, worklist.as_of)
        )
    return found


def _telephone(plan: Plan, as_of: date) -> str:
    """The patient's telephone number, where the patient's own resource came with the plan; the one to try first."""
    telecom = plan.source_patient.get("telecom")
    entries = [t for t in telecom if isinstance(t, dict)] if isinstance(telecom, list) else []
    numbers = [t for t in entries if t.get("system") in CALLED and t.get("value") and not _given_up(t, as_of)]
    return clean(str(min(numbers, key=_place)["value"])) if numbers else ""


def _given_up(contact: Mapping[str, Any], as_of: date) -> bool:
    """True for a number that is said to be no longer hers. The end of its period may be a year or a month."""
    end = str((contact.get("period") or {}).get("end") or "9999")[:10]
    return contact.get("use") == "old" or end < as_of.isoformat()[: len(end)]


def _place(contact: Mapping[str, Any]) -> tuple[int, bool]:
    """1 is tried first (FHIR R4 ContactPoint.rank); what has no rank after those, one at work last."""
    rank = contact.get("rank")
    return rank if isinstance(rank, int) else 99, contact.get("use") == "work"


def _side(row: Row, sides: Sides) -> str:
    return sides.get((row.identifier, row.episode, row.pathway), "")


def _ranks(worklist: Worklist) -> Ranks:
    """The place of each patient by name."""
    return {who: i for i, who in enumerate(sorted({_who(r) for r in worklist.rows}, key=lambda w: (w[1].lower(), w)))}


def _anchors(worklist: Worklist) -> dict[tuple[object, ...], str]:
    """Where each patient's plan begins on the page; the plans in the order in which the list first names them."""
    names = dict.fromkeys((*_who(r), r.episode, r.pathway) for r in worklist.rows)
    return {name: f"p{number:05d}" for number, name in enumerate(names)}


def _over(cards: Sequence[GapCard]) -> list[OverGroup]:
    """What is over, by patient and operation; the patients in the order of their gravest step."""
    groups: dict[tuple[object, ...], list[GapCard]] = {}
    for card in cards:
        groups.setdefault((*_who(card.row), card.row.episode, card.row.pathway), []).append(card)
    return [
        OverGroup(g[0].person, g[0].surgery, g[0].side, g[0].operation, tuple(g), g[0].patient_order)
        for g in groups.values()
    ]


def _by_patient(cards: Sequence[GapCard]) -> list[tuple[Person, int, str]]:
    """How many things each patient has that are to be done today because they are grave; most first."""
    counts = Counter(_who(c.row) for c in cards if c.row.severity == 3)
    first = {_who(c.row): c for c in reversed(cards)}
    return [
        (first[who].person, count, first[who].anchor)
        for who, count in sorted(counts.items(), key=lambda pair: (-pair[1], pair[0][1]))
    ]


def _person(name: str, identifier: str, names: Names, ends: Ends) -> Person:
    whole = clean(name)
    return Person(whole if names == "shown" else "", _initials(whole), ends(identifier))


def _ends(worklist: Worklist, changes: Sequence[Change], names: Names, whole: bool) -> Ends:
    """How much of each identifier the page shows. With initials alone more people are called alike."""
    if whole and names == "shown":
        return value_of
    rows = [*worklist.rows, *(row for c in changes for row in (c.before, c.after) if row is not None)]
    people = {(row.patient, row.identifier) for row in rows}
    people |= {(found.patient, found.identifier) for found in worklist.appointments}
    return apart((clean(name) if names == "shown" else _initials(clean(name)), number) for name, number in people)


def _initials(name: str) -> str:
    return " ".join(f"{part[0]}." for part in name.split()) or "no name"


def _cards(
    worklist: Worklist, people: dict[tuple[str, str], Person], phases: dict[str, str], sides: Sides
) -> list[GapCard]:
    ranks, anchors = _ranks(worklist), _anchors(worklist)
    placed = with_above(block for part in now_and_over(worklist) for block in blocks(part, worklist.as_of))
    return [
        GapCard(r, people[_who(r)], SEVERITY[r.severity], i, ranks[_who(r)], phases.get(r.phase, r.phase),
                day(r.since), day(r.by), _due(r.by, worklist.as_of), day(r.surgery),
                _side(r, sides), _operation(r), order_of_all(r), anchors[(*_who(r), r.episode, r.pathway)],
                before is not None, same_step(r, before))
        for i, (r, before) in enumerate(placed)
    ]  # fmt: skip


def _operation(row: Row) -> str:
    return row.pathway.rsplit("/", 1)[-1].replace("-", " ")


def _due(by: date | None, as_of: date) -> str:
    if by is None:
        return "none"
    if by <= as_of:
        return "now"
    return "week" if by <= as_of + timedelta(days=7) else "later"


_DUE_WORDS = {"now": "today or before", "week": "within 7 days", "later": "later", "none": "no day"}


def _choices(cards: Sequence[GapCard]) -> list[Choice]:
    """The filters that have anything to choose between."""
    asked = (
        ("kind", "Kind", [(c.row.kind, KINDS.get(c.row.kind, c.row.kind)) for c in cards]),
        ("verdict", "State", [(c.row.verdict, shown(c.row.verdict)) for c in cards]),
        ("due", "To be done", [(c.due, _DUE_WORDS[c.due]) for c in cards]),
        ("who", "Who acts", [(c.row.owner or c.row.who, c.row.owner or c.row.who) for c in cards]),
        ("phase", "Phase", [(c.phase, c.phase) for c in cards]),
        ("surgeon", "Surgeon", [(c.row.surgeon, c.row.surgeon) for c in cards]),
        ("pathway", "Procedure", [(c.row.pathway, c.row.pathway.rsplit("/", 1)[-1]) for c in cards]),
    )
    found = [Choice(field, label, tuple(sorted({v for v in values if v[0]}))) for field, label, values in asked]
    return [choice for choice in found if len(choice.values) > 1]


def _patients(worklist: Worklist, people: dict[tuple[str, str], Person], sides: Sides) -> list[PatientCard]:
    """Those with gaps first, in the order of their gravest; then the others by name."""
    groups: dict[tuple[str, str, int, str], list[Row]] = {}
    for row in worklist.rows:
        groups.setdefault((*_who(row), row.episode, row.pathway), []).append(row)
    ranks, anchors = _ranks(worklist), _anchors(worklist)
    cards = [
        replace(_patient(anchors[name], rows, people[_who(rows[0])], worklist.as_of),
                side=_side(rows[0], sides), patient_order=ranks[_who(rows[0])])
        for name, rows in groups.items()
    ]  # fmt: skip
    return sorted(cards, key=lambda c: (not c.worst, -c.worst, c.anchor if c.worst else "", c.person.name.lower()))


def _patient(anchor: str, rows: Sequence[Row], person: Person, as_of: date) -> PatientCard:
    gaps = [r for r in rows if r.to_do]
    now = Counter(r.severity for r in gaps if not is_over(r, as_of))
    listed = tuple(r for r in rows if r.gap or r.verdict not in _UNLISTED)
    rest = Counter(r.verdict for r in rows if not r.gap and r.verdict in _UNLISTED)
    said = {"not-yet-due": "not yet due", "printed": "printed on the patient's sheet, not tracked"}
    return PatientCard(
        person=person,
        anchor=anchor,
        surgery=day(next((r.surgery for r in rows if r.surgery), None)),
        pathway=_operation(rows[0]),
        silence=silence(rows),
        counts=tuple((SEVERITY[s], now[s]) for s in (3, 2, 1, 0) if now[s]),
        over=sum(is_over(r, as_of) for r in gaps),
        put_off=sum(r.gap and r.snoozed and not r.closed for r in rows),
        closed=sum(r.gap and r.closed and not r.let_go for r in rows),
        worst=max((r.severity for r in gaps), default=0),
        timeline=layout(rows, as_of),
        rows=tuple(sorted(listed, key=_reading_order)),
        unlisted=", ".join(f"{n} {said[word]}" for word, n in sorted(rest.items())),
    )  # fmt: skip


def _reading_order(row: Row) -> tuple[object, ...]:
    return (not row.to_do, not row.gap, -row.severity, row.window_start or row.target or date.max, row.item)


def _appointment(found: Placement, ranks: Ranks, names: Names, ends: Ends) -> dict[str, object]:
    """An appointment's line. Its free text may hold a name, so it goes where names go."""
    return {
        "person": _person(found.patient, found.identifier, names, ends),
        "text": found.text if names == "shown" else "",
        "found": found,
        "patient_order": ranks.get((found.identifier, found.patient)),
        "day": day(found.day) or "no day",
    }
