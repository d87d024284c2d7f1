"""The contract's words in plain words of the trade, as pages show them; JSON and CSV keep the contract's."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from waykeeper.gaps.model import Placement, Row, Worklist
from waykeeper.report.plain import day

WORDS: dict[str, str] = {
    "attended-early": "attended early", "attended-late": "attended late", "needs-review": "look into this",
    "excused": "not needed any more", "undated": "no date yet", "unconfirmed": "outcome not recorded",
    "booked-early": "booked too early", "booked-late": "booked too late", "missed": "not held in time",
    "overdue": "late", "rebook": "book again", "to-book": "to be booked", "not-yet-due": "nothing to do yet",
    "renew": "done too early, again", "done-early": "done early", "done-late": "done late",
    "failed": "closed undone", "due": "to do", "taken": "taken during the pause", "unanswered": "prescriber to answer",
    "restarted": "started again", "restart-due": "start again?", "never-answered": "never answered",
    "released": "approved", "ready": "nobody has decided", "shut": "not approved", "printed": "on the patient's sheet",
    "release-due": "lift it? ask", "in-force": "holds", "not-met": "not recorded as met", "open": "not due yet",
    "no-plan": "no plan", "date-differs": "another day", "no-case": "not on the theatre list",
    "unproven": "not known whether it took place", "conflict": "changes wait", "current": "the plan stands",
}  # fmt: skip
KINDS: dict[str, str] = {
    "gate": "decision", "hold": "medicine to pause", "medicine": "medicine", "goal": "goal", "plan": "whole plan",
    "restriction": "restriction", "task": "step", "visit": "visit", "question": "question",
    "instruction": "instruction",
}  # fmt: skip
CERTAINTIES: dict[str, str] = {
    "linked": "booked from this plan", "recognised": "recognised by what it says", "guessed": "a guess", "none": "",
}  # fmt: skip
_PAST_USE = {"task": ("overdue",), "gate": ("shut", "ready"), "visit": ("missed",)}
_ENDED = ("fulfilled", "finished", "noshow")
_MANY = 3


def shown(word: str) -> str:
    """The words that a page shows for a verdict; a word without an entry is plain already."""
    return WORDS.get(word, word)


def key(rows: Iterable[Row]) -> list[tuple[str, str]]:
    """The shown words of these rows, each with the word that JSON and CSV have."""
    return sorted({(shown(r.verdict), r.verdict) for r in rows if shown(r.verdict) != r.verdict})


def is_over(row: Row, as_of: date) -> bool:
    """True for a step that was of use up to the surgery day only, where that day is over."""
    if not row.gap or row.surgery is None or row.window_end is None:
        return False
    return row.verdict in _PAST_USE.get(row.kind, ()) and row.window_end <= row.surgery < as_of


def told_too_soon(report: Worklist) -> str:
    """One sentence where several appointments ahead are already recorded as over; "" where few are."""
    found = [p for p in report.appointments if _ahead(p, report.as_of)]
    if len(found) < _MANY:
        return ""
    people = len({p.identifier for p in found})
    whom = "1 patient" if people == 1 else f"{people} patients"
    return (
        f"{len(found)} appointments of {whom} are recorded as finished or as not attended on days after "
        f"{day(report.as_of)}. The day of this list or the data may be wrong: find out which before you act on it."
    )


def _ahead(found: Placement, as_of: date) -> bool:
    return found.status in _ENDED and found.day is not None and found.day > as_of and not found.part_of
