"""Which appointment belongs to which planned visit: links first, then one score table, over all plans of a patient."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache, lru_cache
from importlib.resources import files
from typing import NamedTuple, cast

import yaml

from waykeeper.fhir.identity import is_computed
from waykeeper.fhir.names import IDENTIFIER_PATH
from waykeeper.gaps.intervals import Interval, intervals, nearly, own_interval
from waykeeper.gaps.model import Fact, ItemRef, Match, Matches
from waykeeper.gaps.says import facts, words
from waykeeper.pathway.model import Recognise
from waykeeper.plan.model import Evidence, Item, ItemState, Plan, State
from waykeeper.quickly_made import quickly_made

_LINKED_PARTS: Mapping[str, str] = {"request": "ServiceRequest", "appointment": "Appointment"}
_APPOINTMENT_KINDS = "http://terminology.hl7.org/CodeSystem/v2-0276|"
_OUT_OF_TURN_KINDS = frozenset(_APPOINTMENT_KINDS + code for code in ("WALKIN", "EMERGENCY"))
_OUT_OF_TURN = re.compile(r"\b(walk[- ]?in|urgent|emergency|unscheduled)\b", re.IGNORECASE)
_DIGIT_WORD = re.compile(r"\w+")


@cache
def weights() -> Mapping[str, int]:
    """The score table, from score.yaml."""
    return cast("dict[str, int]", yaml.safe_load((files("waykeeper.gaps") / "score.yaml").read_text("utf-8")))


@quickly_made
@dataclass(frozen=True, slots=True)
class Visit:
    """A planned visit with what matching asks of it, prepared once. Days are inclusive; None while awaited.

    over   its whole plan was withdrawn
    """

    ref: ItemRef
    item: Item
    own: ItemState
    opens: date | None
    closes: date | None
    interval: Interval | None
    types: frozenset[str]
    specialties: frozenset[str]
    words: tuple[str, ...]
    over: bool = False


def window(item: Item) -> tuple[date | None, date | None]:
    """First and last day of a visit's window; without one, the target and the rolled day."""
    if item.dates.window is not None:
        return item.dates.window.start.day, item.dates.window.end.day
    days = [m.day for m in (item.dates.target, item.dates.at) if m is not None]
    return (min(days), max(days)) if days else (None, None)


def _stored_links(seen: Visit) -> Iterable[str]:
    """Names under which a server holds this visit, and order numbers that others put on it."""
    yield from seen.own.identifiers
    for part in _LINKED_PARTS:
        if seen.own.references.get(part):
            yield seen.own.references[part]


def _computed_links(seen: Visit) -> Iterable[str]:
    """Names that follow from the identity alone, in every round: ids, our identifiers, urns of a bundle."""
    episode, key = seen.ref.episode, seen.ref.key
    system = episode.clinic_url + IDENTIFIER_PATH
    for part, kind in _LINKED_PARTS.items():
        for number in range(1, max(seen.own.round, 1) + 1):
            computed = episode.uuid(key.kind, key.item, part, key.occurrence, number)
            yield from (f"urn:uuid:{computed}", f"{system}|{computed}", f"{kind}/{computed}")


@lru_cache(maxsize=4096)
def _recognise(recognise: Recognise) -> tuple[frozenset[str], frozenset[str], tuple[str, ...]]:
    """Types and specialties as "system|code", and the words as matching compares them."""
    return (
        frozenset(f"{c.system}|{c.code}" for c in recognise.service_type),
        frozenset(f"{c.system}|{c.code}" for c in recognise.specialty),
        tuple(_normal(w) for w in recognise.words if w.strip()),
    )


def visits(plans: Iterable[tuple[Plan, State]]) -> tuple[Visit, ...]:
    """Every planned visit of the plans, ordered by its name, so that the input's order plays no part."""
    made = []
    for plan, state in plans:
        over = bool(plan.withdrawn) or state.plan_status in ("revoked", "completed")
        for item in plan.items:
            if item.key.kind == "visit":
                own = state.items.get(item.key) or ItemState(item.key)
                opens, closes = window(item)
                types, specialties, words = _recognise(item.recognise)
                ref, interval = ItemRef(plan.episode, item.key), own_interval(item.phrase)
                made.append(Visit(ref, item, own, opens, closes, interval, types, specialties, words, over))
    return tuple(sorted(made, key=lambda v: v.ref.order))


@lru_cache(maxsize=8192)
def _normal(text: str) -> str:
    """Lower case, words only, one space between: " wound check "."""
    return f" {' '.join(_DIGIT_WORD.findall(text.lower()))} "


Rows = dict[str, int]  # row of the score table -> its weight


class Services(NamedTuple):
    """What a fact says of itself, whichever visit it is laid beside. Types and specialties are "system|code".

    out_of_turn   it says that the patient came without being due: walk-in, urgent, emergency
    """

    types: frozenset[str]
    specialties: frozenset[str]
    out_of_turn: bool


def _services(fact: Fact) -> Services:
    """The services of all sources of a fact. A kind of appointment (HL7 table 0276: routine, follow-up) is none."""
    codes = {code for p in fact.parts for code in p.service_types}
    kinds = {code for code in codes if code.startswith(_APPOINTMENT_KINDS)}
    said = any(_OUT_OF_TURN.search(words(p)) for p in fact.parts if p.text or p.remarks)
    specialties = frozenset(code for p in fact.parts for code in p.specialties)
    return Services(frozenset(codes - kinds), specialties, said or not _OUT_OF_TURN_KINDS.isdisjoint(kinds))


def _service(seen: Visit, of: Services, rows: Rows) -> None:
    table = weights()
    types, specialties = of.types, of.specialties
    same_type = not seen.types.isdisjoint(types)
    same_specialty = not seen.specialties.isdisjoint(specialties)
    if same_type:
        rows["service type"] = table["service_type"]
    if same_specialty:
        rows["specialty"] = table["specialty"]
    if (types and seen.types and not same_type) or (specialties and seen.specialties and not same_specialty):
        rows["another service"] = table["other_service"]
    if of.out_of_turn:
        rows["out of turn"] = table["out_of_turn"]


def _text(seen: Visit, part: Evidence, rows: Rows) -> None:
    text = _normal(part.text)
    for word in seen.words:
        if word in text:
            rows["words"] = weights()["words"]
    for named in intervals(part.text):
        if named == seen.interval:
            rows["interval"] = weights()["interval"]
        elif seen.interval is None or not nearly(named, seen.interval):
            rows["another interval"] = weights()["other_interval"]


def _day(seen: Visit, day: date, rows: Rows) -> None:
    if seen.opens is None or seen.closes is None:
        return
    if seen.opens <= day <= seen.closes:
        rows["day inside the window"] = weights()["day_inside"]
        return
    early, width = day < seen.opens, (seen.closes - seen.opens).days
    outside = (seen.opens - day).days if early else (day - seen.closes).days
    if outside <= weights()["beside_days"]:
        rows["day beside the window"] = weights()["day_inside"]
    elif early and outside <= width // 2:
        rows["day before the window"] = weights()["day_before"]
    elif not early and outside <= width:
        rows["day after the window"] = weights()["day_after"]


def _rest(seen: Visit, part: Evidence, rows: Rows) -> None:
    table, item = weights(), seen.item
    if part.practitioner and seen.own.owner in part.practitioner:
        rows["practitioner"] = table["practitioner"]
    if part.minutes and item.minutes and abs(part.minutes - item.minutes) <= table["duration_minutes"]:
        rows["duration"] = table["duration"]
    if part.telehealth and not item.recognise.telehealth:
        rows["telehealth"] = table["telehealth"]


def score(seen: Visit, fact: Fact, services: Services | None = None) -> Rows:
    """What speaks for and against a visit, by the table. Each row counts once for a fact, however many sources."""
    rows: Rows = {}
    _service(seen, services or _services(fact), rows)
    for part in fact.parts:
        if part.text:
            _text(seen, part, rows)
        if part.practitioner or part.minutes or part.telehealth:
            _rest(seen, part, rows)
    if fact.day is not None:
        _day(seen, fact.day, rows)
    return rows


class _Links:
    """Which visit a name points at. Computed names cost a hash each, so they are made only when one is asked for."""

    def __init__(self, seen: Sequence[Visit]) -> None:
        self._seen = seen
        self._stored: dict[str, tuple[Visit, ...]] = {}
        for v in seen:
            for name in _stored_links(v):
                known = self._stored.get(name, ())
                self._stored[name] = known if known and known[-1] is v else (*known, v)
        self._computed: dict[str, Visit] | None = None

    def find(self, name: str) -> tuple[Visit, ...]:
        """The visits of a reference, a conditional reference, or "system|value": several share an order's number."""
        name = name.partition("identifier=")[2] or name
        found = self._stored.get(name, ())
        if found or not is_computed(name):
            return found
        if self._computed is None:
            self._computed = {n: v for v in self._seen for n in _computed_links(v)}
        computed = self._computed.get(name)
        return (computed,) if computed is not None else ()


def links_of_others(
    evidence: Iterable[Evidence], plans: Iterable[tuple[Plan, State]], names: Callable[[Plan], Collection[str]]
) -> list[tuple[Evidence, Plan, Item]]:
    """Sources of one patient that are linked to a visit in the plan of another; `names` are those of a plan's patient.

    A link is by what a server or we gave it; a source that names nobody, or both, is not meant.
    """
    pairs = list(plans)
    known = {plan.episode: plan for plan, _ in pairs}
    links = _Links(visits(pairs))
    found = []
    for part in evidence:
        if part.kind == "order" or not part.patient:
            continue
        meant = {v.ref: v for name in part.links for v in links.find(name)}
        others = [v for v in meant.values() if set(part.patient).isdisjoint(names(known[v.ref.episode]))]
        if len(others) == len(meant):
            found += [(part, known[v.ref.episode], v.item) for v in others]
    return found


def _linked(fact: Fact, links: _Links) -> tuple[Visit, ...]:
    """The visits that a fact is linked to: one, or none, or a contradiction.

    A number that several visits share links to none of them, unless another name of the fact says which.
    """
    hits = [links.find(name) for part in fact.parts for name in (part.reference, *part.links, *part.identifiers)]
    sure = [hit for hit in hits if len(hit) == 1] or hits
    found = list({id(v): v for hit in sure for v in hit}.values())
    return tuple(sorted(found, key=lambda v: v.ref.order)) if len(found) > 1 else tuple(found)


def _said(rows: Rows) -> tuple[str, ...]:
    return tuple(f"{name} {weight:+d}" for name, weight in rows.items())


def _scored(fact: Fact, seen: Sequence[Visit]) -> Match:
    """The best visit of a fact without a link. What was remarked to colleagues makes a guess at most.

    It recognises nothing, and where it speaks for another visit than the service does, a person has to say which.
    """
    best = _best(fact, seen)
    if not any(part.remarks for part in fact.parts):
        return best
    parts = tuple(replace(part, text=words(part)) for part in fact.parts)
    told = _best(replace(fact, parts=parts), seen)
    meant = {ref for one in (best, told) for ref in (one.item, *one.candidates) if ref is not None}
    if not meant or (best.item is not None and told.item in (None, best.item)):
        return best
    more = max(best, told, key=lambda one: one.score)
    return Match(fact, None, "guessed", more.score, more.reasons, tuple(sorted(meant, key=lambda ref: ref.order)))


def _best(fact: Fact, seen: Sequence[Visit]) -> Match:
    """The best visit by the score table, and how sure that is. `seen` is in order, so ties keep it."""
    table = weights()
    services = _services(fact)  # of the fact alone: asked for once, not once a visit
    scores = [score(v, fact, services) for v in seen]
    points = [sum(rows.values()) for rows in scores]
    best = max(points, default=0)
    if best <= 0:
        return Match(fact, None, "none", best, _said(scores[points.index(best)]) if points else ())
    rivals = sorted(
        (n for n, p in enumerate(points) if p > 0 and best - p < table["better_by"]), key=lambda n: -points[n]
    )
    rivals = _in_force(seen, rivals, points, best)
    reasons = _said(scores[rivals[0]])
    if best >= table["recognised_from"] and len(rivals) == 1:
        return Match(fact, seen[rivals[0]].ref, "recognised", best, reasons)
    return Match(fact, None, "guessed", best, reasons, tuple(seen[n].ref for n in rivals))


def _in_force(seen: Sequence[Visit], rivals: list[int], points: Sequence[int], best: int) -> list[int]:
    """Without the visits of plans that were withdrawn, where a visit of one in force fits as well as any of them."""
    alive = [n for n in rivals if not seen[n].over]
    return alive if alive and points[alive[0]] == best else rivals


def match_facts(seen: Sequence[Visit], found: Iterable[Fact]) -> Matches:
    """Match facts of one patient to that patient's visits; each fact comes out exactly once."""
    links = _Links(seen)
    rows: list[Match] = []
    for fact in found:
        linked = _linked(fact, links)
        if len(linked) == 1:
            rows.append(Match(fact, linked[0].ref, "linked"))
        elif linked:
            rows.append(Match(fact, None, "guessed", 0, (), tuple(v.ref for v in linked), "two_links"))
        else:
            rows.append(_scored(fact, seen))
    return Matches(tuple(rows))


def match(plans: Sequence[tuple[Plan, State]], evidence: Iterable[Evidence], as_of: date) -> Matches:
    """Match the evidence of one patient to the visits of all the patient's plans.

    plans      the patient's plans with what is recorded about them
    evidence   Appointments and Encounters of this patient only
    as_of      the clinic's day on which the evidence is read
    """
    return match_facts(visits(plans), facts(evidence, as_of))
