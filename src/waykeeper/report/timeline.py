"""Where things stand on one patient's timeline: pure layout, no drawing. Positions are percents of the width."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from waykeeper.gaps.model import Row
from waykeeper.report.plain import day

TOP = 26  # pixels above the first lane: the months
LANE = 40  # pixels of a lane: a line of text and its bar
FOOT = 36  # pixels below the last lane: surgery, then today
_MARGIN = 2.0  # percents left free on each side
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_LABEL_WIDTH = 19.0  # percents that a month with its year takes on a narrow screen


@dataclass(frozen=True, slots=True)
class Tick:
    """A line across all lanes with a short label; `anchor` keeps the label inside the picture."""

    x: float
    label: str
    anchor: str = "start"


@dataclass(frozen=True, slots=True)
class Lane:
    """One visit. `text` says in words all that is drawn; None where there is nothing to draw."""

    title: str
    word: str
    severity: int
    y: int
    text: str
    label: Tick
    window: tuple[float, float] | None = None  # left edge and width
    target: float | None = None
    booked: float | None = None
    attended: float | None = None
    left: str = ""  # a gap on which nobody acts: "closed" or "put off"


@dataclass(frozen=True, slots=True)
class Timeline:
    """A whole picture; `height` in pixels."""

    height: int
    lanes: tuple[Lane, ...]
    months: tuple[Tick, ...]
    today: Tick
    surgery: Tick | None
    text: str

    @property
    def bottom(self) -> int:
        """Where the lanes end and the labels of surgery and today begin."""
        return self.height - FOOT


def layout(rows: Sequence[Row], as_of: date) -> Timeline | None:
    """The timeline of one patient's visits, in the order of their targets. None where no visit has a day."""
    shown = sorted((r for r in rows if r.kind == "visit" and _days(r)), key=lambda r: (min(_days(r)), r.item))
    if not shown:
        return None
    surgery = next((r.surgery for r in shown if r.surgery), None)
    scale = _Scale.over([d for r in shown for d in _days(r)] + [as_of] + ([surgery] if surgery else []))
    lanes = tuple(_lane(row, i, scale) for i, row in enumerate(shown))
    marked = Tick(scale.at(surgery), "surgery", _anchor(scale.at(surgery))) if surgery else None
    today = Tick(scale.at(as_of), "today", _anchor(scale.at(as_of)))
    text = " ".join(lane.text for lane in lanes)
    return Timeline(TOP + LANE * len(lanes) + FOOT, lanes, tuple(_months(scale)), today, marked, text)


@dataclass(frozen=True, slots=True)
class _Scale:
    """Days to percents; both ends of the days shown lie inside the margins."""

    first: date
    last: date

    @classmethod
    def over(cls, days: Sequence[date]) -> _Scale:
        first, last = min(days), max(days)
        return cls(first, max(last, first + timedelta(days=14)))

    def at(self, when: date) -> float:
        part = (when - self.first).days / (self.last - self.first).days
        return round(_MARGIN + part * (100 - 2 * _MARGIN), 2)

    def of(self, when: date | None) -> float | None:
        return self.at(when) if when else None


def _days(row: Row) -> list[date]:
    found = (row.window_start, row.target, row.window_end, _booked(row), row.attended)
    return [d for d in found if d is not None]


def _booked(row: Row) -> date | None:
    """The live booking, or the one of which nobody knows what became."""
    return row.booked or (row.evidence_day if row.verdict == "unconfirmed" else None)


def _lane(row: Row, index: int, scale: _Scale) -> Lane:
    window: tuple[float, float] | None = None
    if row.window_start and row.window_end:
        left, right = scale.at(row.window_start), scale.at(row.window_end + timedelta(days=1))
        window = (left, round(max(right - left, 0.8), 2))
    middle = scale.at(_days(row)[0])
    left, right = (window[0], round(window[0] + window[1], 2)) if window else (middle, middle)
    label = _label(row.title, left, right)
    return Lane(
        row.title, row.verdict, row.severity if row.to_do else 0, TOP + LANE * index, _said(row), label, window,
        target=scale.of(row.target), booked=scale.of(_booked(row)), attended=scale.of(row.attended), left=_left(row),
    )  # fmt: skip


def _left(row: Row) -> str:
    if not row.gap or row.to_do:
        return ""
    return "closed" if row.closed else "put off"


def _label(title: str, left: float, right: float) -> Tick:
    """The title above its bar, on the side where a narrow screen has most room for it."""
    if left < 40:
        return Tick(left, title)
    return Tick(right, title, "end") if right > 60 else Tick(round((left + right) / 2, 2), title, "middle")


def _said(row: Row) -> str:
    """What a lane shows, in a sentence for those who cannot see it."""
    window = f"window {day(row.window_start)} to {day(row.window_end)}" if row.window_start and row.window_end else ""
    parts = [window, *(f"{word} {day(d)}" for word, d in (
        ("target", row.target), ("booked", _booked(row)), ("attended", row.attended)) if d)]  # fmt: skip
    left = f" ({_left(row)})" if _left(row) else ""
    return f"{row.title}: {row.verdict}{left}; {', '.join(p for p in parts if p)}."


def _months(scale: _Scale) -> list[Tick]:
    """First days of months, thinned out so that a narrow screen can print the labels side by side."""
    firsts: list[date] = []
    year, month = scale.first.year, scale.first.month
    while (start := date(year, month, 1)) <= scale.last:
        if start >= scale.first:
            firsts.append(start)
        year, month = (year + 1, 1) if month == 12 else (year, month + 1)
    ticks: list[Tick] = []
    for start in firsts:
        x = scale.at(start)
        if not ticks or x - ticks[-1].x >= _LABEL_WIDTH:
            year_too = not ticks or (start.year != firsts[0].year and start.month == 1)
            name = _MONTHS[start.month - 1]
            ticks.append(Tick(x, f"{name} {start.year}" if year_too else name, _anchor(x)))
    return ticks


def _anchor(x: float) -> str:
    return "start" if x < 12 else "end" if x > 82 else "middle"
