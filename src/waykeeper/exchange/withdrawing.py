"""Withdraw a whole plan on a server: by status and with a reason, never by deletion."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from waykeeper.exchange.errors import BadAnswerError
from waykeeper.exchange.pushing import TRIES, PlanPush, Why
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.server import Held, Server
from waykeeper.exchange.withdrawal_report import Withdrawal, still_booked
from waykeeper.fhir import identity, is_ours, read_all
from waykeeper.findings import WaykeeperError, finding
from waykeeper.merge import withdraw as withdraw_plan
from waykeeper.plan.model import Identifier, Plan, State


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
        plan = one_plan(held, episode, pathway)[0]
        day = today or now.astimezone(ZoneInfo(plan.zone)).date()
        decisions = withdraw_plan(plan, held, reason.strip(), suspended=suspended, today=day)
        told = Withdrawal(
            decisions, server.base, dry_run, plan=plan, bookings=still_booked(plan.episode, held, day),
            reason=reason.strip(), by=by, already=plan.withdrawn,
        )  # fmt: skip
        if dry_run or not decisions.changing:
            return told
        push = PlanPush(server, plan, {}, now, why=Why("withdrawal", by, reason.strip()))
        if not push.sent(decisions, attempt):
            continue
        left = withdraw_plan(plan, plan_resources(server, patient), reason, suspended=suspended, today=day).changing
        proof = tuple(finding("WKX230", f"{d.item} {d.part}: still to {d.word} after the withdrawal") for d in left)
        return replace(told, sent=True, findings=proof, already="")
    raise AssertionError  # the last attempt returns or raises


def one_plan(held: list[Held], episode: int, pathway: str) -> tuple[Plan, State]:
    """The one plan that is meant. Raises BadAnswerError WKX221 where there is none, or several."""
    found = [(p, s) for p, s in read_all(held) if p.episode.number == episode]
    found = [(p, s) for p, s in found if pathway in ("", p.pathway.name, p.pathway.url)]
    if len(found) != 1:
        names = ", ".join(sorted(p.pathway.name for p, _ in found))
        remedy = f"Name the pathway: {names}." if found else _why_none(held)
        details = f"{len(found)} plans of this patient with episode {episode}"
        raise BadAnswerError(finding("WKX221", details, help=remedy), 404)
    return found[0]


def _why_none(held: list[Held]) -> str:
    """Where a plan may be that is not found: under another name, or in a CarePlan that does not say so any more."""
    lost = [ref for ref, r in held if r.get("resourceType") == "CarePlan" and is_ours(r) and identity(r) is None]
    if not lost:
        return "Check the patient's identifier and the episode."
    return f"{', '.join(lost)} lost what Waykeeper wrote on it: push the plan with --take ours:plan first."
