"""Withdraw a whole plan on a server: by status and with a reason, never by deletion."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from waykeeper.exchange.dropped import without_dead_entries
from waykeeper.exchange.issues import push_issues
from waykeeper.exchange.pushing import TRIES, PlanPush, Why, reading_back
from waykeeper.exchange.reading import in_force_beside, one_plan, plan_resources
from waykeeper.exchange.report import PushReport
from waykeeper.exchange.server import Server
from waykeeper.exchange.versions import withdrawn_by
from waykeeper.exchange.withdrawal_report import Withdrawal, still_booked
from waykeeper.fhir import evidence, read_all, status_class
from waykeeper.findings import WaykeeperError, finding
from waykeeper.gaps import worklist
from waykeeper.merge import withdraw as withdraw_plan
from waykeeper.plan.model import Identifier, Plan


def withdraw(
    server: Server, patient: Identifier, reason: str, *, episode: int = 1, pathway: str = "", by: str = "",
    suspended: bool = False, dry_run: bool = False, now: datetime, today: date | None = None,
) -> Withdrawal:  # fmt: skip
    """Withdraw the plan of a patient: open and busy items at once; bookings and restarts are listed for people.

    pathway     name or url, needed where the patient has plans of several pathways with this episode number
    suspended   surgery was cancelled and another day is expected: `move` takes the plan up again
    today       the day on which it is said; that of `now` in the clinic's zone where it is not given

    Raises WaykeeperError WKX240 (no reason), BadAnswerError WKX221 (no such plan), and as a push does.
    """
    if not reason.strip():
        raise WaykeeperError(finding("WKX240", "a withdrawal needs a reason"))
    for attempt in range(TRIES):
        held = plan_resources(server, patient)
        plan, state = one_plan(held, episode, pathway, patient)
        day = today or now.astimezone(ZoneInfo(plan.zone)).date()
        held = without_dead_entries(server, held, plan.episode)
        decisions = withdraw_plan(plan, held, reason.strip(), suspended=suspended, today=day)
        told = Withdrawal(
            decisions, server.base, dry_run, plan=plan, bookings=still_booked(plan.episode, held, day),
            reason=reason.strip(), by=by, already=plan.withdrawn, put_off=suspended,
            beside=tuple(in_force_beside(held, plan)), completed=state.completed is not None,
        )  # fmt: skip
        if not decisions.changing:
            by_whom, on_hold = withdrawn_by(server, state.plan_reference), state.plan_status == "on-hold"
            told = replace(told, already_by=by_whom, put_off=on_hold)
            return told if dry_run else _without_gaps(server, told, patient, day, now)
        if dry_run:
            return told
        push = PlanPush(server, plan, {}, now, why=Why("withdrawal", by, reason.strip()))
        if not push.sent(decisions, attempt):
            continue
        with reading_back():
            held = plan_resources(server, patient)
            left = withdraw_plan(plan, held, reason, suspended=suspended, today=day).changing
            proof = tuple(finding("WKX230", f"{d.item} {d.part}: still to {d.word} after the withdrawal") for d in left)
            told = replace(told, sent=True, findings=proof, already="")
            return _without_gaps(server, told, patient, day, now)
    raise AssertionError  # the last attempt returns or raises


def _without_gaps(server: Server, told: Withdrawal, patient: Identifier, day: date, now: datetime) -> Withdrawal:
    assert told.plan is not None
    closed = without_gaps(server, told.plan, patient, day, now)
    if closed is None:
        return told
    number = sum(d.word == "close" for d in closed.changes)
    return replace(told, gaps_closed=number, findings=(*told.findings, *closed.findings))


def without_gaps(server: Server, ended: Plan, patient: Identifier, day: date, now: datetime) -> PushReport | None:
    """The gaps that were written to the server are closed with the plan: nobody is to be called about them any more.

    Where none were written, none are now: None.
    """
    held = plan_resources(server, patient)
    if not any(r.get("resourceType") == "DetectedIssue" and status_class(r) == "open" for _, r in held):
        return None
    plan, state = next((p, s) for p, s in read_all(held) if p.episode == ended.episode)
    report = worklist([(plan, state)], evidence(held, plan.zone), day)
    return push_issues(server, (plan, state), report, now=now)
