"""When may the next dose be taken, and how long does the supply last?"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction

from waykeeper.timing import Moment, add_elapsed, later_reading


def next_allowed(last_taken: Moment, hours: Fraction) -> Moment:
    """The earliest time of the next as-needed dose: elapsed hours after the last, each time read as the later one.

    Raises ValueError where only the day of the last dose is known.
    """
    if last_taken.whole_day or not last_taken.zone:
        raise ValueError("the time of the last dose is needed, a day is not enough")
    minutes = -(-(hours * 60).numerator // (hours * 60).denominator)  # upwards: never too soon
    return later_reading(add_elapsed(later_reading(last_taken), minutes))


def recorded(day: Moment, zone: str) -> Moment:
    """A recorded time without zone, read in the clinic's zone as the later of its readings."""
    return later_reading(replace(day, zone=day.zone or zone))


def supply_ends(filled: date, quantity: Fraction, per_day: Fraction) -> date:
    """The last day that the supply covers, the day of filling counted as the first.

    Raises ValueError where nothing is taken or there is less than a day's supply.
    """
    if per_day <= 0 or quantity < per_day:
        raise ValueError("quantity must cover a day and the daily use must be above 0")
    return filled + timedelta(int(quantity / per_day) - 1)


def days_of_supply_left(as_of: date, filled: date, quantity: Fraction, per_day: Fraction) -> int:
    """Whole days from as-of on that are still covered, as-of included; 0 once it is over."""
    return max(0, (supply_ends(filled, quantity, per_day) - as_of).days + 1)
