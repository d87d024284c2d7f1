"""Write the gaps of a server's plans back to it: DetectedIssue and Task, closed when the gap is gone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from waykeeper.exchange.pushing import TRIES, PlanPush, PlanRefusedError, Why, reading_back
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.report import PushReport
from waykeeper.exchange.server import Held, Server
from waykeeper.fhir import episode_of
from waykeeper.fhir.patients import Patients
from waykeeper.findings import finding
from waykeeper.gaps.issues import ISSUE, IssueChange, issues
from waykeeper.gaps.model import Worklist
from waykeeper.merge.model import Decision, Decisions, Word
from waykeeper.plan.model import Plan, State

PlanState = tuple[Plan, State]
Resource = tuple[str, Mapping[str, Any]]
_WORDS: dict[str, Word] = {"create": "create", "write": "write", "close": "close", "keep": "keep"}


def push_all_issues(
    server: Server, pairs: Sequence[PlanState], report: Worklist, *, dry_run: bool = False, now: datetime
) -> Iterator[PushReport]:
    """`push_issues` for each plan, read together: a plan whose gaps are as they were written asks no request more."""
    held = plan_resources(server, None)
    patients = Patients(held, {plan.patient.identifier.system for plan, _ in pairs})
    for pair in pairs:
        theirs = patients.of(str(pair[0].patient.identifier)) or None  # who is not told apart here is asked for alone
        yield push_issues(server, pair, report, read=theirs, dry_run=dry_run, now=now)


def push_issues(
    server: Server,
    pair: PlanState,
    report: Worklist,
    *,
    read: Sequence[Resource] | None = None,
    dry_run: bool = False,
    now: datetime,
) -> PushReport:
    """Send what changed of the gaps of one plan, read it again and prove that nothing is left to send.

    pair     the plan as this server holds it
    report   the whole report: what is not in it counts as closed
    read     the patient's resources as they were read before, to decide on first; read here where there are none

    Raises as a push does: BadAnswerError, NoAnswerError, PlanRefusedError.
    """
    plan = pair[0]
    if server.kind != "patients" and not plan.patient.test_data:
        raise PlanRefusedError(finding("WKX110", "the Patient has no test-data label"))
    for attempt in range(TRIES):
        known = read if read is not None and attempt == 0 else _held(server, plan)
        decisions = _decided(pair, report, known)
        if dry_run or not decisions.changing:
            return PushReport(decisions, server.base, dry_run=dry_run)
        push = PlanPush(server, plan, {}, now, why=Why("gaps"))
        if not push.sent(decisions, attempt):
            continue
        with reading_back():
            left = _decided(pair, report, _held(server, plan)).changing
        proof = tuple(finding("WKX230", f"{d.item} {d.part}: still to {d.word} after the push") for d in left)
        return PushReport(decisions, server.base, sent=True, findings=proof)
    raise AssertionError  # the last attempt returns or raises


def _held(server: Server, plan: Plan) -> list[Held]:
    return plan_resources(server, plan.episode.patient)


def _decided(pair: PlanState, report: Worklist, held: Sequence[Resource]) -> Decisions:
    plan, state = pair
    if not any(episode_of(r) == plan.episode for _, r in held):
        return Decisions(plan, notices=("the server does not hold this plan: nothing is written about it",))
    mine = (str(plan.patient.identifier), plan.episode.number, plan.pathway.name)
    rows = [r for r in report.rows if (r.identifier, r.episode, r.pathway) == mine]
    changes = issues(plan, state, rows, held, report.as_of)
    decisions = tuple(_decision(c) for c in changes)
    return Decisions(plan, decisions, standing=_standing(held, decisions))


def _decision(change: IssueChange) -> Decision:
    kind = "DetectedIssue" if change.part == ISSUE else "Task"
    return Decision(
        str(change.key), f"{change.part}:{change.kind}", change.round, _WORDS.get(change.word, "unchanged"), (),
        change.reason, change.reference, kind, change.before, change.after,
    )  # fmt: skip


def _standing(held: Sequence[Resource], decisions: Sequence[Decision]) -> tuple[Resource, ...]:
    after = {d.reference: d.after for d in decisions if d.after is not None and d.reference}
    kept = [(ref, after.get(ref) or resource) for ref, resource in held]
    made = [(f"{d.kind}/{d.after['id']}", d.after) for d in decisions if d.after is not None and not d.reference]
    return (*kept, *made)


__all__ = ["push_all_issues", "push_issues"]
