"""The day from which a visit that is neither attended nor booked is late."""

from __future__ import annotations

from datetime import date, timedelta

RESCUE_DAYS = 3  # days of the window that stay to mend it, whatever the clinic's grace


def lateness(target: date | None, close: date, grace: int) -> date:
    """`late_from` = target + grace' + 1, grace' = the smaller of `grace` and close - target - 3, not below 0.

    Without a target the window's close stands for it. `grace` is in days.
    """
    due = close if target is None else target
    allowed = max(0, min(grace, (close - due).days - RESCUE_DAYS))
    return due + timedelta(days=allowed + 1)
