"""The worklist: every planned item once, every appointment once, in the order in which a coordinator acts."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from itertools import islice

from waykeeper.gaps.booked import of_operations, told, with_codes_of_orders, without_visits
from waykeeper.gaps.contacts import attempts, closing, last_seen, lost, snooze
from waykeeper.gaps.match import links_of_others, match_facts, visits
from waykeeper.gaps.medicines import asks_nothing, has_ended
from waykeeper.gaps.model import (
    NOT_BOOKED,
    ItemRef,
    Match,
    Matches,
    Placement,
    Row,
    TheatreCase,
    TheatreList,
    Verdict,
    Worklist,
)
from waykeeper.gaps.others import start_day
from waykeeper.gaps.placement import homeless, placements
from waykeeper.gaps.plans import assign, names, plan_verdict, told_by
from waykeeper.gaps.says import facts
from waykeeper.gaps.setting import Setting, setting
from waykeeper.gaps.titles import title
from waykeeper.gaps.together import together
from waykeeper.gaps.verdict import verdicts
from waykeeper.gaps.visits import days as visit_days
from waykeeper.gaps.words import Filling, say, sentence
from waykeeper.plan.beside import with_doses_of_all
from waykeeper.plan.model import MEDICINES, Contact, Evidence, Item, ItemState, Key, PatientRef, Plan, State

PlanState = tuple[Plan, State]
_FAR = 10**6


def order(row: Row, as_of: date) -> tuple[object, ...]:
    """Sort key of the list: severity, harm, days until it can no longer be mended, then name. No score.

    What can still be mended comes before what cannot, the day nearest to today first: a visit that may be rescued by
    Thursday is not hidden behind tasks of last winter. Before all come a medicine that nobody could classify, and a
    plan that the theatre list contradicts.
    """
    left = (row.mend_by - as_of).days if row.mend_by is not None else _FAR
    return (not row.first, -row.severity, -row.harm, left < 0, abs(left), row.patient, *row.name)


def _phase_harm(item: Item | None) -> tuple[str, int]:
    return (item.phase, item.harm) if item is not None else ("", 3)


def _row(
    on: Setting,
    item: Item | None,
    said: Verdict,
    surgeon: str,
    contacts: Sequence[Contact],
    matched: Sequence[Match] = (),
    group: str = "",
) -> Row:
    """One line of the worklist from a verdict; `item` None is the plan's own row.

    contacts  the attempts since the patient was last seen, of all the patient's plans
    matched   what belongs or may belong to a visit
    group     the rows that it belongs with
    """
    plan, own = on.plan, on.of(item) if item is not None else on.state.root
    key = item.key if item is not None else Key("plan", "plan")
    visit = key.kind == "visit"
    when = visit_days(item, plan.settings.grace_days) if visit and item is not None else None
    phase, harm = _phase_harm(item)
    last = said.mend_by if key.kind != "restriction" else None  # it holds on: nothing is lost by asking later
    until = snooze(own.snoozed_until, last) if own and (item is not None or said.severity < 3) else None
    follows = visit and when is not None and not on.of_before(when.closes)  # a class of before says nothing of today
    gone = bool(contacts) and said.gap and follows and lost(contacts, plan.settings, on.as_of)
    target = item.dates.target.day if item is not None and item.dates.target else None
    ended = closing(item, said, on, matched) if item is not None and own and own.closed_because else ""
    tail = (_lost_tail(contacts, on.as_of) if gone else "") + (_closed_tail(ended, own) if own else "")
    return Row(
        patient=plan.patient.name, identifier=str(plan.patient.identifier), episode=plan.episode.number,
        pathway=plan.pathway.name, item=str(key), kind=key.kind,
        title=title(item, said, on) if item is not None else plan.pathway.title or plan.pathway.name,
        phase=phase, verdict=said.word, gap=said.gap, severity=said.severity, harm=harm, since=said.since,
        window_start=when.opens if when else start_day(item) if item else None, target=target,
        window_end=when.closes if when else item.dates.last_day if item else on.surgery,
        evidence=said.evidence, certainty=said.certainty,
        reason=said.reason + tail,
        next_action=said.next_action, who=said.who, by=said.by, mend_by=said.mend_by, evidence_day=said.day,
        booked=said.day if said.word.startswith("booked") else None,
        attended=said.day if said.word.startswith("attended") else None,
        book_from=when.book_from if when else None, late_from=when.late_from if when else None,
        owner=own.owner if own else "", surgeon=surgeon, surgery=on.surgery, questions=said.questions,
        guesses=said.guesses, history=said.history, duplicates=said.duplicates,
        contacts=tuple(dict.fromkeys((*(own.contacts if own else ()), *(contacts if gone else ())))), lost=gone,
        snoozed=until is not None and on.as_of < until, snoozed_until=until,
        closed=ended == "closed", closed_because=own.closed_because if own else "",
        closed_by=own.closed_by if own else "", closed_on=own.closed_on if own else None,
        contactable=on.contactable, unproven=said.unproven,
        first=_first(item, said), served=item is not None and _served(item, on), together=group,
        ended=item is not None and asks_nothing(item), let_go=ended == "closed" and on.completed is not None,
    )  # fmt: skip


def is_open(row: Row) -> bool:
    """True for a gap that nobody closed: it keeps a plan from being completed."""
    return row.gap and not row.closed


def holding_still(rows: Iterable[Row]) -> tuple[Row, ...]:
    """Restrictions that nobody ended and whose end no day asks about; the end of the plan asks."""
    return tuple(row for row in rows if row.verdict == "in-force")


def _first(item: Item | None, said: Verdict) -> bool:
    """True if a row comes before all others: another day or side, or a medicine that no rule covers."""
    if item is None:
        return said.severity == 3
    return said.word == "needs-review" and item.hold is not None and not item.hold.recognised


def _served(item: Item, on: Setting) -> bool:
    """True if all that hangs on a question was due by a surgery that took place: no answer changes anything any more.

    What holds until somebody releases it, and a medicine, goes on after surgery. A medicine that had ended before it
    has served too: whether it was taken then changes nothing any more.
    """
    if item.key.kind in MEDICINES:
        return has_ended(item) and not on.unproven and on.of_before(on.surgery)
    if not item.fact or not item.asks_for or on.unproven:
        return False
    return all(  # of what the plan has lost nobody knows the day
        key in on.items and key.kind not in (*MEDICINES, "restriction") and on.of_before(on.items[key].dates.last_day)
        for key in item.asks_for
    )


def _lost_tail(contacts: Sequence[Contact], as_of: date) -> str:
    tried = attempts(contacts, as_of)
    return " " + sentence("tails", "lost", {"attempts": len(tried), "first_attempt": tried[0].on})


def _closed_tail(ended: str, own: ItemState) -> str:
    """Why a row that a person closed is on the list all the same; "" where it is not, or nobody closed it."""
    if ended in ("", "closed"):
        return ""
    by = f" by {own.closed_by}" if own.closed_by else ""
    filling = Filling({"because": own.closed_because, "by_whom": by, "closed_on": own.closed_on})
    return " " + sentence("tails", ended, filling)


def _no_plan(case: TheatreCase, as_of: date, plans: Sequence[Setting] = ()) -> Row:
    """The row of an operation on the theatre list that no plan stands for; `plans` are the patient's, all over or given
    another operation. For one who died no plan is to be made, and one that was withdrawn is told."""
    died = next((on for on in plans if on.died), None)
    over = died or next((on for on in plans if on.withdrawn and all(other.ended for other in plans)), None)
    other = next((on.surgery for on in reversed(plans) if not on.ended and on.surgery), None)
    word = "no-plan-died" if died else "no-plan-withdrawn" if over else "no-plan-other" if other else "no-plan"
    which = ", ".join(filter(None, (case.procedure, case.side)))
    named = Filling({"day": case.day, "reference": case.reference, "status": case.status})
    filling = Filling({
        **named, **told_by(case), "on_list": sentence("tellers", f"on_{case.kind or 'list'}", named),
        "procedure": f" ({which})" if which else "", "ended": over.ended if over else "", "other": other,
    })  # fmt: skip
    said = say("plan", word, None, filling, as_of)
    return Row(
        patient=case.name, identifier=case.patient[0] if case.patient else "", episode=0, pathway="",
        item=f"plan/{case.reference}", kind="plan", title=case.procedure or "operation", phase="",
        verdict=said.word, gap=said.gap, severity=said.severity, harm=3, since=said.since, window_start=None,
        target=case.day, window_end=case.day, evidence=(case.reference,),
        certainty=case.certainty if case.kind else "linked",
        reason=said.reason, next_action=said.next_action, who=said.who, by=said.by, mend_by=case.day,
        evidence_day=case.day, surgeon=case.surgeon, surgery=case.day, first=True, contactable=died is None,
    )  # fmt: skip


def _by_key(plan: Plan, matches: Mapping[ItemRef, list[Match]]) -> dict[Key, list[Match]]:
    found = {i.key: matches.get(ItemRef(plan.episode, i.key)) for i in plan.items if i.key.kind == "visit"}
    return {key: theirs for key, theirs in found.items() if theirs}


def _by_item(found: Matches) -> dict[ItemRef, list[Match]]:
    grouped: defaultdict[ItemRef, list[Match]] = defaultdict(list)
    for match in found.rows:
        for ref in (match.item, *match.candidates):
            if ref is not None:
                grouped[ref].append(match)
    return grouped


def contacts_of(plans: Sequence[PlanState]) -> tuple[Contact, ...]:
    """Every attempt to reach one patient, each once, whichever item of whichever plan it was noted at."""
    return tuple(dict.fromkeys(c for _, s in plans for own in s.items.values() for c in own.contacts))


def _ordered(plans: Sequence[PlanState]) -> list[PlanState]:
    """The plans of one patient in the order in which their rows are made."""
    return sorted(plans, key=lambda p: (p[0].episode.pathway_url, p[0].episode.number, p[0].episode.clinic_url))


def patient(
    plans: Sequence[PlanState],
    evidence: Iterable[Evidence],
    as_of: date | datetime,
    *,
    theatre: TheatreList | None = None,
) -> tuple[tuple[Row, ...], tuple[Placement, ...]]:
    """Everything about one patient: pure, so that a caseload of any size maps over it, in any partition.

    plans      all plans of one patient, each with what is recorded about it
    evidence   that patient's Appointments and Encounters, and the orders for the operations
    """
    ordered = with_doses_of_all(_ordered(plans))
    on_all = [setting(plan, state, as_of) for plan, state in ordered]
    sources = with_codes_of_orders(evidence)
    found = match_facts(visits(ordered), facts(sources, on_all[0].as_of))
    found = without_visits(found, of_operations(on_all, found))
    grouped = _by_item(found)
    cases, left = assign(on_all, theatre)
    booked, unplanned = told(on_all, found, sources, (*cases.values(), *left))
    seen = last_seen(found)
    contacts = tuple(c for c in contacts_of(ordered) if seen is None or c.on > seen)
    rows: list[Row] = [_no_plan(case, on_all[0].as_of, on_all) for case in left]
    said: dict[ItemRef, Verdict] = {}
    for index, on in enumerate(on_all):
        case = cases.get(index)
        surgeon = case.surgeon if case else ""
        others = [other for other in on_all if other is not on]
        matched = _by_key(on.plan, grouped)
        words = verdicts(on, matched)
        joined = together(on, words)
        items = [
            _row(on, i, words[i.key], surgeon, contacts, matched.get(i.key, ()), joined.get(i.key, ""))
            for i in on.plan.items
        ]
        still = None if any(map(is_open, items)) else holding_still(items)
        whole = plan_verdict(on, theatre, case, others, booked=booked.get(index, NOT_BOOKED), left=still)
        rows += [_row(on, None, whole, surgeon, contacts), *items]
        said |= {ItemRef(on.plan.episode, key): word for key, word in words.items() if key.kind == "visit"}
    rows += [_no_plan(case, on_all[0].as_of, on_all) for case in unplanned]  # last: `by_plan` counts from the front
    proof = {ref: anchor for on in on_all for anchor, ref in on.state.proven.items()}
    return tuple(rows), placements(found, said, on_all[0].plan, proof)


def groups(plans: Iterable[PlanState]) -> tuple[tuple[PlanState, ...], ...]:
    """Plans by patient, in the order in which patients first appear.

    A patient is known by the business identifier, and by those of records that were merged with hers. A server's
    reference joins plans only where their identifiers are of different systems: two servers may both have a
    `Patient/1`, and two people must never become one.
    """
    made: list[list[PlanState]] = []
    by_identifier: dict[str, int] = {}
    by_reference: defaultdict[str, list[int]] = defaultdict(list)
    for pair in plans:
        who = pair[0].patient
        numbers = (str(who.identifier), *who.merged)
        home = next((by_identifier[number] for number in numbers if number in by_identifier), None)
        if home is None:
            known = [n for n in by_reference[who.reference] if _other_systems(made[n], who)] if who.reference else []
            home = known[0] if len(known) == 1 else len(made)
            if home == len(made):
                made.append([])
            by_identifier.update((number, home) for number in numbers)
        if who.reference and home not in by_reference[who.reference]:
            by_reference[who.reference].append(home)
        made[home].append(pair)
    return tuple(tuple(g) for g in made)


def _other_systems(group: Sequence[PlanState], who: PatientRef) -> bool:
    return all(plan.patient.identifier.system != who.identifier.system for plan, _ in group)


class _Homes:
    """Whose a source is: by identifier where it names one, else by the server's reference."""

    def __init__(self, found: Sequence[Sequence[PlanState]]) -> None:
        self._by_name: defaultdict[str, set[int]] = defaultdict(set)
        self._told: dict[tuple[str, ...], frozenset[int]] = {}  # most sources of a patient use the same names
        for number, group in enumerate(found):
            for plan, _ in group:
                for name in names(plan):
                    self._by_name[name].add(number)

    def of(self, part: Evidence) -> frozenset[int]:
        """The groups that a source may belong to: one, none, or several where its names disagree or are shared."""
        if part.patient not in self._told:
            said = [self._by_name[n] for n in part.patient if n in self._by_name]
            agreed = frozenset.intersection(*map(frozenset, said)) if said else frozenset()
            self._told[part.patient] = agreed if len(agreed) == 1 else frozenset().union(*said)
        return self._told[part.patient]


def _shared(
    found: Sequence[Sequence[PlanState]], evidence: Iterable[Evidence]
) -> tuple[list[list[Evidence]], list[Placement]]:
    """Evidence by patient; what names no patient of ours, or two, is placed at once and never matched."""
    whose = _Homes(found)
    mine: list[list[Evidence]] = [[] for _ in found]
    strangers: list[Placement] = []
    for part in unique(evidence):
        homes = whose.of(part)
        if len(homes) == 1:
            mine[min(homes)].append(part)
        elif part.kind != "order":  # which is no appointment: of whom nothing is planned it says nothing
            strangers.append(homeless(part, two=len(homes) > 1))
    return mine, strangers


def unique(evidence: Iterable[Evidence]) -> Iterable[Evidence]:
    """Each source once, where the same one was read twice; two contents under one reference both stay."""
    known: dict[str, list[Evidence]] = {}
    for part in evidence:
        same = known.setdefault(part.reference, [])
        if part not in same:
            same.append(part)
            yield part


def place_order(place: Placement) -> tuple[object, ...]:
    """Sort key of the appointments: patient, day, reference; what was read twice stands together."""
    day = place.day.toordinal() if place.day else 0
    return (place.patient, place.identifier, day, place.reference, place.place, place.status)


def once(placed: Sequence[Placement]) -> Sequence[Placement]:
    """A class of which some have a plan here is placed for those; one of which nobody has, once: the first."""
    several = {reference for reference, times in Counter(p.reference for p in placed).items() if times > 1}
    if not several:
        return placed
    met = {(p.reference, p.day, p.status) for p in placed if p.place != "no plan" and p.reference in several}
    found = []
    for one in placed:
        same = (one.reference, one.day, one.status)
        if one.place == "no plan" and one.reference in several:
            if same in met:
                continue
            met.add(same)
        found.append(one)
    return found


def assemble(rows: Iterable[Row], appointments: Iterable[Placement], as_of: date) -> Worklist:
    """Put the parts of patients together into one report: ordered, counted."""
    ordered = sorted(rows, key=lambda r: order(r, as_of))
    counts = Counter(r.verdict for r in ordered)
    placed = once(sorted(appointments, key=place_order))
    return Worklist(as_of, tuple(ordered), tuple(placed), dict(sorted(counts.items())))


def worklist(
    plans: Iterable[PlanState],
    evidence: Iterable[Evidence],
    as_of: date | datetime,
    *,
    theatre: TheatreList | None = None,
) -> Worklist:
    """The report of a caseload: every planned item and every plan once, every appointment once.

    plans      (Plan, State) pairs, in any order
    evidence   Appointments and Encounters of anybody; what belongs to no plan is listed as `no plan`
    as_of      the clinic's day, or an aware moment that each plan's zone turns into its day
    theatre    the theatre list, where one was read
    """
    found, evidence = groups(plans), list(evidence)
    mine, strangers = _shared(found, evidence)
    today = setting(*found[0][0], as_of).as_of if found else as_of.date() if isinstance(as_of, datetime) else as_of
    rows: list[Row] = []
    placed = strangers
    for group, own in zip(found, mine, strict=True):
        more, places = patient(group, own, as_of, theatre=theatre)
        rows += more
        placed += places
    linked = {place.reference for place in placed if place.certainty == "linked"}
    loose = [part for part in evidence if part.links and part.reference not in linked]
    rows = _with_sources_of_others(rows, [pair for group in found for pair in group], loose) if loose else rows
    rows += _strange_cases(found, theatre, today)
    return assemble(rows, placed, today)


def _with_sources_of_others(rows: list[Row], plans: Sequence[PlanState], evidence: Iterable[Evidence]) -> list[Row]:
    """The rows, with a question at each visit whose order somebody booked, or attended, for another patient."""
    asks: defaultdict[tuple[str, int, str, str], list[str]] = defaultdict(list)
    for part, plan, item in links_of_others(unique(evidence), plans, names):
        name = (str(plan.patient.identifier), plan.episode.number, plan.pathway.name, str(item.key))
        filling = Filling({"reference": part.reference, "status": part.status, "day": part.day})
        asks[name].append(sentence("questions", "of_another", filling))
    return (
        [replace(r, questions=(*r.questions, *asks[r.name])) if r.name in asks else r for r in rows] if asks else rows
    )


def by_plan(
    plans: Iterable[PlanState], evidence: Iterable[Evidence], as_of: date
) -> Iterator[tuple[Plan, State, tuple[Row, ...], tuple[Contact, ...]]]:
    """Each plan with its own rows and the attempts to reach its patient. Two clinics may have a plan of one patient by
    one pathway, of which rows alone do not say whose they are."""
    found = groups(plans)
    mine, _ = _shared(found, evidence)
    for group, own in zip(found, mine, strict=True):
        rows, contacts = iter(patient(group, own, as_of)[0]), contacts_of(group)
        for plan, state in _ordered(group):
            yield plan, state, tuple(islice(rows, 1 + len(plan.items))), contacts  # the plan's own row, then its items


def _strange_cases(found: Sequence[Sequence[PlanState]], theatre: TheatreList | None, today: date) -> list[Row]:
    """Operations of patients of whom no plan is here at all."""
    known = {name for group in found for plan, _ in group for name in names(plan)}
    return [_no_plan(c, today) for c in (theatre.cases if theatre else ()) if not known & set(c.patient)]
