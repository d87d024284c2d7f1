"""Withdraw a whole plan on a server: by status and with a reason, never by deletion."""

from __future__ import annotations

from datetime import datetime

from waykeeper.exchange.errors import BadAnswerError
from waykeeper.exchange.pushing import STALE, TRIES, PlanPush
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.report import PushReport
from waykeeper.exchange.server import Held, Server
from waykeeper.fhir import read_all
from waykeeper.findings import Finding, WaykeeperError, finding
from waykeeper.merge import withdraw as withdraw_plan
from waykeeper.plan.model import Identifier, Plan


def withdraw(
    server: Server, patient: Identifier, reason: str, *, episode: int = 1, pathway: str = "", dry_run: bool = False,
    now: datetime,
) -> PushReport:  # fmt: skip
    """Withdraw the plan of a patient: open and busy items at once; bookings and restarts are listed for people.

    pathway   name or url, needed where the patient has plans of several pathways with this episode number

    Raises WaykeeperError WKX240 (no reason), BadAnswerError WKX221 (no such plan), and as a push does.
    """
    if not reason.strip():
        raise WaykeeperError(finding("WKX240", "a withdrawal needs a reason"))
    for attempt in range(TRIES):
        held = plan_resources(server, patient)
        plan = _one(held, episode, pathway)
        decisions = withdraw_plan(plan, held, reason.strip())
        if dry_run or not decisions.changing:
            return PushReport(decisions, server.base, dry_run=dry_run)
        try:
            PlanPush(server, plan, {}, now).send(decisions)
        except BadAnswerError as refused:
            if refused.status in STALE and attempt < TRIES - 1:
                continue
            raise
        return PushReport(decisions, server.base, sent=True, findings=_proof(server, patient, plan, reason))
    raise AssertionError  # the last attempt returns or raises


def _one(held: list[Held], episode: int, pathway: str) -> Plan:
    found = [p for p, _ in read_all(held) if p.episode.number == episode]
    found = [p for p in found if pathway in ("", p.pathway.name, p.pathway.url)]
    if len(found) != 1:
        raise BadAnswerError(finding("WKX221", f"{len(found)} plans of this patient with episode {episode}"), 404)
    return found[0]


def _proof(server: Server, patient: Identifier, plan: Plan, reason: str) -> tuple[Finding, ...]:
    """Read again: nothing is left to withdraw."""
    left = withdraw_plan(plan, plan_resources(server, patient), reason).changing
    return tuple(finding("WKX230", f"{d.item} {d.part}: still to {d.word} after the withdrawal") for d in left)
