"""May anything be printed for this patient? One gate before every sheet, letter, script and calendar."""

from __future__ import annotations

from waykeeper.findings import Finding, Position, WaykeeperError, finding
from waykeeper.plan.model import Plan, State

_NOT_IN_FORCE = frozenset({"revoked", "entered-in-error"})


def refusal(plan: Plan, state: State) -> Finding | None:
    """Why nothing may reach the patient or the family, or None. The gravest reason comes first.

    Any sign of death stops everything, whatever date it bears (clinical hazard "letter, call or reminder after
    death", common practice, no source).
    """
    place = Position(path=plan.episode.uuid("plan", plan.pathway.name, "plan"))
    if plan.patient.deceased or state.deceased or state.deceased_on:
        return finding("WKO001", "the patient has died, nothing is printed", place)
    if state.plan_status == "on-hold":
        return finding("WKO003", "surgery is suspended, nothing dated is printed", place)
    if plan.withdrawn or state.plan_status in _NOT_IN_FORCE:
        return finding("WKO002", "the plan was withdrawn, nothing is printed", place)
    if state.completed is not None:
        return finding("WKO002", "the plan was completed, nothing is printed", place)
    return None


def ensure_printable(plan: Plan, state: State) -> None:
    """Raises WaykeeperError (WKO001, WKO002, WKO003) where nothing may be printed."""
    found = refusal(plan, state)
    if found is not None:
        raise WaykeeperError(found)
