"""One row out for each row in: the proposal for each medicine of the patient's list."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from waykeeper.medicines.answers import asked_anew, by_medicine, named, row_from_answer, without_days
from waykeeper.medicines.cautions import with_cautions
from waykeeper.medicines.context import Context, context_for
from waykeeper.medicines.decisions import REASON_ONLY
from waykeeper.medicines.dosing import weekly_medicine, with_dosing
from waykeeper.medicines.doubts import doubted
from waykeeper.medicines.due import due_day
from waykeeper.medicines.indications import names_stent
from waykeeper.medicines.instructions import instructions, safest
from waykeeper.medicines.intervals import WEEK, day_name
from waykeeper.medicines.kidney import REFUSED_DAYS, STALE_DAYS, Clearance
from waykeeper.medicines.met import with_last_taken, with_loose_dose
from waykeeper.medicines.model import BY_HOURS, AnswerLike, Decision, MedicineRow, Rule
from waykeeper.medicines.on_the_day import with_how_taken
from waykeeper.medicines.other_surgeries import with_other_surgeries
from waykeeper.medicines.outcome import Outcome, dose_that_counts, outcome_for, turns_on
from waykeeper.medicines.pairs import with_pair_questions
from waykeeper.medicines.recognise import Recognised, recognise
from waykeeper.medicines.record_turns import CAUTIONED, named_in_record, record_turns
from waykeeper.medicines.remarks import remarks_question
from waykeeper.medicines.ruleset import Ruleset, package_rules
from waykeeper.medicines.status import MISTAKEN, ON_HOLD, origin_question, status_question, where_from
from waykeeper.medicines.ways import is_local, way_of
from waykeeper.record.model import ENDED, Kidney, MedicineEntry
from waykeeper.timing.model import Moment, WorkingCalendar

LASTING_DAYS = 7
COMPLETED = "completed"
THINS = "it thins the blood, and its order is over, its supply perhaps not: is it taken all the same?"
STATEMENT = "a statement about an order of this list, not a second medicine"
OWN_WORDS = "read by the clinic's own words for medicines"
REVIEW = "needs review, the prescriber must decide: "  # how the question of a row that is not classified begins


def propose(
    medicines: Sequence[MedicineEntry],
    surgery: Moment,
    kidney: Kidney,
    anaesthesia: str,
    policies: Mapping[str, str],
    *,
    calendar: WorkingCalendar,
    bleed: str = "high",
    rules: Ruleset | None = None,
    surgeries: Sequence[tuple[str, Moment]] = (),
    answers: Mapping[str, AnswerLike] | None = None,
    facts: Mapping[str, str] | None = None,
    creatinine_days: tuple[int, int] = (STALE_DAYS, REFUSED_DAYS),
) -> tuple[MedicineRow, ...]:
    """Propose what happens with each medicine before surgery: as many rows as entries, in their order.

    anaesthesia      general | spinal | deep-block | superficial-block | unknown; anything else counts as unknown
    bleed            high | low: bleeding class of the operation; anything but "low" counts as high
    surgeries        other live episodes of the patient by name; the longer hold is shown and both are named
    answers          by the entry's key; a prescriber's decision replaces the proposal, unless it was given for another
                     medicine under the same order: that one is told, and asked anew
    facts            patient facts that rules ask for, e.g. {"glp1_risk": "low", "stent": "yes"}; absent = unknown
    creatinine_days  days after which a creatinine is stale, and is refused
    """
    rules = rules or package_rules()
    stand, past = by_medicine(answers or {}, medicines, rules)
    context = context_for(
        surgery=surgery,
        kidney=kidney,
        anaesthesia=anaesthesia,
        bleed=bleed,
        policies=policies,
        calendar=calendar,
        rules=rules,
        answers=stand,
        facts=facts or {},
        stent_ordered=_names_stent(medicines, stand),
        creatinine_days=creatinine_days,
        surgeries=surgeries,
    )
    rows = tuple(_row(entry, context) for entry in medicines)
    if past:
        named_now = {e.key: named(e, rules) for e in medicines if e.key in past}
        rows = tuple(asked_anew(r, past[r.key], named_now[r.key]) if r.key in past and r.counted else r for r in rows)
    rows = with_pair_questions(rows, rules)
    cautioned = with_cautions(rows, context.facts, surgery.day, rules)
    return tuple(
        after if after.decision == before.decision else replace(after, turns=(*after.turns, CAUTIONED))
        for before, after in zip(rows, cautioned, strict=True)
    )


def _names_stent(medicines: Sequence[MedicineEntry], answers: Mapping[str, AnswerLike]) -> bool:
    """A stent that any row of the list names holds for all of them: cardiology decides before anything stops."""
    return any(names_stent(e, answers.get(e.key)) for e in medicines)


def _row(entry: MedicineEntry, context: Context) -> MedicineRow:
    known = recognise(entry, context.rules)
    if entry.status == MISTAKEN:
        return _mistaken(entry, known)
    known = doubted(entry, known, context.rules)
    row = _of_all_surgeries(entry, known, context)
    dose = dose_that_counts(entry, known, context.rules)
    rules = context.rules.rule_for(known.ingredients)
    kidney = context.clearance if any(turns_on(rule, "crcl") for rule in rules) else None
    turns = record_turns(rules, row, context, lambda other: _of_all_surgeries(entry, known, other))
    ground = _ground(row, entry, rules, kidney, context)
    row = replace(row, dose_mg=dose, ground=(*ground, *named_in_record(turns)), kidney=kidney, turns=turns)
    answer = context.answers.get(entry.key)
    if answer is not None and answer.decision != REASON_ONLY:
        row = row_from_answer(row, answer, context.surgery)
    return replace(row, due=due_day(row, context.surgery.day, context.calendar))


def _of_all_surgeries(entry: MedicineEntry, known: Recognised, context: Context) -> MedicineRow:
    """What is proposed for an entry, before anybody answered: for this operation and beside the others."""
    row = _proposed(entry, known, context)
    if known.doubt and row.decision != "already stopped":
        row = replace(row, decision="ask", question="; ".join(q for q in (known.doubt, row.question) if q))
    row = where_from(with_how_taken(row, entry, known, context.rules), entry)
    if _by_own_words(entry, known, context.rules):
        row = replace(row, notes=(*row.notes, OWN_WORDS))
    if entry.statement_of:
        row = replace(row, statement_of=entry.statement_of, notes=(*row.notes, STATEMENT))
    if context.surgeries:
        row = with_other_surgeries(row, lambda s: _proposed(entry, known, replace(context, surgery=s)), context)
    return replace(row, notes=(*row.notes, BY_HOURS)) if row.last_limit is not None else row


def _ground(
    row: MedicineRow, entry: MedicineEntry, rules: Sequence[Rule], kidney: Clearance | None, context: Context
) -> tuple[str, ...]:
    """What a proposal rests on, so that it can be said later which of it has changed."""
    lines = (
        f"the order {entry.words!r}",
        kidney.told if kidney is not None else "",
        f"anaesthesia {context.anaesthesia}" if any(rule.neuraxial for rule in rules) else "",
        f"the policy {row.policy}" if row.policy else "",
    )
    return tuple(line for line in lines if line)


def _proposed(entry: MedicineEntry, known: Recognised, context: Context) -> MedicineRow:
    return _proposal(entry, known, context) if known.ingredients else _unrecognised(entry, known, context)


def _by_own_words(entry: MedicineEntry, known: Recognised, rules: Ruleset) -> bool:
    """True where the clinic's own words say what the medicine is: whoever signs the page sees that they do."""
    return rules is not package_rules() and recognise(entry, package_rules()).ingredients != known.ingredients


def _mistaken(entry: MedicineEntry, known: Recognised) -> MedicineRow:
    """An entry made in error stays on the page, but nothing is proposed or asked: it was never taken."""
    notes = ("the list says entered-in-error: not counted",)
    return replace(_bare(entry, known, "entered in error"), ingredients=known.ingredients, confirm_by="", notes=notes)


def _bare(entry: MedicineEntry, known: Recognised, decision: Decision, *, recognised: bool = True) -> MedicineRow:
    """The row of an entry with a decision, and nothing said yet of days."""
    named = (entry.key, entry.reference, entry.words)
    return MedicineRow(*named, decision, recognised, findings=known.findings)


def _unrecognised(entry: MedicineEntry, known: Recognised, context: Context) -> MedicineRow:
    """No rule, no date: the prescriber decides, and until then the release gate stays shut."""
    longest = max([context.rules.longest_days, *_plausible(known, context)])
    ended = entry.status in ENDED
    asked = "; ".join(q for q in (origin_question(entry), known.question) if q)
    return replace(
        _bare(entry, known, "ask", recognised=False),
        ingredients=known.named,
        question=f"{REVIEW}{asked}",
        notes=(f"the list says {entry.status}",) if ended else (),
        longest_days=longest,
        arithmetic=(f"not classified; the longest plausible hold is {longest} days",),
    )


def _plausible(known: Recognised, context: Context) -> list[int]:
    """The longest hold of anything that the words may have meant."""
    near = [context.rules.single[n] for n in dict.fromkeys((*known.named, *known.near))]
    return [c.missed_days or c.longest_days or 0 for r in near for c in (*r.cases, *r.neuraxial)]


def _proposal(entry: MedicineEntry, known: Recognised, context: Context) -> MedicineRow:
    """What is proposed for an order, over all its dosage instructions."""
    if not entry.also:
        return _by_instruction(entry, known, context)
    entries = instructions(entry)
    return safest([_by_instruction(e, known, context) for e in entries], entries)


def _by_instruction(entry: MedicineEntry, known: Recognised, context: Context) -> MedicineRow:
    outcome = outcome_for(entry, known, context)
    row = _as_row(entry, known, outcome, context)
    if entry.status in ENDED:
        late = row if outcome.interval.cycle else with_last_taken(row, entry, context.surgery)
        if late is not row:  # it has ended, and a dose inside its hold was taken all the same
            return replace(late, notes=(*late.notes, f"the list says {entry.status}"))
        return _ended(row, entry, context.rules)
    row = _with_weekday(row, with_dosing(entry, weekly_medicine(entry, known, context.rules)), context)
    if not outcome.interval.cycle:
        row = with_last_taken(row, entry, context.surgery)
    row = with_loose_dose(row, entry, context.surgery, cycle=outcome.interval.cycle)
    state = status_question(entry, context.surgery.day)
    remarks = remarks_question(entry, known, context.rules)
    joined = "; ".join(q for q in (state, remarks, row.question) if q)
    if state:
        return replace(row, decision="ask", question=joined, on_hold=entry.status == ON_HOLD)
    if remarks:  # a pause stays one, and what was answered about it holds: a note that comes later asks, and no more
        return replace(row, decision="hold" if row.decision == "hold" else "ask", question=joined)
    return row


def _with_weekday(row: MedicineRow, taken: MedicineEntry, context: Context) -> MedicineRow:
    """A weekly dose day that falls on the day of surgery is said: nobody shall find it out on the morning."""
    day = context.surgery.day
    if taken.period_days != WEEK or taken.weekday != day.weekday():
        return row
    return replace(row, notes=(*row.notes, f"its weekly dose day, {day_name(day)[:3]}, is the day of surgery"))


def _as_row(entry: MedicineEntry, known: Recognised, outcome: Outcome, context: Context) -> MedicineRow:
    days = outcome.interval
    return replace(
        _bare(entry, known, outcome.decision),
        rule=outcome.rule,
        policy=outcome.policy,
        ingredients=known.ingredients,
        missed_days=days.missed_days,
        last_dose=days.last_dose,
        first_missed=days.first_missed,
        last_limit=days.limit,
        window=days.window,
        restart=outcome.restart,
        restart_from=outcome.restart_from(context.surgery.day) if outcome.pauses else None,
        restart_by=outcome.restart_by,
        source=outcome.source,
        year=outcome.year,
        confidence=outcome.confidence,
        confirm_by=outcome.confirm_by,
        question=outcome.question,
        notes=(*known.notes, *outcome.notes),
        longest_days=outcome.longest_days,
        arithmetic=outcome.arithmetic,
        alternatives=outcome.alternatives,
        group=outcome.group,
        local=is_local(way_of(entry, known, context.rules), outcome.decision),
    )


def _ended(row: MedicineRow, entry: MedicineEntry, rules: Ruleset) -> MedicineRow:
    """An order that has ended: nothing is proposed, but what works for a week still asks for its last dose, and what
    thins the blood and was completed, not stopped, whether it has (common practice, no source)."""
    lasting = row.window is not None or (row.missed_days or row.longest_days or 0) >= LASTING_DAYS
    ask = "it works for a week or longer: on which day was the last dose?"
    question = ask if lasting and entry.last_taken is None else ""
    thins = any("antithrombotic" in rules.ingredients[name].tags for name in row.ingredients)
    if thins and entry.status == COMPLETED and entry.last_taken is None:
        question = "; ".join(filter(None, (THINS, question)))
    return replace(
        without_days(row),
        decision="already stopped",
        restart_from=None,
        question=question,
        alternatives=(),
        notes=(*row.notes, f"the list says {entry.status}"),
    )
