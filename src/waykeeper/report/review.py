"""The review sheet of a pathway: every item, its days for an example patient, source, confidence; to be signed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from waykeeper.pathway.comparing import FIELDS
from waykeeper.pathway.confidence import confidence_of
from waykeeper.pathway.model import Clinic, Pathway, PathwayItem
from waykeeper.plan.model import Item, Plan
from waykeeper.report.comparison import described
from waykeeper.report.page import render
from waykeeper.report.plain import day, moment, span, wrap
from waykeeper.timing.model import Standing

SIGNED_BY = ("surgeon", "anaesthetist", "pharmacist", "orthopaedic nurse", "translator of the Spanish")
_HARM = {1: "little", 2: "some", 3: "grave"}
_LATER = (
    "source",
    "confidence",
    "kind",
    "title",
    "who",
    "why",
    "harm",
    "phase",
    "at",
    "by",
    "from",
    "window",
    "valid_for",
    "at_least",
)


@dataclass(frozen=True, slots=True)
class ReviewRow:
    """One item: what is signed. `days` are (phrase, day for the example patient); `facts` are (label, text)."""

    number: int
    kind: str
    name: str
    title: str
    who: str
    harm: str
    why: str
    days: tuple[tuple[str, str], ...]
    facts: tuple[tuple[str, str], ...]
    words: tuple[tuple[str, str], ...]
    source: str
    confidence: str
    places: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReviewSection:
    """What one signature covers: the medicines, a phase, the restrictions."""

    title: str
    days: str
    rows: tuple[ReviewRow, ...]


@dataclass(frozen=True, slots=True)
class Review:
    """A pathway ready to be read and signed, with the days of one example patient."""

    title: str
    clinic: str
    example: tuple[str, ...]
    parts: tuple[str, ...]
    sections: tuple[ReviewSection, ...]
    questions: tuple[tuple[str, str, tuple[str, ...]], ...] = ()  # fact, question, the items that depend on it
    findings: tuple[str, ...] = field(default=())  # what `check` noted

    @property
    def rows(self) -> tuple[ReviewRow, ...]:
        """Every row once."""
        return tuple(row for section in self.sections for row in section.rows)


def review(pathway: Pathway, plan: Plan, clinic: Clinic, notes: Sequence[str] = ()) -> Review:
    """The sheet of a pathway, dated by the plan of an example patient of whom nothing is known.

    Each item of the pathway is in exactly one section: first what stands outside phases, then phase by phase.
    """
    numbers = iter(range(1, len(pathway.items) + 1))
    outside = [item for item in pathway.items if not item.phase]
    sections = [
        _section("Medicines", "", [i for i in outside if i.kind == "hold"], plan, numbers),
        *(
            _section(phase.title, phase.days, [i for i in pathway.items if i.phase == phase.name], plan, numbers)
            for phase in pathway.phases
        ),
        _section("Restrictions", "", [i for i in outside if i.kind != "hold"], plan, numbers),
    ]
    return Review(
        described(pathway), clinic.name, tuple(_example(plan)),
        tuple(f"{part.name} {part.version} ({part.file})" for part in pathway.parts),
        tuple(section for section in sections if section.rows), tuple(_questions(pathway)), tuple(notes),
    )  # fmt: skip


def review_json(made: Review) -> dict[str, Any]:
    """The sheet as plain data (schema_version 1)."""
    return {
        "schema_version": "1", "title": made.title, "clinic": made.clinic, "example": list(made.example),
        "parts": list(made.parts),
        "sections": [
            {"title": s.title, "days": s.days, "items": [_record(row) for row in s.rows]} for s in made.sections
        ],
        "questions": [{"fact": f, "ask": ask, "items": list(items)} for f, ask, items in made.questions],
        "findings": list(made.findings),
    }  # fmt: skip


def review_text(made: Review, width: int = 80) -> str:
    """The sheet for a terminal; what is signed is the page that `review_html` makes."""
    lines = [*wrap(f"Review of {made.title}", width), *(x for e in made.example for x in wrap(e, width, "  "))]
    for section in made.sections:
        lines += ["", f"{section.title.upper()}: {len(section.rows)}"]
        for row in section.rows:
            lines += wrap(f"{row.number}. {row.title} ({row.kind}/{row.name}, {row.who}, harm {row.harm})", width, "  ")
            for label, text in _told(row):
                lines += wrap(f"{label}: {text}", width, "      ", "        ")
    lines += ["", f"QUESTIONS ASKED WHERE THE RECORD DOES NOT SAY: {len(made.questions)}"]
    for _, ask, items in made.questions:
        lines += wrap(f"{ask} ({', '.join(items)})", width, "  ", "      ")
    return "\n".join(lines) + "\n"


def review_html(made: Review) -> str:
    """One self-contained page for A4 in black and white, with a line to sign under each section."""
    return render("review.html.j2", style="review.css", made=made, signed_by=SIGNED_BY)


def _section(title: str, days: str, items: Sequence[PathwayItem], plan: Plan, numbers: Iterator[int]) -> ReviewSection:
    return ReviewSection(title, days, tuple(_row(next(numbers), item, plan) for item in items))


def _row(number: int, item: PathwayItem, plan: Plan) -> ReviewRow:
    dated = [one for one in plan.items if (one.key.kind, one.key.item) == (item.kind, item.name)]
    facts = ((name.replace("_", " "), words(item)) for name, words in FIELDS.items() if name not in _LATER)
    places = (item.origin, *item.changed_at)
    return ReviewRow(
        number, item.kind, item.name, item.title, item.who, _HARM[item.harm], item.why,
        tuple(_days(item, dated)), tuple((name, text) for name, text in facts if text),
        tuple(sorted(item.words.items())), FIELDS["source"](item), confidence_of(item),
        tuple(str(place) for place in places),
    )  # fmt: skip


def _days(item: PathwayItem, dated: Sequence[Item]) -> Iterator[tuple[str, str]]:
    """Each phrase with its day, and the window under it."""
    if item.kind == "hold":
        yield "each medicine", "by its own rule; the medicines page shows the days of a patient's list"
    for one in dated:
        name = f"{one.key.occurrence}: " if one.key.occurrence else ""
        yield f"{name}{one.phrase}", _day(one)
        yield from _limits(item, one)


def _limits(item: PathwayItem, one: Item) -> Iterator[tuple[str, str]]:
    """The window of a visit, the first day of a task, and the days before which something would not count."""
    dates = one.dates
    waits = f"no day until {dates.awaited or 'its event'} is recorded"
    if item.window:
        yield f"window {item.window}", span(one.dates.window) or waits
    elif item.starts and item.kind == "task":
        yield f"from {item.starts}", moment(dates.window.start) if dates.window else waits
    if item.valid_for:
        yield f"valid for {item.valid_for}", f"not before {day(dates.valid_from)}" if dates.valid_from else waits
    if item.at_least:
        yield f"at least {item.at_least}", f"not before {day(dates.earliest)}" if dates.earliest else waits


def _day(item: Item) -> str:
    dates = item.dates
    if dates.at is None:
        return span(dates.window) if dates.window else f"no day until {dates.awaited or 'its event'} is recorded"
    rolled = dates.target is not None and dates.target.day != dates.at.day
    return moment(dates.at) + (f", moved off the closed {day(dates.target.day)}" if rolled and dates.target else "")


def _example(plan: Plan) -> Iterator[str]:
    yield "Example patient: invented, nothing is known of them, so every item that a fact could hide is shown."
    for anchor in plan.anchors:
        when = moment(anchor.moment) or "no day until it is recorded"
        yield f"{anchor.name}: {when} ({'assumed' if anchor.standing is Standing.ASSUMED else anchor.standing.value})"


def _questions(pathway: Pathway) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    for rule in pathway.facts:
        depends = tuple(i.title for i in pathway.items if rule.name in (*i.only_if, *i.unless))
        yield rule.name, rule.ask, depends


def _told(row: ReviewRow) -> Iterator[tuple[str, str]]:
    yield from row.days
    yield "why", row.why
    yield from row.facts
    yield from ((f"words ({language})", text) for language, text in row.words)
    yield "source", row.source
    yield "confidence", row.confidence
    yield "said at", ", changed at ".join(row.places)


def _record(row: ReviewRow) -> dict[str, Any]:
    return {
        "number": row.number, "kind": row.kind, "name": row.name, "title": row.title, "who": row.who,
        "harm": row.harm, "why": row.why, "days": [{"phrase": p, "day": d} for p, d in row.days],
        "facts": dict(row.facts), "words": dict(row.words), "source": row.source,
        "confidence": row.confidence, "said_at": list(row.places),
    }  # fmt: skip
