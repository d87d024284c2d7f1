"""The day's work that is kept: contact attempts, lost to follow-up, putting a row off."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from waykeeper.pathway.model import Settings
from waykeeper.plan.model import Contact


def attempts(contacts: Iterable[Contact], as_of: date) -> tuple[Contact, ...]:
    """The attempts since the patient was last reached, each once, oldest first; none from after the as-of day."""
    ordered = sorted({c for c in contacts if c.on <= as_of}, key=lambda c: (c.on, c.route, c.by, c.text))
    since = max((c.on for c in ordered if c.reached), default=None)
    return tuple(c for c in ordered if not c.reached and (since is None or c.on > since))


def lost(contacts: Iterable[Contact], settings: Settings, as_of: date) -> bool:
    """True if the patient counts as lost to follow-up: enough attempts, by enough routes, over enough days.

    The defaults (3 attempts, two routes, 14 days, none reached) are a clinic setting: common practice, no source.
    """
    tried = attempts(contacts, as_of)
    if len(tried) < settings.contact_attempts or len({c.route for c in tried}) < settings.contact_routes:
        return False
    return (as_of - tried[0].on).days >= settings.contact_days


def snooze(until: date | None, mend_by: date | None) -> date | None:
    """The day on which a row put off comes back: never later than the last day on which it can be mended."""
    if until is None or mend_by is None:
        return until
    return min(until, mend_by)
