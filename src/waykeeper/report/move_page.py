"""The moves as one self-contained page: what cannot wait on top, then each patient; to read, to tick off, to print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from waykeeper.merge.difference import Change, Row
from waykeeper.merge.medicine_changes import URGENT, MedicineChange
from waykeeper.report.move_text import HEADINGS, row_sentence
from waykeeper.report.moves import Call, MovedPlan, Rebook, medicine_sentence, titled
from waykeeper.report.page import render
from waykeeper.report.plain import clean, day, moment, shortened


@dataclass(frozen=True, slots=True)
class Block:
    """Items of one kind of change. `open` is False where they are only looked up."""

    change: Change
    title: str
    rows: tuple[str, ...]
    open: bool


@dataclass(frozen=True, slots=True)
class Pill:
    """One medicine as printed: the word, the sentence, whether it cannot wait."""

    word: str
    sentence: str
    urgent: bool


@dataclass(frozen=True, slots=True)
class Card:
    """One patient of the page. `number` is the place in the order of the page."""

    number: int
    name: str
    identifier: str
    plan: MovedPlan
    surgery: str
    surgery_was: str
    medicines: tuple[Pill, ...]
    stands: int
    calls: tuple[Call, ...]
    rebook: tuple[Rebook, ...]
    late: tuple[str, ...]
    blocks: tuple[Block, ...]
    unchanged: int


@dataclass(frozen=True, slots=True)
class Telephone:
    """One person to call about several patients: each with the day, the urgent ones first."""

    to: str
    telephone: str
    about: tuple[tuple[Card, Call], ...]


def _telephones(cards: Sequence[Card]) -> list[Telephone]:
    """Everybody who is called about more than their own plan, whom to call first at the top."""
    said: dict[tuple[str, str], list[tuple[Card, Call]]] = {}
    for card in cards:
        for call in card.calls:
            if call.role != "patient":
                said.setdefault((call.to, call.telephone), []).append((card, call))
    made = [Telephone(*who, tuple(sorted(about, key=_first))) for who, about in said.items()]
    return sorted(made, key=lambda one: (_first(one.about[0]), one.to))


def _first(about: tuple[Card, Call]) -> tuple[bool, date, int]:
    return not about[1].urgent, about[1].by, about[0].number


def move_html(
    moved: Sequence[MovedPlan],
    *,
    failed: Sequence[tuple[str, str]] = (),
    show_identifiers: bool = False,
    source: str = "",
) -> str:
    """One HTML file: nothing is fetched, a strict policy, no script. Urgent patients come first.

    failed   patients that were not moved, each with the reason
    """
    order = sorted(moved, key=lambda p: (not p.urgent, clean(p.patient).lower(), p.identifier))
    cards = [_card(n, one, show_identifiers) for n, one in enumerate(order, 1)]
    return render(
        "move.html.j2",
        style="move.css",
        cards=cards,
        failed=failed,
        urgent=[c for c in cards if c.plan.urgent],
        telephones=_telephones(cards),
        statuses=_statuses(moved),
        as_of=day(moved[0].as_of) if moved else "",
        reason=next((one.reason for one in moved if one.reason), ""),
        source=source,
        day=day,
        moment=moment,
    )


def _statuses(moved: Sequence[MovedPlan]) -> list[tuple[str, int]]:
    counted: dict[str, int] = {}
    for one in moved:
        counted[one.status] = counted.get(one.status, 0) + 1
    return list(counted.items())


def _card(number: int, one: MovedPlan, whole: bool) -> Card:
    told = [m for m in one.medicines if m.need != "stands"]
    return Card(
        number=number,
        name=clean(one.patient) or "no name",
        identifier=one.identifier.rsplit("|", 1)[-1] if whole else shortened(one.identifier),
        plan=one,
        surgery=moment(one.surgery),
        surgery_was=moment(one.surgery_was),
        medicines=tuple(_pill(m, one) for m in told),
        stands=len(one.medicines) - len(told),
        calls=one.calls,
        rebook=one.rebook,
        late=tuple(f"{titled(r)}: due {r.after}, {r.who}" for r in one.late),
        blocks=tuple(_block(c, t, one.of(c)) for c, t in HEADINGS.items() if one.of(c)),
        unchanged=len(one.of("unchanged")),
    )


def _pill(change: MedicineChange, one: MovedPlan) -> Pill:
    return Pill(change.need, medicine_sentence(change, one.surgery), change.need in URGENT)


def _block(change: Change, title: str, rows: Sequence[Row]) -> Block:
    return Block(change, title.capitalize(), tuple(row_sentence(r) for r in rows), change in ("conflict", "again"))
