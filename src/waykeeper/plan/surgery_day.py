"""What is odd about the day or hour of surgery that was given: every date of a plan hangs on it."""

from __future__ import annotations

from datetime import date, time

from waykeeper.findings import Finding, finding
from waykeeper.record import Record, newest_entry
from waykeeper.timing.model import Moment, WorkingCalendar

LONG_AFTER = 183  # days between surgery and the newest entry of the record from which the year is asked about
DAY_OF_WORK = time(5), time(22)  # hours between which a planned operation begins; common practice, no source


def surgery_notes(surgery: Moment, calendar: WorkingCalendar, record: Record) -> list[Finding]:
    """WKL105 no time of day, WKL109 in the night, WKL106 a closed day, WKL108 long before the record's newest entry."""
    notes = []
    if surgery.whole_day:
        notes.append(finding("WKL105", f"surgery on {surgery.day} has no time of day"))
    if surgery.clock and not DAY_OF_WORK[0] <= surgery.clock < DAY_OF_WORK[1]:
        notes.append(finding("WKL109", f"surgery on {_shown(surgery)} begins in the night"))
    if not calendar.is_open(surgery.day):
        notes.append(finding("WKL106", f"surgery on {_shown(surgery)} is a day on which the clinic is closed"))
    newest = newest_entry(record)
    if newest and (newest[0] - surgery.day).days >= LONG_AFTER:
        entry = f"the record has an entry of {_named(newest[0])} ({newest[1]})"
        notes.append(finding("WKL108", f"surgery on {_shown(surgery)}, and {entry}"))
    return notes


def _shown(moment: Moment) -> str:
    return f"{_named(moment.day)} {moment.clock:%H:%M}" if moment.clock else _named(moment.day)


def _named(day: date) -> str:
    return f"{day:%a} {day.isoformat()}"
