"""The day's work that is kept: contact attempts, lost to follow-up, putting a row off, closing it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date

from waykeeper.gaps.model import Match, Matches, Verdict
from waykeeper.gaps.setting import Setting
from waykeeper.gaps.visits import days
from waykeeper.gaps.words import after
from waykeeper.pathway.model import Settings
from waykeeper.plan.model import Contact, Item, ItemState

_CLOSED_AT_ANY_TIME = frozenset({"task", "question", "visit", "goal"})
_RECORD_SPEAKS = frozenset({"needs-review", "failed", "renew"})
_STILL_BOOKED = frozenset({"booked-early", "booked-late"})
_GROWN_WORSE = frozenset({"missed", "overdue", "unconfirmed"})


def attempts(contacts: Iterable[Contact], as_of: date) -> tuple[Contact, ...]:
    """The attempts since the patient was last reached, each once, oldest first; none from after the as-of day."""
    ordered = sorted({c for c in contacts if c.on <= as_of}, key=lambda c: (c.on, c.route, c.by, c.text))
    since = max((c.on for c in ordered if c.reached), default=None)
    return tuple(c for c in ordered if not c.reached and (since is None or c.on > since))


def last_seen(found: Matches) -> date | None:
    """The last day on which the patient came to a planned visit: who came since is not lost. A guess is no visit."""
    came = (m.fact.day for m in found.rows if m.item is not None and m.fact.says == "attended")
    return max((day for day in came if day is not None), default=None)


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


def may_close(item: Item, surgery: date | None, day: date) -> bool:
    """True if a reason is enough to take an item off the list.

    What waits for somebody's decision is decided, not closed: medicines, restrictions, and the gates that surgery
    waits for, until its day is over (common practice, no source).
    """
    if item.key.kind == "gate":
        return surgery is None or day > surgery
    return item.key.kind in _CLOSED_AT_ANY_TIME


def closing(item: Item, said: Verdict, on: Setting, matched: Sequence[Match] = ()) -> str:
    """What becomes of a row that a person closed: "closed"; why it stays: "closed_decision", "closed_moved",
    "closed_since"; "".

    One that was closed up to the day on which the surgery date was changed was closed for another date. One that is
    closed on a day after the as-of day was not closed yet. `matched`: what belongs to a visit. A completed plan closes
    all that is open in it.
    """
    own = on.of(item)
    if not own.closed_because or not said.gap or (own.closed_on is not None and own.closed_on > on.as_of):
        return ""
    if not may_close(item, on.surgery, on.as_of):
        return "closed_decision"
    if on.completed is None and on.moved_on is not None and (own.closed_on is None or own.closed_on <= on.moved_on):
        return "closed_moved"
    if on.completed is not None:
        days = [day for day in (own.closed_on, on.completed.on) if day is not None]
        own = replace(own, closed_on=max(days, default=None))
    return "closed_since" if _speaks_since(item, own, said, on, matched) else "closed"


def _speaks_since(item: Item, own: ItemState, said: Verdict, on: Setting, matched: Sequence[Match]) -> bool:
    """True if the record says something that whoever closed the row could not know, on the day of the closing.

    A booking that was cancelled is none: as a rule it was cancelled because the row was closed. Nor is one ahead, which
    may be what the reason is about ("the surgeon agrees to the late day"), until the window has closed. Of a completed
    plan it speaks: nothing was ahead when it was completed.
    """
    if on.completed is not None and said.word in _STILL_BOOKED:
        return True
    if said.word in _RECORD_SPEAKS:
        first = said.since or said.day
        return first is None or own.closed_on is None or first > own.closed_on
    if item.key.kind != "visit" or own.closed_on is None:
        return False
    if any(_did_not_come(m, own.closed_on, on.as_of) for m in matched):
        return True
    first = said.since if said.word in _GROWN_WORSE else None
    if said.word == "booked-late":
        first = after(days(item, on.plan.settings.grace_days).closes)
    return first is not None and own.closed_on < first <= on.as_of


def _did_not_come(match: Match, closed_on: date, as_of: date) -> bool:
    """True for a booking after the closing that the patient did not come to."""
    fact = match.fact
    no_show = match.certainty != "guessed" and fact.says == "fell" and fact.head.status == "noshow"
    return no_show and fact.day is not None and closed_on < fact.day <= as_of
