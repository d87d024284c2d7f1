"""Complete a plan whose days are over: nothing that waits for a decision is let go, and nothing without a reason."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from zoneinfo import ZoneInfo

from waykeeper.counting import counted
from waykeeper.exchange.dropped import without_dead_entries
from waykeeper.exchange.noted_changes import Noted, annotation, whose
from waykeeper.exchange.pushing import TRIES, PlanPush, Why, reading_back
from waykeeper.exchange.reading import one_plan, plan_resources
from waykeeper.exchange.server import Server
from waykeeper.exchange.withdrawing import without_gaps
from waykeeper.fhir import evidence, read_all
from waykeeper.fhir.identity import parse_key
from waykeeper.fhir.names import COMPLETED
from waykeeper.findings import WaykeeperError, finding
from waykeeper.gaps.model import TO_COMPLETE, Row
from waykeeper.gaps.setting import last_day
from waykeeper.gaps.worklist import by_plan, holding_still, is_open
from waykeeper.merge.end import complete as complete_plan
from waykeeper.plan.model import MEDICINES, Completion, Identifier, Plan, State

_DECIDED = (*MEDICINES, "restriction", "plan")  # what no reason lets go, as no reason closes it
_BOOKED = ("booked", "booked-early", "booked-late")
_FULFILLED = frozenset({"attended", "attended-early", "attended-late", "printed", "restarted"})
_NAMED = 12  # steps named in one line


def complete(
    server: Server, patient: Identifier, *, by: str, on: date | None = None, text: str = "", episode: int = 1,
    pathway: str = "", now: datetime,
) -> str:  # fmt: skip
    """Set a plan to completed; gives the sentence that says so, with what was not done.

    text   why what is still open is let go; needed where something is

    Raises WaykeeperError WKX240 (its days are not over, something waits for a decision, something is open and no reason
    is given), BadAnswerError WKX221 (no such plan), and as a push does.
    """
    for attempt in range(TRIES):
        held = plan_resources(server, patient)
        plan, state = one_plan(held, episode, pathway, patient)
        today = now.astimezone(ZoneInfo(plan.zone)).date()
        if state.completed is not None:
            without_gaps(server, plan, patient, today, now)
            return _already(plan, state, state.completed)
        rows = _rows(held, plan, today)
        undone = _undone(plan, state, rows, text, today)
        said = annotation(Noted(by, on or today, f"{COMPLETED}: {text}" if text.strip() else COMPLETED, None, ""))
        held = without_dead_entries(server, held, plan.episode)
        fulfilled = {parse_key(row.item) for row in rows if row.verdict in _FULFILLED}
        decisions = complete_plan(plan, held, said, fulfilled)
        push = PlanPush(server, plan, {}, now, why=Why("completion", by, text))
        if not push.sent(decisions, attempt):
            continue
        with reading_back():
            held = plan_resources(server, patient)
            left = complete_plan(plan, held, said, fulfilled).changing
            if left:
                raise WaykeeperError([finding("WKX230", f"{d.item} {d.part}: still open after it") for d in left])
            without_gaps(server, plan, patient, today, now)
        when = (on or today).isoformat()
        done = f"plan/plan: completed by {by} on {when} for {whose(plan)} ({state.plan_reference})"
        return done + "".join(f"; {notice}" for notice in (*_let_go(undone), *decisions.notices))
    raise AssertionError  # the last attempt returns or raises


def _already(plan: Plan, state: State, end: Completion) -> str:
    by, on = f" by {end.by}" if end.by else "", f" on {end.on.isoformat()}" if end.on else ""
    return f"plan/plan: completed{by}{on} for {whose(plan)} ({state.plan_reference}): as it was noted before"


def _rows(held: Sequence[tuple[str, dict[str, object]]], plan: Plan, today: date) -> tuple[Row, ...]:
    """The rows of the plan in the gap report of today."""
    found = by_plan(read_all(held), evidence(held, plan.zone), today)
    return next(rows for one, _, rows, _ in found if one.episode == plan.episode)


def _undone(plan: Plan, state: State, rows: Sequence[Row], text: str, today: date) -> list[Row]:
    """What is open and is let go with the reason. Raises WaykeeperError WKX240 where the plan cannot be completed."""
    if plan.withdrawn or state.plan_status not in ("draft", "active"):
        raise _unfit(f"the plan is {state.plan_status} already", "What was put off is moved or withdrawn.")
    last = last_day(plan)
    if last is None or last >= today:
        until = last.isoformat() if last else "a day not known"
        help_text = "Of a patient who leaves the pathway before, withdraw the plan with the reason."
        raise _unfit(f"the plan runs until {until}", help_text)
    open_ = [row for row in rows if is_open(row) and row.verdict != TO_COMPLETE]
    decided = [*(row for row in open_ if row.kind in _DECIDED), *holding_still(rows)]
    if decided:
        help_text = "Note what was decided (answered, restarted, released); the plan's own row says what settles it."
        raise _unfit(f"{_named(decided)}: waiting for a decision, which no reason replaces", help_text)
    ahead = [row for row in rows if row.verdict in _BOOKED]
    if ahead:
        raise _unfit(f"{_named(ahead)}: still booked", "Complete the plan after it, or have the booking cancelled.")
    if open_ and not text.strip():
        help_text = "Note what was done, with its day. To let go what was not, add --text with the reason."
        raise _unfit(f"{counted(len(open_), 'step')} not done or not recorded: {_named(open_)}", help_text)
    return open_


def _let_go(undone: Sequence[Row]) -> list[str]:
    steps = counted(len(undone), "step")
    return [f"not done or not recorded, and let go with the reason: {steps} ({_named(undone)})"] if undone else []


def _named(rows: Sequence[Row]) -> str:
    more = f" and {len(rows) - _NAMED} more (see waykeeper gaps)" if len(rows) > _NAMED else ""
    return ", ".join(f"{row.item} ({row.verdict})" for row in rows[:_NAMED]) + more


def _unfit(details: str, help_text: str) -> WaykeeperError:
    return WaykeeperError(finding("WKX240", details, help=help_text))
