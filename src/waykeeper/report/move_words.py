"""What is said about a medicine when surgery moves: to whom must decide, and to the patient."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, timedelta

from waykeeper.counting import counted
from waykeeper.merge.difference import shown
from waykeeper.merge.medicine_changes import MedicineChange, Need
from waykeeper.timing.model import Moment

# word as printed -> what it asks of whom; the order in which the key is printed
KEY: dict[str, str] = {
    "TOO LATE": "the days off do not fit the new date any more",
    "STOP NOW": "the last dose is today or tomorrow, or was earlier",
    "RESTART?": "stopped for the old date; the new date is later",
    "STOPPED": "stopped for the old date, and stays so; approve it for the new date",
    "UNANSWERED": "no answer stands for this surgery, and its day is past",
    "ASK": "no number of days is proposed: the prescriber decides whether and when it pauses",
    "APPROVE AGAIN": "answered for an earlier date; to be answered for the new one",
    "ANSWER": "proposed, and never answered, not for the old date either",
    "NOT LISTED": "no longer on the list of medicines",
}
_WORDS: dict[Need, str] = {
    "cannot be met": "TOO LATE", "stop today": "STOP NOW", "ask about restart": "RESTART?", "stays stopped": "STOPPED",
    "unanswered": "UNANSWERED", "ask": "ASK", "approve again": "APPROVE AGAIN", "answer": "ANSWER",
    "no longer listed": "NOT LISTED", "stands": "AS BEFORE",
}  # fmt: skip


def need_word(change: MedicineChange) -> str:
    """The word that is printed before a medicine; `KEY` explains it."""
    return _WORDS[change.need]


def key_of(changes: Sequence[MedicineChange]) -> list[tuple[str, str]]:
    """The words that these medicines use, each with what it means."""
    used = {need_word(c) for c in changes}
    return [(word, means) for word, means in KEY.items() if word in used]


def medicine_sentence(change: MedicineChange, surgery: Moment | None) -> str:
    """What is said about one medicine to whom must decide, with every number that is known."""
    made = _too_late(change, surgery) if change.need == "cannot be met" else _SENTENCES[change.need](change)
    asked = "before surgery was last moved, and not since" if change.earlier else "for the old date"
    again = f"It was answered {asked}; the new date needs a new answer." if change.again else ""
    if change.need == "unanswered":
        again = ""
    elif change.fewer:
        again = "It was answered for another anaesthetic, with fewer days off; for this one it needs a new answer."
    renamed = "The list has it under another id than before: make sure that it is the same." if change.renamed else ""
    asks = f"Asked now and not before: {'; '.join(change.asks)}." if change.asks and change.need != "stands" else ""
    parts = [f"{change.medicine}: {made}", _sooner(change), _taken(change), again, asks, renamed]
    return " ".join(p for p in parts if p)


def _too_late(change: MedicineChange, surgery: Moment | None) -> str:
    off, new = off_days(change), f" before {shown(surgery.day)}" if surgery else ""
    head = f"{off} are proposed, only {change.possible} of {change.days} fit{new}."
    first = f"The first surgery day that keeps {counted(change.days or 0, 'day')} off is {shown(change.earliest)}."
    return f"{head} {_counted(change)} {first} Say whether the shorter pause is accepted, or the date must change."


def _counted(change: MedicineChange) -> str:
    """From which dose the days are counted, and what one dose more would cost."""
    since = change.counted_from
    if since is None:
        return ""
    if change.last_taken == since:
        return f"Counted from the last dose, recorded {shown(since)}."
    taken = ""
    if change.possible is not None and change.earliest is not None:
        fewer, later = max(change.possible - 1, 0), change.earliest + timedelta(days=1)
        taken = (
            f" A dose on {shown(since + timedelta(days=1))} makes it {counted(fewer, 'day')} off and {shown(later)}."
        )
    return f"No dose is recorded: counted as if the last one was on {shown(since)}, ask the patient.{taken}"


def off_days(change: MedicineChange) -> str:
    """`5 days off`, `1 day off`; what is true where no number is proposed."""
    if change.days is None:
        return "no number of days off is proposed"
    return f"{counted(change.days, 'day')} off"


def _pause(change: MedicineChange) -> str:
    if change.last_dose is None:
        return off_days(change)
    return f"{off_days(change)}, last dose {shown(change.last_dose)}"


def _stop_now(change: MedicineChange) -> str:
    return f"{_pause(change)}, proposed for the new date. Say now whether it stops."


def _restart(change: MedicineChange) -> str:
    until = f"up to {shown(change.last_dose)}" if change.last_dose else "now"
    ask = f"Say today: take it again {until}, or stay off it until surgery?"
    return f"already stopped for the old date. For the new date: {_pause(change)}. {ask}"


def _stays(change: MedicineChange) -> str:
    head = f"already stopped for the old date. For the new date: {_pause(change)}"
    why = "surgery comes sooner than it was" if change.sooner else "no dose is left to take before surgery"
    return f"{head}; {why}. Approve that it stays stopped, or say otherwise."


def _unlisted(_: MedicineChange) -> str:
    return "no longer on the list of medicines. Say whether it was stopped, and whether it still matters."


def _unanswered(_: MedicineChange) -> str:
    return "no answer stands for this surgery, and its day is past. Say whether it is taken now, and from which day."


def _ask(change: MedicineChange) -> str:
    return f"{off_days(change)}. Decide for the new date whether and when it pauses or its dose changes."


def _asked(change: MedicineChange) -> str:
    if change.need == "stands":
        return "nothing changes with the date."
    verb = "Approve for the new date" if change.need == "approve again" else "Still to be answered"
    return f"{verb}: {_pause(change)}."


_SENTENCES: dict[Need, Callable[[MedicineChange], str]] = {
    "stop today": _stop_now, "ask about restart": _restart, "stays stopped": _stays, "no longer listed": _unlisted,
    "unanswered": _unanswered, "ask": _ask, "approve again": _asked, "answer": _asked, "stands": _asked,
}  # fmt: skip


def _sooner(change: MedicineChange) -> str:
    """Surgery came nearer: the last dose is sooner than people remember."""
    was, now = change.last_dose_was, change.last_dose
    if not change.sooner or change.is_stopped or not was or not now or now >= was or change.need == "cannot be met":
        return ""
    return f"It must stop {counted((was - now).days, 'day')} sooner than before (last dose was to be {shown(was)})."


def _taken(change: MedicineChange) -> str:
    if change.recorded_later:
        on = shown(change.recorded_later)
        return f"A last dose is recorded for {on}, a day still to come: not counted, correct the record."
    if change.last_taken and change.need != "cannot be met":
        return f"Last dose recorded: {shown(change.last_taken)}."
    return ""


def patient_sentence(changes: Sequence[MedicineChange]) -> str:
    """What is read to the patient about every medicine that is left open: neither to take it nor to stay off it."""
    names = ", ".join(c.medicine for c in changes)
    one = len(changes) == 1
    it, stopped, told = ("it", "it", "since when") if one else ("any of them", "one", "which and since when")
    kept = f"change nothing by yourself until we call you: neither stop nor start {it}."
    return f"{names}: {kept} If you have stopped {stopped} already, tell me now {told}: the prescriber is asked today."


def stopped_already(changes: Sequence[MedicineChange]) -> str:
    """To the prescriber, the same day: what the patient was promised to be asked."""
    if len(changes) == 1:
        which, rest = changes[0].medicine, "If it is not stopped"
    else:
        which, rest = "one of these medicines", "If none is stopped"
    head = f"If the patient has stopped {which} already (see the patient's call, with since when)"
    if any(c.need == "unanswered" for c in changes):
        return f"{head}: say today whether it starts again, and when. {rest}, the answer may wait for its own day."
    return f"{head}: say today what happens with it until surgery. {rest}, the answer may wait for its own day."


def dose_question(changes: Sequence[MedicineChange]) -> str:
    """What the caller asks, one medicine after the other."""
    names = ", ".join(c.medicine for c in changes)
    return f"Ask: do you take it now, and when was the last dose? {names}. Write each answer on the card."


def call_back(change: MedicineChange, by: date) -> str:
    """The promise to the patient about one medicine."""
    return f"We call you again about {change.medicine} by {shown(by)}."


def too_late_together(changes: Sequence[MedicineChange], surgery: Moment | None) -> str:
    """To the surgeon: which pauses do not fit, and the first day that fits them all."""
    names = ", ".join(f"{c.medicine} ({c.possible} of {counted(c.days or 0, 'day')} off)" for c in changes)
    first = max((c.earliest for c in changes if c.earliest), default=None)
    day = shown(surgery.day) if surgery else "the new date"
    head = f"The days off do not fit {day}: {names}."
    fits = f"First day that fits all of them, counted as said to the prescriber: {shown(first)}." if first else ""
    return f"{head} {fits} The prescriber decides about the medicines, you about the date: does {day} stand?"
