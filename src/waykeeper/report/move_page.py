"""The moves as one self-contained page: what cannot wait on top, then each patient; to read, to tick off, to print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from waykeeper.merge.difference import Change, Row
from waykeeper.merge.medicine_changes import MedicineChange
from waykeeper.report.move_text import (
    HEADINGS,
    checks,
    names,
    notes,
    row_sentence,
    said_here,
    turns,
    unchanged_medicines,
)
from waykeeper.report.move_words import call_back, key_of, medicine_sentence, need_word
from waykeeper.report.moved import Call, MovedPlan, Rebook, titled
from waykeeper.report.page import render
from waykeeper.report.plain import clean, day, moment, shortened, value_of


@dataclass(frozen=True, slots=True)
class Block:
    """Items of one kind of change. `open` is False where they are only looked up."""

    change: Change
    title: str
    rows: tuple[str, ...]
    open: bool


@dataclass(frozen=True, slots=True)
class Pill:
    """One medicine as printed: the word, the sentence, whether it cannot wait, whom to ask, the call back."""

    word: str
    name: str
    sentence: str
    urgent: bool
    who: str
    by: str
    call_back: str


@dataclass(frozen=True, slots=True)
class Spoken:
    """One call as printed on a card: its sentences without those that stand under the medicines."""

    call: Call
    say: tuple[str, ...]
    today: bool
    about: str


@dataclass(frozen=True, slots=True)
class Card:
    """One patient of the page. `number` is the place in the order of the page."""

    number: int
    name: str
    identifier: str
    plan: MovedPlan
    surgery: str
    surgery_was: str
    turned: tuple[str, ...]
    medicines: tuple[Pill, ...]
    key: tuple[tuple[str, str], ...]
    stands: str
    calls: tuple[Spoken, ...]
    rebook: tuple[Rebook, ...]
    late: tuple[str, ...]
    blocks: tuple[Block, ...]
    unchanged: str
    checks: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def today(self) -> tuple[Pill, ...]:
        """The medicines that cannot wait until tomorrow."""
        return tuple(m for m in self.medicines if m.urgent)

    @property
    def today_by_word(self) -> tuple[tuple[str, str], ...]:
        """The same, the names under each word."""
        words = dict.fromkeys(m.word for m in self.today)
        return tuple((w, ", ".join(m.name for m in self.today if m.word == w)) for w in words)

    @property
    def others_today(self) -> tuple[str, ...]:
        """Whom else to call today, but for the patient and for whom the medicines name."""
        return tuple(c.call.to for c in self.calls if c.today and c.call.role not in ("patient", "prescriber"))


def _by_time(cards: Sequence[Card]) -> list[tuple[Card, int, Spoken]]:
    """Every call of the page in the order of time: by day, then card by card in each card's own order."""
    every = [(card, n, call) for card in cards for n, call in enumerate(card.calls, 1)]
    return sorted(every, key=lambda one: (one[2].call.by, one[0].number, one[1]))


def move_html(
    moved: Sequence[MovedPlan],
    *,
    failed: Sequence[tuple[str, str]] = (),
    show_identifiers: bool = False,
    source: str = "",
) -> str:
    """One HTML file: nothing is fetched, a strict policy, no script. What is due today first, then the nearest surgery.

    failed   patients that were not moved, each with the reason
    """
    cards = [_card(n, one, show_identifiers) for n, one in enumerate(sorted(moved, key=lambda p: p.place), 1)]
    today = [c for c in cards if c.today or c.others_today]
    return render(
        "move.html.j2",
        style="move.css",
        cards=cards,
        failed=failed,
        today=today,
        only_told=[c for c in cards if c not in today and any(call.today for call in c.calls)],
        by_time=_by_time(cards),
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
    return Card(
        number=number,
        name=clean(one.patient) or "no name",
        identifier=value_of(one.identifier) if whole else shortened(one.identifier),
        plan=one,
        surgery=moment(one.surgery),
        surgery_was=moment(one.surgery_was),
        turned=tuple(turns(replace(one, turned=tuple(t for t in one.turned if t.name != "surgery")))),
        medicines=tuple(_pill(m, one) for m in one.open_medicines),
        key=tuple(key_of(one.open_medicines)),
        stands=unchanged_medicines(one),
        calls=tuple(_spoken(c, one) for c in one.calls),
        rebook=one.rebook,
        late=tuple(f"{titled(r)}: was due {r.after}, {r.who}" for r in one.late),
        blocks=tuple(_block(c, t, one.of(c)) for c, t in HEADINGS.items() if one.of(c)),
        unchanged=names(one.of("unchanged")),
        checks=tuple(checks(one)),
        notes=tuple(notes(one)),
    )


def _spoken(call: Call, one: MovedPlan) -> Spoken:
    if call.again:
        about = "what was decided about the medicines"
    elif call.role == "patient":
        about = "new date and time, last doses, new sheet" if one.open_medicines else "new date and time, new sheet"
    else:
        told = [m for m in one.open_medicines if any(s.startswith(medicine_sentence(m, one.surgery)) for s in call.say)]
        others = len(call.say) - len(told)
        rest = [f"{others} other {'thing' if others == 1 else 'things'}" if told else _short(call)] if others else []
        words = dict.fromkeys(need_word(m) for m in told)
        named = [f"{w} {', '.join(m.medicine for m in told if need_word(m) == w)}" for w in words]
        about = "; ".join([*named, *rest])
    return Spoken(call, tuple(said_here(call, one)), call.by <= one.as_of, about)


def _short(call: Call) -> str:
    """The titles of what is said, the first clause of each sentence."""
    heads = [sentence.split(": ")[0].split(", a day on")[0] for sentence in call.say]
    return "; ".join(heads[:3]) + (f"; {len(heads) - 3} more" if len(heads) > 3 else "")


def _pill(change: MedicineChange, one: MovedPlan) -> Pill:
    by = one.answer_by(change)
    who = change.who[:1].upper() + change.who[1:].replace("-", " ")
    said, again = medicine_sentence(change, one.surgery), call_back(change, by)
    return Pill(need_word(change), change.medicine, said, by <= one.as_of, who, day(by), again)


def _block(change: Change, title: str, rows: Sequence[Row]) -> Block:
    return Block(change, title.capitalize(), tuple(row_sentence(r) for r in rows), change in ("conflict", "again"))
