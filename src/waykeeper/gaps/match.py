"""Which appointment belongs to which planned visit: links first, then one score table, over all plans of a patient."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache, lru_cache
from importlib.resources import files
from typing import cast

import yaml

from waykeeper.fhir.names import IDENTIFIER_PATH
from waykeeper.gaps.intervals import Interval, intervals, nearly, own_interval
from waykeeper.gaps.model import Fact, ItemRef, Match, Matches
from waykeeper.gaps.says import facts
from waykeeper.plan.model import Evidence, Item, ItemState, Plan, State

_LINKED_PARTS = ("request", "appointment")
_DIGIT_WORD = re.compile(r"\w+")


@cache
def weights() -> Mapping[str, int]:
    """The score table, from score.yaml."""
    return cast("dict[str, int]", yaml.safe_load((files("waykeeper.gaps") / "score.yaml").read_text("utf-8")))


@dataclass(frozen=True, slots=True)
class Visit:
    """A planned visit with what matching asks of it, prepared once. Days are inclusive; None while awaited."""

    ref: ItemRef
    item: Item
    opens: date | None
    closes: date | None
    links: frozenset[str]
    interval: Interval | None
    types: frozenset[str]
    specialties: frozenset[str]
    words: tuple[str, ...]
    practitioner: str


def window(item: Item) -> tuple[date | None, date | None]:
    """First and last day of a visit's window; without one, the target and the rolled day."""
    if item.dates.window is not None:
        return item.dates.window.start.day, item.dates.window.end.day
    days = [m.day for m in (item.dates.target, item.dates.at) if m is not None]
    return (min(days), max(days)) if days else (None, None)


def _own_links(plan: Plan, item: Item, state: ItemState) -> frozenset[str]:
    """Every name by which the world may point at this visit: ids, our identifiers, urns, order numbers."""
    names: set[str] = set(state.identifiers)
    key, system = item.key, plan.episode.clinic_url + IDENTIFIER_PATH
    for part in _LINKED_PARTS:
        kind = "ServiceRequest" if part == "request" else "Appointment"
        for number in range(1, max(state.round, 1) + 1):
            computed = plan.episode.uuid(key.kind, key.item, part, key.occurrence, number)
            names |= {f"urn:uuid:{computed}", f"{system}|{computed}", f"{kind}/{computed}"}
    names |= {ref for part, ref in state.references.items() if part in _LINKED_PARTS and ref}
    return frozenset(names)


def visit(plan: Plan, item: Item, state: ItemState) -> Visit:
    """Prepare one planned visit for matching."""
    opens, closes = window(item)
    return Visit(
        ItemRef(plan.episode, item.key), item, opens, closes, _own_links(plan, item, state),
        own_interval(item.phrase),
        frozenset(f"{c.system}|{c.code}" for c in item.recognise.service_type),
        frozenset(f"{c.system}|{c.code}" for c in item.recognise.specialty),
        tuple(_normal(w) for w in item.recognise.words), state.owner,
    )  # fmt: skip


def visits(plans: Iterable[tuple[Plan, State]]) -> tuple[Visit, ...]:
    """Every planned visit of the plans, ordered by its name, so that the input's order plays no part."""
    made = [
        visit(plan, item, state.items.get(item.key) or ItemState(item.key))
        for plan, state in plans
        for item in plan.items
        if item.key.kind == "visit"
    ]
    return tuple(sorted(made, key=lambda v: str(v.ref)))


@lru_cache(maxsize=8192)
def _normal(text: str) -> str:
    """Lower case, words only, one space between: " wound check "."""
    return f" {' '.join(_DIGIT_WORD.findall(text.lower()))} "


def _service(seen: Visit, part: Evidence) -> Iterable[tuple[str, int]]:
    table = weights()
    types, specialties = set(part.service_types), set(part.specialties)
    if types & seen.types:
        yield "service type", table["service_type"]
    if specialties & seen.specialties:
        yield "specialty", table["specialty"]
    other_type = types and seen.types and not types & seen.types
    other_specialty = specialties and seen.specialties and not specialties & seen.specialties
    if other_type or other_specialty:
        yield "another service", table["other_service"]


def _text(seen: Visit, part: Evidence) -> Iterable[tuple[str, int]]:
    table, text = weights(), _normal(part.text)
    if any(word in text for word in seen.words if word.strip()):
        yield "words", table["words"]
    named = intervals(part.text)
    if seen.interval in named:
        yield "interval", table["interval"]
    if any(seen.interval is None or not nearly(n, seen.interval) for n in named):
        yield "another interval", table["other_interval"]


def _day(seen: Visit, day: date | None) -> Iterable[tuple[str, int]]:
    if day is None or seen.opens is None or seen.closes is None:
        return
    near = timedelta(days=(seen.closes - seen.opens).days // 2)
    if seen.opens <= day <= seen.closes:
        yield "day inside the window", weights()["day_inside"]
    elif seen.opens - near <= day <= seen.closes + near:
        yield "day near the window", weights()["day_near"]


def _rest(seen: Visit, part: Evidence) -> Iterable[tuple[str, int]]:
    table = weights()
    if seen.practitioner and seen.practitioner in part.practitioner:
        yield "practitioner", table["practitioner"]
    if part.minutes and seen.item.minutes and abs(part.minutes - seen.item.minutes) <= table["duration_minutes"]:
        yield "duration", table["duration"]
    if part.telehealth and not seen.item.recognise.telehealth:
        yield "telehealth", table["telehealth"]


def score(seen: Visit, fact: Fact) -> tuple[int, tuple[str, ...]]:
    """How well a fact fits a visit by the table, and what that is made of. Each row counts once for a fact."""
    rows: dict[str, int] = {}
    for part in fact.parts:
        rows.update(_service(seen, part))
        rows.update(_text(seen, part))
        rows.update(_rest(seen, part))
    rows.update(_day(seen, fact.day))
    return sum(rows.values()), tuple(f"{name} {weight:+d}" for name, weight in rows.items())


def _linked(fact: Fact, by_link: Mapping[str, Visit]) -> tuple[Visit, ...]:
    """The visits that a fact is linked to: one, or none, or a contradiction."""
    found: dict[str, Visit] = {}
    for part in fact.parts:
        for name in (part.reference, *part.links, *part.identifiers):
            hit = by_link.get(name.partition("identifier=")[2] or name)
            if hit is not None:
                found[str(hit.ref)] = hit
    return tuple(found[name] for name in sorted(found))


def _scored(fact: Fact, seen: Sequence[Visit]) -> Match:
    """The best visit of a fact without a link, and how sure that is."""
    table = weights()
    ranked = sorted(((*score(v, fact), v) for v in seen), key=lambda r: (-r[0], str(r[2].ref)))
    if not ranked or ranked[0][0] <= 0:
        return Match(fact, None, "none", ranked[0][0] if ranked else 0)
    points, reasons, best = ranked[0]
    rivals = [v.ref for p, _, v in ranked if p > 0 and points - p < table["better_by"]]
    if points >= table["recognised_from"] and len(rivals) == 1:
        return Match(fact, best.ref, "recognised", points, reasons)
    return Match(fact, None, "guessed", points, reasons, tuple(rivals))


def match_facts(seen: Sequence[Visit], found: Iterable[Fact]) -> Matches:
    """Match facts of one patient to that patient's visits; each fact comes out exactly once."""
    by_link = {name: v for v in seen for name in v.links}
    rows: list[Match] = []
    for fact in found:
        linked = _linked(fact, by_link)
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
