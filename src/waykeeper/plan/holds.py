"""Medicine rows -> items of the plan: a hold stays a proposal until a prescriber answered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

from waykeeper.findings import Position
from waykeeper.medicines import NOT_TAKEN, REASON_ONLY, MedicineRow, as_proposed, unclear
from waykeeper.medicines.due import days_of, first_gap_day, longest_last_dose
from waykeeper.pathway.model import PathwayItem, Source
from waykeeper.plan.model import Answers, HoldAnswer, HoldProposal, Item, ItemState, Key, Offer
from waykeeper.plan.validity import to_come
from waykeeper.timing.model import Dates, Moment, WorkingCalendar
from waykeeper.version import VERSION

LONGEST_PLAUSIBLE = 28  # days: the longest hold of the published rules (oestrogen, monthly naltrexone)


def hold_items(
    rows: Sequence[MedicineRow],
    rule: PathwayItem | None,
    surgery: Moment,
    answers: Answers,
    calendar: WorkingCalendar,
) -> list[Item]:
    """One item for each row: kind `hold` where a pause is proposed, else `medicine`. Rows that ask come first.

    An entry made in error is none: there is nothing to decide, to ask or to tell.
    """
    ordered = sorted((row for row in rows if row.counted), key=lambda row: (row.recognised, row.decision != "ask"))
    return [_item(row, rule, surgery, answers, calendar) for row in ordered]


def _item(
    row: MedicineRow, rule: PathwayItem | None, surgery: Moment, answers: Answers, calendar: WorkingCalendar
) -> Item:
    key = Key("hold" if row.decision == "hold" and row.missed_days is not None else "medicine", row.key)
    given = [answers.holds.get(k) for k in (key, Key("medicine", row.key), Key("hold", row.key))]
    answer = next((a for a in given if a and a.decision != REASON_ONLY), None)
    proposal = _proposal(row)
    asked_again = answers.proposed.get(key)
    if answer:
        proposal = with_answer(proposal, answer, surgery)
    elif asked_again:
        proposal = replace(with_answer(proposal, asked_again, surgery), answered=None)
    return Item(
        key=key,
        title=_title(row),
        phase=rule.phase if rule else "",
        who=row.confirm_by,
        why=rule.why if rule else "",
        source=Source(" ".join(p for p in (row.source, row.year) if p), row.confidence or "common practice"),
        harm=3,
        dates=_dates(row, proposal, surgery, calendar),
        overlays=rule.overlays if rule else (),
        hold=proposal,
        origin=rule.origin if rule else Position(),
        arithmetic=row.arithmetic,
    )


def _title(row: MedicineRow) -> str:
    if not row.recognised:
        return f"{'Needs review' if row.doubted else 'Not recognised'}: {row.words} - the prescriber must decide"
    verb = {"hold": "Pause", "continue": "Continue", "adjust": "Adjust", "time": "Time", "ask": "Ask about"}
    return f"{verb.get(row.decision, 'Already stopped:')} {row.words}"


def _proposal(row: MedicineRow) -> HoldProposal:
    return HoldProposal(
        decision=row.decision,
        words=row.words,
        reference=row.reference,
        rule=row.rule,
        policy=row.policy,
        missed_days=row.missed_days,
        last_dose=row.last_dose,
        first_missed=row.first_missed,
        last_limit=row.last_limit,
        restart=row.restart,
        restart_from=row.restart_from,
        confidence=row.confidence,
        confirm_by=row.confirm_by,
        question=row.question,
        recognised=row.recognised,
        ingredients=row.ingredients,
        dose_mg=row.dose_mg,
        notes=row.notes,
        alternatives=row.alternatives,
        arithmetic=row.arithmetic,
        offer=_offer(row),
    )


def _offer(row: MedicineRow) -> Offer:
    kidney = row.kidney
    return Offer(
        decision=row.decision,
        missed_days=row.missed_days,
        last_dose=row.last_dose,
        last_limit=row.last_limit,
        question=row.question,
        ground=row.ground,
        clearance=kidney.short if kidney else "",
        measured=kidney.newest if kidney else None,
        turns=row.turns,
        version=VERSION,
    )


def with_answer(proposal: HoldProposal, answer: HoldAnswer, surgery: Moment) -> HoldProposal:
    """The prescriber's number counts from now on; last dose is on day -(missed_days + 1). An unclear one has none.

    Whoever decides the number that was proposed decides its days too: a clock limit, the weekday of a weekly dose.
    """
    fresh = proposal.fresh or replace(proposal, answered=None)
    answer = answer if answer.offer is not None else replace(answer, offer=proposal.offer)
    if answer.missed_days is None or unclear(answer) or as_proposed(answer.missed_days, proposal, surgery.day):
        return replace(proposal, answered=answer, fresh=fresh)
    last = surgery.day - timedelta(days=answer.missed_days + 1)
    return replace(
        proposal,
        fresh=fresh,
        missed_days=answer.missed_days,
        last_dose=last,
        first_missed=last + timedelta(days=1),
        last_limit=None,
        answered=answer,
    )


def as_first_proposed(hold: HoldProposal) -> HoldProposal:
    """With the days that compile proposed, and not those of an answer; all else as it stands, codes and order too."""
    was = hold.fresh
    if was is None:
        return hold
    days = {name: getattr(was, name) for name in ("missed_days", "last_dose", "first_missed", "last_limit")}
    return replace(hold, answered=None, **days)


def _dates(row: MedicineRow, proposal: HoldProposal, surgery: Moment, calendar: WorkingCalendar) -> Dates:
    """`at` is the last-dose day; `due_from` the first day on which an unanswered row is a gap."""
    last = proposal.last_dose or longest_last_dose(row, surgery.day)
    due_from = first_gap_day(last, surgery.day, days_of(calendar))
    at = Moment(proposal.last_dose) if proposal.last_dose else None
    days = row.longest_days if row.longest_days is not None else LONGEST_PLAUSIBLE
    earliest = surgery.day - timedelta(days=days) if row.missed_days is None else None
    return Dates(target=at, at=at, due_from=due_from, earliest=earliest)


def answer_in_force(item: Item, own: ItemState) -> HoldAnswer | None:
    """The answer that is recorded, else the one that the plan was made with."""
    return own.answer or (item.hold.answered if item.hold else None)


def pauses(answer: HoldAnswer) -> bool:
    """True if an answer clearly pauses the medicine, by a number of missed days."""
    return answer.missed_days is not None and not unclear(answer)


def goes_on(answer: HoldAnswer) -> bool:
    """True if by an answer the medicine is taken without a pause."""
    return not pauses(answer) and not unclear(answer) and answer.decision not in NOT_TAKEN


def last_dose_of(answer: HoldAnswer, surgery: date) -> date | None:
    """The last-dose day of an answer that pauses, D-(N+1); None for another."""
    if answer.missed_days is None or not pauses(answer):
        return None
    return surgery - timedelta(days=answer.missed_days + 1)


def told_last_dose(hold: HoldProposal | None, answer: HoldAnswer, surgery: date) -> date | None:
    """The last-dose day that people are told, which a weekly medicine has before the day of `last_dose_of`.

    Whoever decides what was proposed decides its day too (`with_answer`). None for an answer that does not pause.
    """
    if hold is not None and pauses(answer) and as_proposed(answer.missed_days, hold, surgery):
        return hold.last_dose
    return last_dose_of(answer, surgery)


def longer_now(item: Item, answer: HoldAnswer | None) -> bool:
    """True if compile proposes more days without a dose than somebody answered."""
    hold = item.hold
    if hold is None or answer is None or unclear(answer) or answer.decision in NOT_TAKEN:
        return False
    fresh = hold.fresh or (hold if hold.answered is None else None)
    if fresh is None or fresh.missed_days is None:
        return False
    return fresh.missed_days > (answer.missed_days or 0)


def restarted(item: Item, own: ItemState, surgery: date | None, today: date | None) -> date | None:
    """The day on which a medicine was taken again after the pause of the plan; None where nobody recorded it.

    today   None where no day is looked at: what is recorded for a day to come has not happened yet

    A restart of before the last dose that is told was of an earlier pause, or is a slip: the pause still comes.
    """
    day, answer = own.restarted_on, answer_in_force(item, own)
    if day is None or to_come(day, today):
        return None
    last = item.hold.last_dose if item.hold else None
    if answer is not None and surgery is not None:
        last = told_last_dose(item.hold, answer, surgery)
    of_before = answer is not None and pauses(answer) and last is not None and day < last
    return None if of_before else day


def answered_too_late(own: ItemState, answer: HoldAnswer | None, surgery: date | None) -> bool:
    """True where a pause was answered when its last-dose day was over, and nobody said since when it is not taken.

    Who was told so late may have taken it in between. A recorded dose tells it either way.
    """
    last = last_dose_of(answer, surgery) if answer is not None and surgery is not None else None
    if answer is None or answer.on is None or last is None or answer.on <= last:
        return False
    taken = own.last_taken or answer.last_taken
    return taken is None and (own.stopped_on is None or own.stopped_on > last)


def taken_inside(hold: HoldProposal | None, taken: Moment | None, last_dose: date | None, surgery: date | None) -> bool:
    """True if the last recorded dose lies inside the answered hold, the surgery day included."""
    if taken is None or surgery is None or taken.day > surgery:
        return False
    limit = hold.last_limit if hold else None
    same_days = hold is not None and hold.last_dose == last_dose
    if limit is not None and same_days and limit.clock is not None and taken.clock is not None:
        return bool(taken.utc() > limit.utc()) if limit.zone and taken.zone else bool(taken > limit)
    return last_dose is not None and taken.day > last_dose
