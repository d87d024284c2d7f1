"""Text for a terminal or a pipe: wrapped to a width, never cut, without control characters, the same with no colour."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from datetime import date

from waykeeper.timing.model import Moment, Window

Ends = Callable[[str], str]  # an identifier -> as much of it as is shown

ENGLISH_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def clean(text: str) -> str:
    """The text on one line without control or direction-changing characters: a name can't move the cursor."""
    if text.isascii() and text.isprintable():
        return " ".join(text.split())
    kept = "".join(" " if c in "\t\r\n" else c for c in text if c in "\t\r\n" or unicodedata.category(c)[0] != "C")
    return " ".join(kept.split())


def day(when: date | None) -> str:
    """`Wed 2026-03-18`, the same in every locale; "" for None."""
    return f"{ENGLISH_DAYS[when.weekday()]} {when.isoformat()}" if when else ""


def moment(when: Moment | None) -> str:
    """`Wed 2026-03-18 07:30`; `(2nd)` marks the second reading of a repeated hour."""
    if when is None:
        return ""
    clock = f" {when.clock:%H:%M}" if when.clock else ""
    return f"{day(when.day)}{clock}{' (2nd)' if when.fold else ''}"


def span(window: Window | None) -> str:
    """`Wed 2026-03-18 to Fri 2026-03-20`; of `until ...` nobody said the start, so its end alone."""
    if window is None:
        return ""
    return f"until {moment(window.end)}" if window.open_start else f"{moment(window.start)} to {moment(window.end)}"


def width_of(text: str) -> int:
    """Columns that a text takes in a terminal: wide characters take two, combining ones none."""
    if text.isascii():
        return len(text)
    return sum(0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text)


def wrap(text: str, width: int, first: str = "", rest: str | None = None) -> list[str]:
    """Lines of at most `width` columns with a hanging indent; long words are broken, nothing is left out."""
    indent = " " * len(first) if rest is None else rest
    lines = textwrap.wrap(clean(text), width, initial_indent=first, subsequent_indent=indent) or [first.rstrip()]
    if all(width_of(line) <= width for line in lines):
        return lines
    return textwrap.wrap(clean(text), max(width // 2, 20), initial_indent=first, subsequent_indent=indent)


def table(header: Sequence[str], rows: Iterable[Sequence[str]], widths: Sequence[int]) -> list[str]:
    """Left-aligned columns, two spaces apart; a cell longer than its column wraps inside it."""
    lines = _row(header, widths)
    lines.append("  ".join("-" * w for w in widths))
    for cells in rows:
        lines += _row(cells, widths)
    return lines


def _row(cells: Sequence[str], widths: Sequence[int]) -> list[str]:
    columns = [wrap(cell, width) if cell else [""] for cell, width in zip(cells, widths, strict=True)]
    height = max(len(c) for c in columns)
    lines = []
    for i in range(height):
        parts = [(c[i] if i < len(c) else "") for c in columns]
        lines.append("  ".join(p + " " * (w - width_of(p)) for p, w in zip(parts, widths, strict=True)).rstrip())
    return lines


def value_of(identifier: str) -> str:
    """An identifier without its system."""
    return identifier.split("|", 1)[-1]  # a number may hold bars, an address holds none (RFC 3986)


def shortened(identifier: str) -> str:
    """The last three characters of a long identifier: `...042`; what a screen that others see shows."""
    value = value_of(identifier)
    return value if len(value) <= 3 else f"...{value[-3:]}"


def apart(people: Iterable[tuple[str, str]]) -> Ends:
    """How identifiers are shown on one list: shortened, and longer where two people shown alike would share that.

    people   what each is called on the list, and the identifier; one may come often
    """
    alike: dict[tuple[str, str], set[str]] = {}
    for called, identifier in people:
        alike.setdefault((called.casefold(), shortened(identifier)), set()).add(identifier)
    longer = {one: _longer(one, same - {one}) for same in alike.values() if len(same) > 1 for one in same}
    return lambda identifier: longer.get(identifier) or shortened(identifier)


def _longer(identifier: str, others: Iterable[str]) -> str:
    """As much of the end as no other has; the whole with its system where another system gave the same number."""
    value, values = value_of(identifier), [value_of(other) for other in others]
    if value in values:
        return identifier
    ends = (value[-n:] for n in range(4, len(value)))
    end = next((e for e in ends if not any(o.endswith(e) for o in values)), "")
    return f"...{end}" if end else value
