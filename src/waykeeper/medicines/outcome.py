"""From recognised substances to one outcome: base case, needle overlay, policy, combination."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import cast

from waykeeper.counting import counted
from waykeeper.medicines.conditions import UNKNOWN, Situation, first, holds
from waykeeper.medicines.context import Context
from waykeeper.medicines.cycles import actual_dose
from waykeeper.medicines.daily_sums import doses_a_day, units_a_dose
from waykeeper.medicines.dosing import (
    DAYS_DIFFER,
    DAYS_OF_WEEK,
    INTERVAL_UNREAD,
    Weekly,
    by_its_text,
    day_unknown,
    days_differ,
    interval_unread,
    weekday_in_doubt,
    weekly_medicine,
    with_dosing,
)
from waykeeper.medicines.indications import indications_of, inside_of, of_the_patient, stated_of
from waykeeper.medicines.intervals import Interval, clock_name, day_name, interval, missed
from waykeeper.medicines.model import Case, Decision, Rule
from waykeeper.medicines.nsaids import nsaid_days
from waykeeper.medicines.on_the_day import MORNING, in_the_morning, shared_notes
from waykeeper.medicines.open_points import open_points, with_liquids
from waykeeper.medicines.policies import blanket_days, policy_value
from waykeeper.medicines.recognise import Recognised
from waykeeper.medicines.ruleset import Ruleset
from waykeeper.medicines.ways import case_for, forms_of, way_of
from waykeeper.medicines.words import read_words, strength_of, strengths
from waykeeper.quickly_made import quickly_made
from waykeeper.record.model import MedicineEntry

BLANKET_GROUPS = frozenset({"anticoagulants", "antiplatelets"})
_WEIGHT = ("continue", "adjust", "time", "hold", "ask")  # of a combination the last of these counts
_SURE = ("H", "M-H", "M", "L-M", "L")
_INJECTED = frozenset({"injection", "pen"})
PHARMACIST = "confirm with pharmacist"
WEEKDAY_IN_DOUBT = "its order names a weekday, not clearly as its dose day: how often and on which days is it taken?"


@quickly_made
@dataclass(frozen=True, slots=True)
class Outcome:
    """What one rule, or several for a combination, come to."""

    decision: Decision
    rule: str
    group: str
    interval: Interval = Interval()
    policy: str = ""
    question: str = ""
    notes: tuple[str, ...] = ()
    alternatives: tuple[str, ...] = ()
    arithmetic: tuple[str, ...] = ()
    restart: str = ""
    restart_days: int | None = None
    restart_by: str = "prescriber"
    source: str = ""
    year: str = ""
    confidence: str = ""
    confirm_by: str = "prescriber"
    longest_days: int | None = None
    never_stop: bool = False
    substance: str = ""

    @property
    def pauses(self) -> bool:
        """True where doses are missed or limited."""
        return self.interval.missed_days is not None or self.interval.limit is not None

    def restart_from(self, surgery: date) -> date | None:
        """The earliest proposal day for the restart; None where only a gate opens it."""
        return None if self.restart_days is None else surgery + timedelta(self.restart_days)


def outcome_for(entry: MedicineEntry, known: Recognised, context: Context) -> Outcome:
    """The outcome of all rules that the row's substances have."""
    weekly = weekly_medicine(entry, known, context.rules)
    doubt, differ = weekday_in_doubt(entry, weekly), days_differ(entry, weekly)
    taken = with_dosing(entry, weekly)
    joined = _by_rules(taken, known, context)
    if differ:
        joined = _stricter(joined, _by_rules(by_its_text(entry, weekly), known, context))
    if doubt or differ or (weekly != "known" and entry.weekday is None):
        joined = _missed_at_once(joined, context.surgery.day)
    asked = _days_asked(joined, entry, weekly, doubt=doubt, differ=differ)
    asked = asked or _day_asked(joined, taken, weekly, known, context)
    if not asked:
        return joined
    cycle = joined.interval.cycle and asked in (INTERVAL_UNREAD, DAYS_DIFFER)
    decision: Decision = "ask" if cycle else joined.decision
    return replace(joined, decision=decision, question=_join(joined.question, asked))


def _by_rules(taken: MedicineEntry, known: Recognised, context: Context) -> Outcome:
    """What the rules of all substances come to for an order as it is read."""
    rules = context.rules.rule_for(known.ingredients)
    outcomes = [_of_rule(rule, index, taken, known, context) for index, rule in enumerate(rules)]
    joined = _combined(outcomes) if len(outcomes) > 1 else outcomes[0]
    return _blanket(joined, taken, context)


def _stricter(timing: Outcome, text: Outcome) -> Outcome:
    """Of an order whose timing and text differ the earlier last dose; the other is shown beside it.

    Of what goes on no dose is the last one: then the timing stands.
    """
    lead = min(timing, text, key=lambda o: (o.interval if o.pauses else Interval()).strictness)
    other = timing if lead is text else text
    days, others = ((o.decision, o.interval.last_dose, o.interval.limit) for o in (lead, other))
    if days == others:
        return lead
    asked = other.question if other.decision == "ask" and lead.decision != "ask" else ""
    return replace(
        lead,
        decision=max(lead.decision, other.decision, key=_WEIGHT.index),
        question=_join(lead.question, asked),
        alternatives=(*lead.alternatives, *_told(other, "by its text" if lead is timing else "by its timing")),
        arithmetic=(*lead.arithmetic, "its timing and its text differ: the earlier last dose counts"),
        longest_days=_longest(lead.longest_days, other.longest_days),
    )


def _days_asked(outcome: Outcome, entry: MedicineEntry, weekly: Weekly, *, doubt: bool, differ: bool) -> str:
    """What is asked of an order that says something of its days, and not for sure what."""
    dated = outcome.pauses or outcome.interval.last_dose is not None or weekly == "known"
    if dated and differ:
        return DAYS_DIFFER
    if outcome.interval.cycle and weekly != "no" and interval_unread(entry, weekly):
        return INTERVAL_UNREAD
    return WEEKDAY_IN_DOUBT if doubt and dated else ""


def _day_asked(outcome: Outcome, entry: MedicineEntry, weekly: Weekly, known: Recognised, context: Context) -> str:
    """Asks for the day of a dose that is not one of every day; a cycle asks for its own."""
    if outcome.interval.cycle or not outcome.pauses:
        return ""
    injected = not _INJECTED.isdisjoint(forms_of(entry, known, context.rules))
    return day_unknown(entry, weekly, depot=injected and (outcome.interval.missed_days or 0) >= DAYS_OF_WEEK)


def _missed_at_once(outcome: Outcome, surgery: date) -> Outcome:
    """The day after the last dose is the first without one: it is not sure that none is taken in between anyway.

    Then the days that are missed are all of those up to surgery, and whoever agrees to their number agrees to this day.
    """
    days = outcome.interval
    if days.missed_days is None or days.last_dose is None:
        return outcome
    first, missed = days.last_dose + timedelta(1), (surgery - days.last_dose).days - 1
    counted_anew = replace(days, first_missed=first, missed_days=missed)
    if missed == days.missed_days:
        return replace(outcome, interval=counted_anew)
    line = f"whether none is taken in between anyway is not sure: {counted(missed, 'day')} without a dose"
    return replace(outcome, interval=counted_anew, arithmetic=(*outcome.arithmetic, line))


def _of_rule(rule: Rule, index: int, entry: MedicineEntry, known: Recognised, context: Context) -> Outcome:
    """What one rule comes to by the reasons of the order, and what is asked because of what the record says besides."""
    own = _indications(rule, entry, context)
    situation = _situation(rule, index, entry, known, context, own)
    outcome = _by_reasons(rule, index, situation, entry, known, context)
    if way_of(entry, known, context.rules):
        return outcome
    stated = stated_of(entry, context.answers.get(entry.key))
    inside = inside_of(entry, context.answers.get(entry.key))
    for name in _also_known(rule, own, {**context.known, **inside}, open_reason=UNKNOWN in stated, inside=inside):
        wider = _situation(rule, index, entry, known, context, own - {UNKNOWN} | {name})
        other = _by_reasons(rule, index, wider, entry, known, context)
        told = f'its order gives "{inside[name]}"' if name in inside else f"the record names {context.known[name]}"
        outcome = with_doubt(outcome, other, told)
    asked = own if own != {UNKNOWN} else stated
    return _with_asks(outcome, rule, replace(situation, words={**situation.words, "indication": asked}), context)


def _also_known(
    rule: Rule, own: frozenset[str], known: Collection[str], *, open_reason: bool, inside: Collection[str]
) -> list[str]:
    """What the record says of the patient, or the order inside a longer reason, that a case turns on.

    What the order gives as its reason in so many words is none of it; beside such a reason only what is of the patient.
    """
    if not known:
        return []
    turned_on = {n for case in (*rule.cases, *rule.neuraxial) for n in case.when.get("indication", ())}
    unread = own == {UNKNOWN}
    return [n for n in known if n in turned_on - own and (open_reason or of_the_patient(n) or (unread and n in inside))]


def _with_asks(outcome: Outcome, rule: Rule, situation: Situation, context: Context) -> Outcome:
    """The questions of a rule beside its cases, by the reasons of the order, and by what counts whatever they are."""
    if not rule.asks:
        return outcome
    of_record = frozenset(n for n in context.known if of_the_patient(n))
    reasons = replace(situation, words={**situation.words, "indication": of_record})
    for ask in rule.asks:
        told = ask.question
        if not holds(ask, situation):
            named = [context.known[n] for n in ask.when.get("indication", ()) if n in of_record]
            if not named or not holds(ask, reasons):
                continue
            told = f"the record names {'; '.join(named)}: {told}"
        confirms = ask.confirm_by or outcome.confirm_by
        outcome = replace(outcome, question=_join(told, outcome.question), confirm_by=confirms)
    return outcome


def _by_reasons(
    rule: Rule, index: int, situation: Situation, entry: MedicineEntry, known: Recognised, context: Context
) -> Outcome:
    substance = known.ingredients[index]
    way = way_of(entry, known, context.rules)
    base = first(case_for(rule, way) if way else rule.cases, situation)
    assert base is not None  # check_rules proves that the last case has no condition
    if way:
        return _of_case(_own(rule, base), base, entry, context, why=f"given as {way}", substance=substance)
    outcome = _of_case(rule, base, entry, context, why="rule", substance=substance)
    if base.morning and in_the_morning(situation.words["form"]):
        outcome = replace(outcome, notes=(MORNING, *outcome.notes))
    if context.neuraxial and rule.neuraxial:
        overlay = first(rule.neuraxial, situation)
        if overlay is not None:
            needle = _of_case(rule, overlay, entry, context, why="needle possible", substance=substance)
            outcome = _longer(outcome, needle, context)
    if base.cycle_days is not None or base.cycle_months is not None:
        outcome = _with_actual_dose(outcome, base, entry, context)
    outcome = _with_kidney(outcome, rule, context)
    asked = open_points(rule, outcome.interval, entry, context)
    policy, notes = with_liquids(outcome.policy, rule, context)
    if not asked and not notes:  # without a note the policy is the outcome's
        return outcome
    return replace(outcome, question=_join(outcome.question, *asked), policy=policy, notes=(*outcome.notes, *notes))


def with_doubt(outcome: Outcome, other: Outcome, told: str) -> Outcome:
    """The outcome of the reasons on the order, where another reason that the record names would lead to another.

    It asks. Never a later last dose: of two pauses the stricter counts, and what was to pause keeps its days.
    """
    if (outcome.decision, outcome.interval, outcome.question) == (other.decision, other.interval, other.question):
        return outcome
    stricter = other.pauses and other.interval.strictness < outcome.interval.strictness
    takes = stricter and (outcome.pauses or outcome.decision == "continue")
    asked = f"{told}: is it taken for that?"
    asked_by_now = outcome.question.split("; ")
    more = "; ".join(q for q in other.question.split("; ") if q not in asked_by_now)
    then = more or ("then it continues" if other.decision == "continue" != outcome.decision else "")
    same = outcome.decision == other.decision and outcome.interval == other.interval
    return replace(
        outcome,
        decision=outcome.decision if same else "ask",
        interval=other.interval if takes else outcome.interval,
        question=_join(f"{asked} {then}".strip(), outcome.question),
        arithmetic=(*outcome.arithmetic, f"{told}, with that as its reason: {other.decision}"),
        alternatives=tuple(dict.fromkeys((*outcome.alternatives, *other.alternatives))),
        confirm_by=other.confirm_by if other.confirm_by != "prescriber" else outcome.confirm_by,
        longest_days=_longest(outcome.longest_days, other.longest_days),
        restart=outcome.restart or other.restart,
    )


def _own(rule: Rule, case: Case) -> Rule:
    """The rule under whose name a case for a way of giving answers: its own, or none where it has no such case."""
    return rule if case in rule.cases else replace(rule, name="not-for-the-whole-body")


def _situation(
    rule: Rule, index: int, entry: MedicineEntry, known: Recognised, context: Context, reasons: frozenset[str]
) -> Situation:
    forms = forms_of(entry, known, context.rules)
    releases = known.reading.releases | read_words(f"{entry.form} {entry.dose_text}", context.rules).releases
    return Situation(
        numbers={
            "crcl": context.clearance.usable,
            "dose_mg": _dose_mg(index, entry, known),
            "daily_mg": _daily_mg(index, entry, known),
            "period": entry.period_days,
        },
        words={
            "bleed": frozenset({context.bleed}),
            "anaesthesia": frozenset({context.anaesthesia}),
            "indication": reasons,
            "form": forms or frozenset({"unknown"}),
            "release": releases or frozenset({"plain"}),
            "policy": frozenset({policy_value(context.policies, rule.policy)} if rule.policy else ()),
            "risk": frozenset({context.facts.get(f"{rule.policy}_risk", "unknown")}),
        },
    )


def dose_that_counts(entry: MedicineEntry, known: Recognised, rules: Ruleset) -> Decimal | None:
    """Milligrams of one dose, the most of all instructions, of a medicine whose rule has a case that turns on them."""
    substances = known.ingredients
    if not substances or not any(turns_on(rule, "dose_mg") for rule in rules.rule_for(substances)):
        return None
    told = (_dose_mg(i, one, known) for i in range(len(substances)) for one in (entry, *entry.also))
    return max((dose for dose in told if dose is not None), default=None)


def turns_on(rule: Rule, condition: str) -> bool:
    """True if a case of a rule names this condition."""
    return any(condition in case.when for case in (*rule.cases, *rule.neuraxial))


def _dose_mg(index: int, entry: MedicineEntry, known: Recognised) -> Decimal | None:
    """Milligrams of one dose of an ingredient: as the order says, else the most that its words come to.

    A strength alone is the dose of one tablet: `2.5 mg tablet, 2 tablets` is 5 mg.
    """
    strength = strength_of(known.reading.strengths, index, len(known.ingredients))
    if len(known.ingredients) != 1:
        return strength
    if entry.dose_mg is not None:
        return entry.dose_mg
    units = Fraction(entry.units) if entry.units else units_a_dose(f"{entry.dose_text} {entry.schedule}")
    told = [*strengths(entry.dose_text), *([strength * units.numerator / units.denominator] if strength else [])]
    return max(told, default=None)


def _daily_mg(index: int, entry: MedicineEntry, known: Recognised) -> Fraction | None:
    """The most milligrams of a day that an instruction allows; None where dose or frequency cannot be read."""
    dose, often = _dose_mg(index, entry, known), doses_a_day(f"{entry.words} {entry.dose_text} {entry.schedule}")
    return None if dose is None or often is None else Fraction(dose) * often


def _indications(rule: Rule, entry: MedicineEntry, context: Context) -> frozenset[str]:
    """The row's own reasons; a stent known of the patient counts for the medicines that keep it open."""
    own = indications_of(entry, context.answers.get(entry.key))
    keeps_open = any("p2y12" in context.rules.ingredients[n].tags for n in rule.ingredients)
    return own | {"stent"} if keeps_open and context.stented else own


def _of_case(rule: Rule, case: Case, entry: MedicineEntry, context: Context, *, why: str, substance: str) -> Outcome:
    surgery = context.surgery
    source = case.source or rule.source
    confidence = case.confidence or rule.confidence
    conditions = ", ".join(f"{k} {' '.join(v)}" for k, v in case.when.items()) or "always"
    doubtful = "L" in confidence or "from memory" in source
    policy = policy_value(context.policies, rule.policy) if rule.policy else ""
    head = (f"surgery {clock_name(surgery)} is day 0", f"{rule.group}/{rule.name}, {why}: {conditions}")
    by_half_life = rule.half_life is not None and case.decision == "hold" and case.missed_days is None
    days = Interval() if by_half_life else interval(case, surgery, entry)
    outcome = Outcome(
        decision=cast("Decision", case.decision),
        rule=rule.name,
        group=rule.group,
        policy=policy,
        question=case.question,
        notes=(*case.notes, *((PHARMACIST,) if doubtful else ())),
        restart=case.restart or rule.restart,
        restart_days=rule.restart_days if case.restart_days is None else case.restart_days,
        restart_by=rule.restart_by,
        source=source,
        year=case.year or rule.year,
        confidence=confidence,
        confirm_by=case.confirm_by or "prescriber",
        longest_days=case.longest_days,
        never_stop=rule.never_stop,
        substance=substance,
        interval=days,
        arithmetic=(*head, *days.arithmetic),
        alternatives=tuple(_beside(label, n, entry, context) for label, n in case.others.items()),
    )
    return _half_lives(outcome, rule, entry, context) if by_half_life else outcome


def _half_lives(outcome: Outcome, rule: Rule, entry: MedicineEntry, context: Context) -> Outcome:
    assert rule.half_life is not None
    chosen = nsaid_days(rule.half_life, outcome.policy)
    days = missed(chosen.days, context.surgery.day, entry)
    return replace(
        outcome,
        decision="ask" if chosen.question else "hold",
        question=_join(chosen.question, outcome.question),
        interval=days,
        arithmetic=(*outcome.arithmetic, *chosen.arithmetic, *days.arithmetic),
        alternatives=(*(_beside(label, n, entry, context) for label, n in chosen.others), *outcome.alternatives),
    )


def _beside(label: str, days: int, entry: MedicineEntry, context: Context) -> str:
    got = missed(days, context.surgery.day, entry)
    assert got.last_dose is not None
    return f"{label}: N = {days}, last dose {day_name(got.last_dose)}"


def _longer(base: Outcome, overlay: Outcome, context: Context) -> Outcome:
    """The longer interval wins; a question of either stays, and the shorter one is shown beside."""
    undated = [o for o in (base, overlay) if o.decision == "ask" and not o.pauses]
    if undated:  # somebody must set the interval: no date of the other is put in its place
        longer = undated[0]
        shorter = overlay if longer is base else base
    elif overlay.interval.strictness < base.interval.strictness:
        longer, shorter = overlay, base
    else:
        longer, shorter = base, overlay
    asks = "ask" in (base.decision, overlay.decision)
    same = (longer.interval.last_dose, longer.interval.limit) == (shorter.interval.last_dose, shorter.interval.limit)
    beside = () if same else _told(shorter, "without a needle" if shorter is base else "needle")
    open_needle = context.anaesthesia == "unknown"
    notes = ("anaesthesia is not known: the interval for a spinal needle or deep block counts",) if open_needle else ()
    return replace(
        longer,
        decision="ask" if asks else longer.decision,
        question="; ".join(dict.fromkeys(q for q in (longer.question, shorter.question) if q)),
        notes=tuple(dict.fromkeys((*longer.notes, *shorter.notes, *notes))),
        alternatives=tuple(dict.fromkeys((*longer.alternatives, *beside, *shorter.alternatives))),
        arithmetic=tuple(dict.fromkeys((*base.arithmetic, *overlay.arithmetic, "the longer interval counts"))),
        source="; ".join(dict.fromkeys(s for s in (longer.source, shorter.source) if s)),
        longest_days=_longest(base.longest_days, overlay.longest_days),
        restart_days=_longest(base.restart_days, overlay.restart_days),
    )


def _told(outcome: Outcome, why: str) -> tuple[str, ...]:
    """The days of an outcome in one line, to be shown beside the longer one."""
    days = outcome.interval
    if days.limit is not None:
        return (f"{why}: last dose at or before {clock_name(days.limit)}",)
    if days.missed_days is not None and days.last_dose is not None:
        return (f"{why}: N = {days.missed_days}, last dose {day_name(days.last_dose)}",)
    return ()


def _longest(one: int | None, other: int | None) -> int | None:
    return max((n for n in (one, other) if n is not None), default=None)


def _with_actual_dose(outcome: Outcome, case: Case, entry: MedicineEntry, context: Context) -> Outcome:
    """A cycle is tested against the dose that was really given, never against the schedule."""
    said = actual_dose(case, outcome.interval, entry, context.surgery.day)
    return replace(
        outcome,
        decision="ask" if said.question else outcome.decision,
        question=_join(said.question, outcome.question),
        notes=(*outcome.notes, *said.notes),
        alternatives=(*outcome.alternatives, *said.alternatives),
        arithmetic=(*outcome.arithmetic, *said.arithmetic),
    )


def _with_kidney(outcome: Outcome, rule: Rule, context: Context) -> Outcome:
    """A rule that looks at the kidney shows the arithmetic, and asks where a value is missing or old."""
    if not turns_on(rule, "crcl"):
        return outcome
    asked = context.clearance.question
    return replace(
        outcome,
        question=_join(outcome.question, f"kidney: {asked}" if asked else ""),
        arithmetic=(*context.clearance.arithmetic, *outcome.arithmetic),
    )


def _combined(outcomes: list[Outcome]) -> Outcome:
    """A combination cannot be taken apart by the patient: the longest hold counts, and what must not stop asks."""
    lead = min(outcomes, key=lambda o: o.interval.strictness)
    if not lead.pauses:
        lead = max(outcomes, key=lambda o: _WEIGHT.index(o.decision))
    decision = max((o.decision for o in outcomes), key=_WEIGHT.index)
    kept = [o for o in outcomes if o.never_stop and o.decision in ("continue", "adjust")]
    question = "; ".join(dict.fromkeys(o.question for o in outcomes if o.question))
    if kept and any(o.pauses for o in outcomes):
        decision = "ask"
        names = " and ".join(o.substance for o in kept)
        question = _join(f"it also holds {names}, which must not stop", question)
    return replace(
        lead,
        decision=decision,
        rule="+".join(dict.fromkeys(o.rule for o in outcomes)),
        policy="+".join(dict.fromkeys(o.policy for o in outcomes if o.policy)),
        question=question,
        notes=shared_notes([o.notes for o in outcomes]),
        alternatives=tuple(dict.fromkeys(a for o in outcomes for a in o.alternatives)),
        arithmetic=tuple(dict.fromkeys(a for o in outcomes for a in o.arithmetic)),
        source="; ".join(dict.fromkeys(o.source for o in outcomes)),
        confidence=max((o.confidence for o in outcomes), key=_SURE.index),
        longest_days=max((o.longest_days for o in outcomes if o.longest_days is not None), default=None),
    )


def _join(*questions: str) -> str:
    return "; ".join(dict.fromkeys(q for q in questions if q))


def _blanket(outcome: Outcome, entry: MedicineEntry, context: Context) -> Outcome:
    """A clinic's blanket rule over the rule of the medicine: both are shown, and where they differ it asks.

    The longer of two dates is proposed. Where the rule continues or leaves it to somebody, no date is put in its place.
    """
    value = policy_value(context.policies, "blood_thinners")
    days = blanket_days(value)
    if days is None or outcome.group not in BLANKET_GROUPS:
        return outcome
    got = missed(days, context.surgery.day, entry)
    if outcome.decision == "hold" and outcome.interval.missed_days == days and outcome.interval.limit is None:
        return replace(outcome, policy=value)
    own = _told(outcome, "rule")[0].partition(": ")[2] if outcome.pauses else outcome.decision
    wins = outcome.pauses and got.strictness < outcome.interval.strictness
    return replace(
        outcome,
        decision="ask",
        policy=value,
        interval=got if wins else outcome.interval,
        question=_join(f"the clinic's {value} and the rule of the medicine differ", outcome.question),
        alternatives=(f"rule {outcome.rule}: {own}", _beside(value, days, entry, context), *outcome.alternatives),
        arithmetic=(*outcome.arithmetic, f"{value}: {got.arithmetic[0]}"),
        longest_days=_longest(outcome.longest_days, days),
    )
