"""What is said in a note fits what it is noted of: else it is refused, before anything is written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date

from waykeeper.counting import counted
from waykeeper.exchange.noted_changes import Noted
from waykeeper.fhir.recorded import LONGEST_HOLD
from waykeeper.findings import WaykeeperError, finding
from waykeeper.gaps.contacts import may_close
from waykeeper.medicines import HOLD_WORDS, PAUSE, WITHOUT_DAYS, without_reason
from waykeeper.plan.model import HoldAnswer, Item, Plan, State
from waykeeper.plan.unlisted import unanswered
from waykeeper.plan.validity import done_counts, still_released

DECISIONS = ("answered", "contact", "no-answer")  # of an attempt to reach the patient it is the route


def unfit(text: str, help_text: str = "") -> WaykeeperError:
    return WaykeeperError(finding("WKX240", text, help=help_text))


def said_of_it(what: str, days: int | None, decision: str, on: date | None) -> None:
    """Raises WaykeeperError WKX240 for days or a decision beside a word that writes neither: they would be lost.

    So for what is put off until no day: until today is not at all.
    """
    if what == "snoozed" and on is None:
        raise unfit("snoozed needs the day until which it is put off", "Add --on DAY.")
    if days is not None and what != "answered":
        raise unfit(f"days beside {what!r}", "Days without a dose are the prescriber's answer: note them as answered.")
    if decision and what not in DECISIONS:
        raise unfit(f"a decision beside {what!r}", "Note the prescriber's answer as answered, other words as text.")


def checked(item: Item, what: str, noted: Noted) -> Noted:
    if what == "fact" and noted.text not in ("yes", "no"):
        raise unfit(f"the answer to {item.key} is {noted.text!r}, allowed are yes and no", "Add --text yes or no.")
    if noted.days is not None and not 0 <= noted.days <= LONGEST_HOLD:
        raise unfit(f"{counted(noted.days, 'day')} without a dose; allowed are 0 to {LONGEST_HOLD}")
    if what == "answered":
        noted = _reasoned(item, _answer(item, noted))
    if what in ("owner", "closed", "reopened") and not noted.text.strip():
        raise unfit(f"{what} needs words", "Add --text.")
    ends = what in ("released", "done") and item.key.kind == "restriction"
    if ends and not still_released(item, noted.on, moved=False):
        remedy = "Give the day of the decision with --on; where surgery has another day, move the plan."
        raise unfit(f"{item.key} has not begun on {noted.on.isoformat()}, so nobody ends it on that day", remedy)
    return noted


def too_early(plan: Plan, item: Item, what: str, noted: Noted) -> str:
    """What is to be told of what was done so early that it does not count, or cannot be; "" else.

    A slip of patient, item or day is best seen on the line of the note, not on the list of the next day.
    """
    if what not in ("done", "released"):
        return ""
    surgery, window, first = plan.surgery_day, item.dates.window, item.dates.valid_from
    if item.key.kind == "visit" and surgery and window and noted.on < surgery < window.start.day:
        return f"; this visit comes after surgery and {noted.on.isoformat()} is before it: see whether a slip is in it"
    if first is None or done_counts(item, noted.on, noted.today):
        return ""
    return f"; it counts from {first.isoformat()} on, so it stays on the list"


NOT_PLAIN = (
    "Say from when: --days N without a dose before surgery. A medicine that is not taken any more is"
    " --decision 'already stopped'."
)


def _answer(item: Item, noted: Noted) -> Noted:
    """An answer as every reader understands it: days, or a decision that needs none, or the proposal as it stands."""
    if not noted.decision:
        return noted if noted.days is not None else _in_words(item, noted)
    if noted.decision not in (PAUSE, *WITHOUT_DAYS):
        allowed = ", ".join(WITHOUT_DAYS)
        raise unfit(f"decision {noted.decision!r}; allowed are {allowed}", NOT_PLAIN)
    if noted.days is not None and noted.decision != PAUSE:
        raise unfit(f"decision {noted.decision!r} with a number of days")
    if noted.days is None and noted.decision == PAUSE and not _proposes_days(item):
        raise unfit(f"decision {PAUSE!r} without days, and {item.key} proposes none", "Add --days N.")
    return noted


def _reasoned(item: Item, noted: Noted) -> Noted:
    """Raises WaykeeperError WKX240 for a pause of what must not stop without a word why: the wrong row is one slip."""
    hold = item.hold
    days = noted.days if noted.days is not None or hold is None else hold.missed_days
    pause = noted.days is not None or noted.decision == PAUSE
    medicine = hold.medicine if hold is not None else None
    if pause and without_reason(HoldAnswer(PAUSE, days, text=noted.text, medicine=medicine)):
        name = hold.words if hold is not None else str(item.key)
        raise unfit(
            f"{name} must not stop without a reason", "Add --text with the prescriber's reason, if it is meant."
        )
    return noted


def _proposes_days(item: Item) -> bool:
    return item.key.kind == "hold" and item.hold is not None and item.hold.missed_days is not None


def _in_words(item: Item, noted: Noted) -> Noted:
    """An answer without --days and --decision: its words if they are plain, else the proposal as it stands.

    Words that do not say plainly what was decided are refused: a confirmed pause beside the words "go on" would hurt.
    """
    words = noted.text.strip()
    days = HOLD_WORDS.fullmatch(words)
    if days:
        return replace(noted, days=int(days.group(1)))
    if words.lower() in WITHOUT_DAYS:
        return replace(noted, decision=words.lower())
    proposal = item.hold
    if words:
        help_text = "Add --days N or --decision WORD, or leave the words out to confirm the proposal as it stands."
        raise unfit(f"{words!r} does not say plainly what was decided about {item.key}", help_text)
    if proposal is None or not proposal.recognised or proposal.decision == "ask":
        raise unfit(f"{item.key} proposes nothing that could be confirmed", "Add --decision, or --days.")
    return noted


# What is noted where a reason must not take the place of a decision, by kind.
_DECIDED: Mapping[str, str] = {
    "hold": "Note the prescriber's answer (answered) or the restart (restarted).",
    "medicine": "Note the prescriber's answer (answered).",
    "restriction": "Note who ended it (released).",
    "gate": "Note who approved it (released), or leave it open.",
    "instruction": "It is printed for the patient and not tracked.",
}


def closable(plan: Plan, state: State, item: Item, what: str, noted: Noted) -> None:
    """Raises WaykeeperError WKX240 for the closing of what waits for a decision."""
    surgery = plan.surgery_day
    if what != "closed" or may_close(item, surgery, noted.on) or unanswered(item, plan, state):
        return
    until = f" until surgery on {surgery.isoformat()} is over" if item.key.kind == "gate" and surgery else ""
    raise unfit(f"{item.key} waits for a decision{until}, which no reason replaces", _DECIDED[item.key.kind])
