"""The contract's words in plain words of the trade, as pages show them; JSON and CSV keep the contract's."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from datetime import date, timedelta

from waykeeper.counting import counted
from waykeeper.gaps.model import Placement, Row, Worklist
from waykeeper.gaps.says import LIVE_BOOKINGS
from waykeeper.gaps.words import table
from waykeeper.plan.model import MEDICINES
from waykeeper.report.plain import day
from waykeeper.report.severity import SEVERITY

WORDS: dict[str, str] = {
    "attended-early": "attended early", "attended-late": "attended late", "needs-review": "look into this",
    "excused": "not needed any more", "undated": "no date yet", "unconfirmed": "outcome not recorded",
    "booked-early": "booked too early", "booked-late": "booked too late", "missed": "not held in time",
    "overdue": "late", "rebook": "book again", "to-book": "to be booked", "not-yet-due": "nothing to do yet",
    "renew": "done too early, again", "done-early": "done early", "done-late": "done late",
    "failed": "closed undone", "due": "to do", "taken": "taken during the pause", "unanswered": "prescriber to answer",
    "restarted": "started again", "restart-due": "start again?", "never-answered": "never answered",
    "released": "approved", "ready": "nobody has decided", "shut": "not approved", "printed": "on the patient's sheet",
    "release-due": "may it end? ask", "in-force": "holds", "not-met": "not recorded as met", "open": "not due yet",
    "no-plan": "no plan", "date-differs": "another day", "no-case": "not on the theatre list",
    "unproven": "not known whether it took place", "conflict": "changes wait", "current": "the plan stands",
    "to-complete": "may be completed",
}  # fmt: skip
KINDS: dict[str, str] = {
    "gate": "decision", "hold": "medicine to pause", "medicine": "medicine", "goal": "goal", "plan": "whole plan",
    "restriction": "restriction", "task": "step", "visit": "visit", "question": "question",
    "instruction": "instruction",
}  # fmt: skip
CERTAINTIES: dict[str, str] = {
    "linked": "booked from this plan", "recognised": "recognised by what it says", "guessed": "a guess", "none": "",
}  # fmt: skip
_PAST_USE = {"task": ("overdue",), "gate": ("shut", "ready"), "visit": ("missed", "unconfirmed")}
# Who decides, in rows that ask for a decision; the coordinator makes the call.
_DECIDED = frozenset({"hold", "medicine", "gate", "restriction"})
_DECIDERS: dict[str, str] = {"prescriber": "prescriber", "surgeon": "surgeon", "anaesthesia": "anaesthetist"}
NOT_NEEDED = "Bookings of visits that are not needed any more"
RECORD_ONLY = (
    "Record only, not urgent. Write down only what was really done, with the day on which it was done. Do not do it, "
    "or approve it, now; what was not done is told to the surgeon and closed with the reason. Closing a step here "
    "answers no question about a medicine: what is still open stands in the list above."
)
MAY_BE = "Appointments that may be a planned visit"
LIST_OF_MEDICINES = (
    "Medicines are those of the day on which each plan was last made. One that was started or changed since is told "
    "only where the medicine list itself is read here too; one that was stopped is not, until the plan is made again."
)
# Days after surgery; common practice, no source: a longer stay than a week has reasons that somebody looks into, and by
# the end of the third week the wound was seen, and how the patient eats, walks and bears the pain was asked.
_LONGEST_STAY, _FIRST_VISIT = 7, 21
_SETTLED = frozenset({"attended", "attended-early", "attended-late", "excused"})
_ENDED = ("fulfilled", "finished", "noshow")
_MANY = 3


def shown(word: str) -> str:
    """The words that a page shows for a verdict; a word without an entry is plain already."""
    return WORDS.get(word, word)


def key(rows: Iterable[Row]) -> list[tuple[str, str]]:
    """The shown words of these rows, each with the word that JSON and CSV have."""
    return sorted({(shown(r.verdict), r.verdict) for r in rows if shown(r.verdict) != r.verdict})


def is_over(row: Row, as_of: date) -> bool:
    """True for what is only to be recorded: a step that was of use up to the surgery day, where that day is over, a
    question about nothing but such steps, a medicine that had ended before it, and a goal of the hospital stay that
    nobody recorded, once the first visit looked at how the patient is."""
    if row.gap and row.kind in MEDICINES:
        return row.verdict == "overdue" and row.served
    if not row.gap or row.surgery is None or row.window_end is None:
        return False
    if row.kind == "goal" and row.unproven:  # nobody knows whether the operation took place, or how the patient is
        return False
    if row.kind == "goal":
        return _goal_of_the_stay(row, row.surgery, row.window_end) and as_of > row.surgery + timedelta(_FIRST_VISIT)
    if row.kind == "question":
        return row.verdict == "overdue" and row.served
    return row.verdict in _PAST_USE.get(row.kind, ()) and row.window_end <= row.surgery < as_of


def now_and_over(worklist: Worklist) -> tuple[list[Row], list[Row]]:
    """The gaps to act on, and the steps of an operation that is over, which are only to be recorded or closed."""
    now: list[Row] = []
    over: list[Row] = []
    for row in worklist.gaps:
        (over if is_over(row, worklist.as_of) else now).append(row)
    return now, over


def _goal_of_the_stay(row: Row, surgery: date, due: date) -> bool:
    """A goal that was to be met before going home, and about which nothing is recorded: neither met nor not met."""
    recorded = table()["goal"]["not-met-recorded"]["reason"].partition("{")[0]
    in_the_stay = surgery < due <= surgery + timedelta(_LONGEST_STAY)
    return row.verdict == "not-met" and in_the_stay and not row.reason.startswith(recorded)


def left_alone(row: Row) -> str:
    """Why nobody acts on a gap: that it is closed, by whom and why, or put off until when; "" for every other row."""
    if not row.gap or row.to_do:
        return ""
    if not row.closed:
        return f"put off until {day(row.snoozed_until)}"
    who = ", ".join(p for p in (row.closed_by, day(row.closed_on)) if p) or "nobody said who or when"
    return f"closed: {row.closed_because} ({who})"


def completed_plans(report: Worklist) -> str:
    """How many plans were completed and what was let go with them, as one sentence; "" where none was."""
    if not report.completed:
        return ""
    left = sum(report.completed.values())
    gaps = f", with {counted(left, 'step')} not done or not recorded (each stands in JSON and CSV)" if left else ""
    return f"{counted(len(report.completed), 'plan')} completed{gaps}."


def owner_line(row: Row) -> str:
    """Who acts, as the coordinator reads it: where another decides, that it is she who asks. "" for nobody."""
    if row.owner or row.kind not in _DECIDED or row.who not in _DECIDERS:
        return row.owner or row.who
    return f"you ask, the {_DECIDERS[row.who]} decides"


def order_of_all(row: Row) -> str:
    """The next action as the head of several steps: a question that is a step's own is left to the step's reason."""
    head, _, middle = str(table()["actions"]["ask_first"]).format(undecided="\0", next="").partition("\0")
    asks, found, then = row.next_action.partition(middle)
    if not found or not asks.startswith(head):
        return row.next_action
    return f"{head}the question stands with each step.{middle}{then}"


def history(row: Row) -> tuple[str, ...]:
    """What became of earlier bookings, as far as the row's reason does not say it already."""
    return tuple(happened for happened in row.history if happened not in row.reason)


def by_severity(counts: Mapping[int, int]) -> str:
    """`at risk 3, a step waits 1`: how many of each severity, gravest first."""
    return ", ".join(f"{SEVERITY[s].name.lower()} {counts[s]}" for s in sorted(counts, reverse=True) if counts[s])


def booked_for_nothing(report: Worklist) -> tuple[Placement, ...]:
    """Bookings of today or later of visits that are not needed any more: only a person cancels them."""
    visits = [((r.identifier, r.item), r.verdict == "excused") for r in report.rows if r.kind == "visit"]
    over, wanted = ({name for name, excused in visits if excused is which} for which in (True, False))
    return tuple(p for p in report.appointments if _is_ahead(p, report.as_of) and _for_nothing(p, over, wanted))


def asked_beside(report: Worklist) -> tuple[Placement, ...]:
    """Guesses about which no line of the list asks: each visit that they may be is no gap, and not kept or over either.

    Their note asks, with the names of the visits. A guess about a gap is asked about in its own line.
    """
    rows = {(r.identifier, r.item): r for r in report.rows if r.kind == "visit"}
    idle = set(booked_for_nothing(report))
    found = []
    for one in report.appointments:
        mine = [rows[name] for item in one.items if (name := (one.identifier, item)) in rows]
        if one.place != "guess" or one.part_of or one in idle or any(r.to_do for r in mine):
            continue
        if open_yet := [r.title for r in mine if not r.gap and r.verdict not in _SETTLED]:
            asks = f"may be {' or '.join(open_yet)}: is it?"
            found.append(replace(one, note="; ".join(p for p in (one.note, asks) if p)))
    return tuple(found)


def second_bookings(report: Worklist) -> tuple[Placement, ...]:
    """Further live bookings of a visit that has one, and that is still needed."""
    over = set(booked_for_nothing(report))
    return tuple(p for p in report.duplicates if p not in over)


def _for_nothing(found: Placement, over: Collection[tuple[str, str]], wanted: Collection[tuple[str, str]]) -> bool:
    """A live booking is history only where its visit is over; another may be of a second operation's visit."""
    names = [(found.identifier, item) for item in found.items]
    others = () if found.place == "history" else wanted
    return any(name in over for name in names) and not any(name in others for name in names)


def _is_ahead(found: Placement, as_of: date) -> bool:
    live = found.kind == "appointment" and found.status in LIVE_BOOKINGS
    beside = found.place in ("history", "guess", "duplicate") and not found.part_of
    return live and beside and (found.day is None or found.day >= as_of)


def told_too_soon(report: Worklist) -> tuple[Placement, ...]:
    """The appointments ahead that are recorded as over, where they are so many that the day of the list is in doubt."""
    found = tuple(p for p in report.appointments if _ahead(p, report.as_of))
    return found if len(found) >= _MANY else ()


def check_the_day(as_of: date, count: int) -> str:
    """What to do where so many appointments ahead are recorded as over; the list of them follows."""
    return (
        f"Look at a calendar. If today is not {day(as_of)}, stop and print the list again with the correct day. If it "
        f"is, work the list, and ask the booking office about these {count} entries, which are recorded as finished or "
        "as not attended on days still ahead:"
    )


def titles_of(report: Worklist) -> Mapping[tuple[str, str], str]:
    """The title of each row, by patient and item."""
    return {(r.identifier, r.item): r.title for r in report.rows}


def entry_ahead(found: Placement, titles: Mapping[tuple[str, str], str]) -> str:
    """One of those entries: its day, what it is recorded as, and where it stands in the list (see `titles_of`)."""
    at = [titles[found.identifier, item] for item in found.items if (found.identifier, item) in titles]
    said = "not attended" if found.status == "noshow" else "finished"
    return f"{day(found.day)} {said} ({' or '.join(at) or 'fits no planned visit'})"


def _ahead(found: Placement, as_of: date) -> bool:
    return found.status in _ENDED and found.day is not None and found.day > as_of and not found.part_of


def silence(rows: Iterable[Row]) -> str:
    """What holds for a patient to whom nothing is printed or sent; "" for all others.

    A plan that was withdrawn still asks about what was stopped for it, or was to be: of that a person calls. Who died
    has no row of a hold that is a gap.
    """
    quiet = [r for r in rows if not r.contactable]
    if any(r.gap and r.kind == "hold" for r in quiet):
        return "No letter or sheet goes to this patient: call only about the medicine that was stopped, or was to be."
    return "Do not contact: nothing is printed for or sent to this patient." if quiet else ""
