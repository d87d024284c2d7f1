"""When? Moments, phrases, working days and time zones: pure arithmetic, no clock. See README.md."""

from waykeeper.timing.arithmetic import add_days, add_elapsed, add_months, from_instant
from waykeeper.timing.containment import Containment, contains, longest_closure
from waykeeper.timing.errors import PhraseError, TimingError
from waykeeper.timing.grammar import grammar_table, parse, spelling
from waykeeper.timing.lateness import lateness
from waykeeper.timing.model import Anchor, Awaited, Dates, Moment, Standing, Window, WorkingCalendar
from waykeeper.timing.phrases import Event, Phrase, Unit, events, is_point, is_span, precision, units
from waykeeper.timing.resolve import on_its_side, resolve
from waykeeper.timing.series import Occurrences
from waykeeper.timing.wall import Reading, earlier_reading, is_zone, later_reading, read_wall
from waykeeper.timing.working import (
    calendar_for,
    holiday_version,
    missed_in_each_part,
    roll,
    working_days_after,
    working_days_before,
)

__all__ = [
    "Anchor",
    "Awaited",
    "Containment",
    "Dates",
    "Event",
    "Moment",
    "Occurrences",
    "Phrase",
    "PhraseError",
    "Reading",
    "Standing",
    "TimingError",
    "Unit",
    "Window",
    "WorkingCalendar",
    "add_days",
    "add_elapsed",
    "add_months",
    "calendar_for",
    "contains",
    "earlier_reading",
    "events",
    "from_instant",
    "grammar_table",
    "holiday_version",
    "is_point",
    "is_span",
    "is_zone",
    "lateness",
    "later_reading",
    "longest_closure",
    "missed_in_each_part",
    "on_its_side",
    "parse",
    "precision",
    "read_wall",
    "resolve",
    "roll",
    "spelling",
    "units",
    "working_days_after",
    "working_days_before",
]
