"""A phrase of a plan that stands, resolved again by what has become known since it was compiled."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from waykeeper.plan.model import Plan
from waykeeper.timing import PhraseError, TimingError, parse, resolve
from waykeeper.timing.model import Moment, Window, WorkingCalendar


def resolved_again(
    plan: Plan, phrase: str, since: Mapping[str, Moment], weekdays: Collection[int]
) -> Moment | Window | None:
    """What the phrase says now, by the plan's own closed days; None where it cannot be told.

    since      the moments of events that the plan awaited, as `known` of `resolve` names them
    weekdays   on which the clinic is open
    """
    anchors = {a.name: a.moment for a in plan.anchors}
    calendar = WorkingCalendar(plan.zone, frozenset(weekdays), dict.fromkeys(plan.closed, ""))
    try:
        found = resolve(parse(phrase), {**anchors, **since}, calendar)
    except (PhraseError, TimingError):
        return None
    return found if isinstance(found, Moment | Window) else None
