"""What of the record a proposal turns on: what would make another one if the record named it, or named it no more."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date

from waykeeper.medicines.cautions import questions
from waykeeper.medicines.conditions import UNKNOWN
from waykeeper.medicines.context import Context
from waykeeper.medicines.model import MedicineRow, Rule, Turned
from waykeeper.medicines.patient_facts import ANY_STENT, CAUTION, STENT, known_of
from waykeeper.medicines.ruleset import package_rules

NAMED, OTHERWISE, NOT_NAMED = "named", "otherwise named", "not named"
CAUTIONED = f"{NOT_NAMED}: {CAUTION}: an allergy or a pregnancy"  # it asks because of one, and would not without


def record_turns(
    rules: Sequence[Rule], base: MedicineRow, context: Context, propose_in: Callable[[Context], MedicineRow]
) -> tuple[str, ...]:
    """A line each: `named: heart-failure` of what the record does not name; else with how it is written there."""
    names = {n for r in rules for c in (*r.cases, *r.neuraxial, *r.asks) for n in c.when.get("indication", ())}
    kept_open = any("p2y12" in context.rules.ingredients[n].tags for r in rules for n in r.ingredients)
    if kept_open and not context.stent_ordered:
        names.add(ANY_STENT)
    names.discard(UNKNOWN)
    if not names:
        return ()
    known = _noted(context.known, context.facts)
    return tuple(line for name in sorted(names) for line in _turns(name, known, base, context, propose_in))


def _turns(
    name: str,
    known: Mapping[str, str],
    base: MedicineRow,
    context: Context,
    propose_in: Callable[[Context], MedicineRow],
) -> Iterator[str]:
    if name not in known:
        other = propose_in(_with(name, context))
        if _days(other) != _days(base) or set(_parts(other)) - set(_parts(base)):
            yield f"{NAMED}: {name}"
        return
    text = known[name]
    if text in base.question:
        yield f"{OTHERWISE}: {name}: {text}"
    if _days(propose_in(_without(name, context))) != _days(base):
        yield f"{NOT_NAMED}: {name}: {text}"


def _with(name: str, context: Context) -> Context:
    facts = {**context.facts, STENT: "yes"} if name in (STENT, ANY_STENT) else context.facts
    return replace(context, facts=facts, known=context.known if name == ANY_STENT else {**context.known, name: name})


def _without(name: str, context: Context) -> Context:
    """Without a stent in any words nothing names one; without its code other words may."""
    facts = {**context.facts, STENT: ""} if name == ANY_STENT else context.facts
    gone = STENT if name == ANY_STENT else name
    return replace(context, facts=facts, known={n: text for n, text in context.known.items() if n != gone})


def _days(row: MedicineRow) -> tuple[object, ...]:
    return row.decision, row.missed_days, row.last_dose, row.last_limit


def _parts(row: MedicineRow) -> list[str]:
    return row.question.split("; ")


def named_in_record(turns: Collection[str]) -> tuple[str, ...]:
    """What of the lines of `record_turns` the record names, to be said as a ground of the proposal."""
    told = (line.partition(": ")[2].partition(": ")[2] for line in turns)
    return tuple(dict.fromkeys(f"the record names {text}" for text in told if text))


def _noted(known: Mapping[str, str], facts: Mapping[str, str]) -> dict[str, str]:
    """What the record names that proposals may turn on, and how."""
    stent = {ANY_STENT: "a coronary stent"} if facts.get(STENT) == "yes" else {}
    return {**known, **stent}


def turned(
    ingredients: Sequence[str],
    question: str,
    turns: Collection[str],
    facts: Mapping[str, str],
    over: Collection[str],
    surgery: date,
) -> Turned:
    """What of a medicine's `record_turns` has happened, and which allergy or pregnancy it was not asked about.

    question   what was asked of it
    facts      what the record says now (`patient_facts`)
    over       what it takes back or calls over (`taken_back`): what is only not here is no news
    """
    now = _noted(known_of(facts, surgery), facts)
    asked = [text for _, text in questions(ingredients, facts, surgery, package_rules())]
    if asked:
        now[CAUTION] = ""
    came = [text.partition(":")[0].removeprefix("the record names ") for text in asked if text not in question]
    went = []
    for line in turns:
        kind, _, rest = line.partition(": ")
        name, _, text = rest.partition(": ")
        if kind == NOT_NAMED:
            went += [text] if name not in now and name in over else []
        elif name in now and now[name] != text:
            came.append(now.get(STENT, now[name]) if name == ANY_STENT else now[name])
    return Turned(tuple(dict.fromkeys(came)), tuple(dict.fromkeys(went)))
