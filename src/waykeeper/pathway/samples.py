"""When the items of a pathway would fall for a few chosen days of surgery: what order they come in, before any patient.

The days are chosen so that months clip, a leap day and a year's end are crossed. Every day counts as open, since
whether items come in order must not hang on a holiday.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time

from waykeeper.pathway.build import Draft
from waykeeper.pathway.order import settled
from waykeeper.pathway.phrasing import Phrased, Phrases
from waykeeper.timing import Moment, Phrase, TimingError, Window, WorkingCalendar, events, resolve

DAYS = (date(2026, 3, 18), date(2027, 1, 31), date(2027, 8, 31), date(2028, 2, 29), date(2027, 12, 30))
CALENDAR = WorkingCalendar(
    "UTC", frozenset(range(7)), parts={"morning": time(8), "afternoon": time(13), "evening": time(19)}
)
_START = time(7, 30)


@dataclass(frozen=True, slots=True)
class Sample:
    """The moments of all events for one day of the first required anchor; None for what that does not settle."""

    day: date
    known: Mapping[str, Moment | None]

    def moment(self, phrase: Phrase) -> Moment | None:
        """A point's moment; None where it is awaited or cannot be given."""
        answer = self._answer(phrase)
        return answer if isinstance(answer, Moment) else None

    def window(self, phrase: Phrase, target: Moment | None = None) -> Window | None:
        """A span's window; `target` is the moment that the word target means."""
        answer = self._answer(phrase, target)
        return answer if isinstance(answer, Window) else None

    def _answer(self, phrase: Phrase, target: Moment | None = None) -> object:
        known = {**self.known, "target": target} if target is not None else self.known
        try:
            return resolve(phrase, known, CALENDAR)
        except (TimingError, OverflowError, ValueError):
            return None

    def days(self, phrased: tuple[Phrased, ...]) -> tuple[date, ...]:
        """The days of several points, those without a date left out; sorted."""
        moments = (self.moment(p.phrase) for p in phrased)
        return tuple(sorted(m.day for m in moments if m is not None))


def samples(draft: Draft, phrases: Phrases) -> tuple[Sample, ...]:
    """One sample for each of the chosen days."""
    order = _order(_dated_events(draft, phrases))
    first = next((anchor.name for anchor, _ in draft.anchors if anchor.required), None)
    return tuple(_sample(day, first, order) for day in DAYS)


def _sample(day: date, first: str | None, order: Sequence[tuple[str, Phrased]]) -> Sample:
    """Only the first required anchor has the day: how far a second one lies from it, nobody knows beforehand."""
    known: dict[str, Moment | None] = {}
    if first is not None:
        known[first] = Moment(day, _START, CALENDAR.zone)
    sample = Sample(day, known)
    for event, phrased in order:
        known[event] = sample.moment(phrased.phrase)
    return sample


def _dated_events(draft: Draft, phrases: Phrases) -> Mapping[str, Phrased]:
    """The events that have a moment by a phrase: assumed anchors, and visits with one point."""
    found = {a.name: phrases.of("anchor", a.name, "assume") for a, _ in draft.anchors}
    found |= {
        f"visit {d.item.name}": phrases.of("visit", d.item.name, "at") for d in draft.items if d.item.kind == "visit"
    }
    return {event: phrased[0] for event, phrased in found.items() if len(phrased) == 1}


def _order(dated: Mapping[str, Phrased]) -> Sequence[tuple[str, Phrased]]:
    """Each event after those that it counts from. Events that wait for a circle have no moment."""
    graph = {event: frozenset(map(str, events(p.phrase))) & dated.keys() for event, p in dated.items()}
    return [(event, dated[event]) for event in settled(graph)]
