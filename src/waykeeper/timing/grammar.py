"""Text -> phrase, by the one grammar of grammar.yaml; and the right spelling of a phrase spelt otherwise."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import time
from functools import cache, lru_cache
from importlib.resources import files
from typing import Any, Literal, cast

from waykeeper.findings import did_you_mean
from waykeeper.timing.canonical import around, between, day_of, point, span, within
from waykeeper.timing.errors import PhraseError
from waykeeper.timing.phrases import (
    At,
    Clock,
    DayOf,
    Event,
    EventKind,
    Offset,
    Phrase,
    Pick,
    Point,
    Series,
    Side,
    Span,
    Unit,
    Until,
)

LONGEST = 300  # characters of a phrase; the longest of the library has about 90
LARGEST = 9999  # the largest number; keeps every sum inside the calendar's range or reported
DEEPEST = 4  # `later of` inside `later of`

_COUNTED = "Write a whole number, a unit, before or after, and an event, as in '10 days before surgery'."
_NAME = re.compile(r"[a-z][a-z0-9]*(?:[-_][a-z0-9]+)*")
_RANGE = re.compile(r"([0-9]+)[-\u2013]([0-9]+)")  # 10-18, with hyphen or en dash
_CLOCK = re.compile(r"[0-9]{1,2}:[0-9]{2}")
# 4 pm, 4:30pm, 8 a.m.; 12 am and 12 pm are read both ways, so they are refused
_TWELVE_HOURS = re.compile(r"(0?[1-9]|1[01])(?::([0-5][0-9]))?([ap])\.?m\.?")
_PARTS = ("morning", "afternoon", "evening")
_UNITS: dict[str, Unit] = {
    word: unit for unit in Unit if unit is not Unit.WORKING_DAY for word in (unit.value, f"{unit.value}s")
}
_RESERVED = frozenset(_UNITS) | frozenset(_PARTS)
_RESERVED |= {"from", "to", "until", "within", "either", "side", "of", "every", "and", "before", "after"}
_RESERVED |= {"later", "earlier", "in", "as", "needed", "while", "awake", "visit", "release", "completion"}
_RESERVED |= {"working", "the", "at", "on"}


@dataclass(frozen=True, slots=True)
class _Token:
    text: str
    offset: int


@cache
def grammar_table() -> Mapping[str, Any]:
    """The table of the grammar as data: productions, their examples, remedies, number words."""
    import yaml

    text = (files("waykeeper.timing") / "grammar.yaml").read_text("utf-8")
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    return cast("Mapping[str, Any]", yaml.load(text, Loader=loader))


@cache
def _remedies() -> tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]:
    """Common misspellings, longest first: words as written -> words of the grammar."""
    pairs = [(tuple(k.split()), tuple(v.split())) for k, v in grammar_table()["remedies"].items()]
    return tuple(sorted(pairs, key=lambda pair: -len(pair[0])))


def _split(text: str) -> list[_Token]:
    tokens: list[_Token] = []
    for found in re.finditer(r"\S+", text):
        word = found.group().lower()
        numbers = _RANGE.fullmatch(word)
        words = [numbers[1], "to", numbers[2]] if numbers else [word]
        tokens += [_Token(w, found.start()) for w in words]
    return tokens


def _mend(tokens: list[_Token]) -> list[_Token]:
    """Replace common misspellings, so that the right phrase can be offered."""
    tokens, mended = _twenty_four_hours(tokens), []
    at = 0
    while at < len(tokens):
        for wrong, right in _remedies():
            if tuple(t.text for t in tokens[at : at + len(wrong)]) == wrong:
                mended += [_Token(word, tokens[at].offset) for word in right]
                at += len(wrong)
                break
        else:
            mended.append(tokens[at])
            at += 1
    return mended


def _twenty_four_hours(tokens: list[_Token]) -> list[_Token]:
    """`4 pm` and `4:30pm` as clocks of 24 hours."""
    found: list[_Token] = []
    at = 0
    while at < len(tokens):
        after = tokens[at + 1].text if at + 1 < len(tokens) else ""
        for words, text in ((1, tokens[at].text), (2, f"{tokens[at].text}{after}")):
            clock = _TWELVE_HOURS.fullmatch(text)
            if clock:
                hour = int(clock[1]) + (12 if clock[3] == "p" else 0)
                found.append(_Token(f"{hour:02d}:{clock[2] or '00'}", tokens[at].offset))
                at += words
                break
        else:
            found.append(tokens[at])
            at += 1
    return found


class _Reader:
    """Recursive descent over the words; one method for each production."""

    def __init__(self, text: str) -> None:
        self.tokens = _mend(_split(text))
        self.end = len(text.rstrip())
        self.at = 0
        self.depth = 0

    # words

    def peek(self, ahead: int = 0) -> str:
        place = self.at + ahead
        return self.tokens[place].text if place < len(self.tokens) else ""

    def offset(self) -> int:
        return self.tokens[self.at].offset if self.at < len(self.tokens) else self.end

    def take(self) -> str:
        word = self.peek()
        self.at += 1
        return word

    def accept(self, *words: str) -> bool:
        if tuple(self.peek(i) for i in range(len(words))) != words:
            return False
        self.at += len(words)
        return True

    def expect(self, *words: str) -> None:
        for word in words:
            if not self.accept(word):
                raise self.wrong(f"{word!r}", [word])

    def wrong(self, wanted: str, allowed: list[str]) -> PhraseError:
        if not self.peek():
            return PhraseError("WKT102", self.offset(), f"the phrase ends where {wanted} is expected")
        found = self.peek()
        remedy = did_you_mean(found, allowed) if allowed else ""
        return PhraseError("WKT101", self.offset(), f"{found!r} found where {wanted} is expected", remedy)

    # numbers, units, sides, events, clocks

    def is_number(self) -> bool:
        word = self.peek()
        if word in grammar_table()["numbers"]:  # an anchor may be called `a`
            return self.peek(1) in ("to", "working", *_UNITS)
        return bool(re.fullmatch(r"[0-9]+", word))

    def number(self) -> int:
        if not self.is_number():
            raise self.wrong("a number", [])
        offset, word = self.offset(), self.take()
        spelt = grammar_table()["numbers"].get(word)
        if spelt is None and len(word.lstrip("0")) > len(str(LARGEST)):
            raise PhraseError("WKT105", offset, f"the number {word[:12]} is above {LARGEST}")
        return int(word) if spelt is None else int(spelt)

    def positive(self) -> int:
        offset, count = self.offset(), self.number()
        if count == 0:
            raise PhraseError("WKT105", offset, "0 found where a number from 1 is expected")
        return count

    def unit(self) -> Unit:
        if self.peek() == "working" and self.peek(1) in ("day", "days"):
            self.at += 2
            return Unit.WORKING_DAY
        if self.peek() in _UNITS:
            return _UNITS[self.take()]
        if not self.peek():
            raise self.wrong("a unit", [])
        remedy = did_you_mean(self.peek(), [u + "s" for u in Unit])
        raise PhraseError("WKT104", self.offset(), f"{self.peek()!r} is not a unit", remedy)

    def side(self) -> Side:
        if self.accept("before"):
            return "before"
        if self.accept("after") or self.accept("of") or self.accept("from"):
            return "after"
        raise self.wrong("'before' or 'after'", ["before", "after"])

    def name(self, wanted: str) -> str:
        word = self.peek()
        if not word:
            raise self.wrong(wanted, [])
        if word in _RESERVED or not _NAME.fullmatch(word):
            remedy = _COUNTED if word[0] in "0123456789+-±" else ""
            raise PhraseError("WKT111", self.offset(), f"{word!r} found where {wanted} is expected", remedy)
        return self.take()

    def event(self) -> Event:
        if self.accept("visit"):
            return Event("visit", self.name("the name of a visit"))
        for kind, wanted in (("release", "the name of a gate"), ("completion", "the name of an item")):
            if self.accept(kind):
                self.expect("of")
                return Event(cast("EventKind", kind), self.name(wanted))
        name = self.name("an event")
        return Event("target" if name == "target" else "anchor", name)

    def clock(self) -> Clock | None:
        if self.peek() == "in":
            self.take()
            if self.peek() not in _PARTS:
                raise self.wrong("'the morning', 'the afternoon' or 'the evening'", list(_PARTS))
            return Clock(part=self.take())
        if not _CLOCK.fullmatch(self.peek()):
            return None
        offset, word = self.offset(), self.take()
        hour, minute = (int(part) for part in word.split(":"))
        if hour > 23 or minute > 59:
            raise PhraseError("WKT106", offset, f"{word} is no time of day")
        return Clock(at=time(hour, minute))

    # productions

    def when(self) -> Phrase:
        phrase = self.series() if self.accept("every") else self.span_or_point()
        if self.peek():
            raise self.wrong("the end of the phrase", [])
        return phrase

    def series(self) -> Series:
        count = self.positive() if self.is_number() else 1
        unit = self.unit()
        offset = self.offset()
        clocks = self.clocks()
        if clocks and not (unit is Unit.DAY and count == 1):
            raise PhraseError("WKT107", offset, f"a clock beside 'every {unit.counted(count)}'")
        condition: Literal["", "as needed", "while awake"] = ""
        if self.accept("as", "needed"):
            condition = "as needed"
        elif self.accept("while", "awake"):
            condition = "while awake"
        return Series(count, unit, self.span(), clocks, condition)

    def clocks(self) -> tuple[Clock, ...]:
        found: list[Clock] = []
        clock = self.clock()
        while clock is not None:
            if clock not in found:
                found.append(clock)
            if not self.accept("and"):
                break
            clock = self.clock()
            if clock is None:
                raise self.wrong("a clock", [])
        return tuple(found)

    def span(self) -> Span:
        offset, phrase = self.offset(), self.span_or_point()
        if isinstance(phrase, (Offset, DayOf, At, Pick)):
            raise PhraseError("WKT113", offset, f"the point {str(phrase)!r} found where a span is expected")
        return phrase

    def span_or_point(self) -> Span | Point:
        offset = self.offset()
        if self.accept("from"):
            start = self.point()
            self.expect("to")
            return span(start, self.point(), offset)
        if self.accept("until"):
            return Until(self.point())
        if self.accept("within"):
            count, unit = self.positive(), self.unit()
            return within(count, unit, self.side(), self.event(), offset)
        if self.is_number() and self.peek(1) == "to":
            first = self.number()
            self.expect("to")
            second, unit = self.number(), self.unit()
            return between(first, second, unit, self.side(), self.event(), offset=offset)
        return self.around_or_point()

    def around_or_point(self) -> Span | Point:
        offset = self.offset()
        if not self.is_number():
            return self.point()
        count, unit = self.number(), self.unit()
        if self.accept("either", "side", "of"):
            return around(count, unit, self.event(), offset)
        return self.counted(count, unit, offset)

    def point(self) -> Point:
        offset = self.offset()
        if self.accept("later", "of"):
            return self.pick("later", offset)
        if self.accept("earlier", "of"):
            return self.pick("earlier", offset)
        if self.is_number():
            return self.counted(self.number(), self.unit(), offset)
        if self.accept("day", "of"):
            return day_of(self.event(), self.clock())
        event = self.event()
        clock = self.clock()
        return At(event) if clock is None else DayOf(event, clock)

    def pick(self, which: Literal["later", "earlier"], offset: int) -> Point:
        self.depth += 1
        if self.depth > DEEPEST:
            raise PhraseError("WKT112", offset, f"'{which} of' is nested deeper than {DEEPEST}")
        first = self.point()
        self.expect("and")
        second = self.point()
        self.depth -= 1
        return first if first == second else Pick(which, first, second)

    def counted(self, count: int, unit: Unit, offset: int) -> Point:
        side, event = self.side(), self.event()
        clock_offset, clock = self.offset(), self.clock()
        if clock is not None and unit.elapsed:
            raise PhraseError("WKT107", clock_offset, f"a clock beside {unit.counted(count)}")
        return point(count, unit, side, event, clock, offset=offset)


@lru_cache(maxsize=4096)
def parse(text: str) -> Phrase:
    """Read one phrase. Common misspellings are read too; `spelling` tells them from the right spelling.

    Raises PhraseError, with the offset, for everything else.
    """
    if len(text) > LONGEST:
        raise PhraseError("WKT112", LONGEST, f"the phrase has {len(text)} characters, {LONGEST} are allowed")
    if not text.strip():
        raise PhraseError("WKT103", 0, "the phrase is empty")
    return _Reader(text).when()


def spelling(text: str) -> str | None:
    """The one right spelling of a phrase, or None where it is already spelt so. Raises PhraseError."""
    right = str(parse(text))
    return None if right == text else right
