"""The rows of the list as people read them: what one call about one operation settles stands together.

JSON and CSV keep the contract's order, row by row.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from datetime import date, timedelta

from waykeeper.gaps.model import Row
from waykeeper.plan.model import MEDICINES

_WEEK = timedelta(days=7)
_WITH_TIME = ("task", "restriction")
AS_ABOVE = "As above, for this one."


def blocks(rows: Sequence[Row], as_of: date) -> list[tuple[Row, ...]]:
    """The rows of each operation and severity together, at the place of the first of them; each row once.

    Last come the steps that wait and have more than a week left (see `has_time`), by operation too.

    A row of less severity stands with what it waits for or hangs on (`Row.together`): a gate with the visit that it
    lacks, a restriction with its gate. In a block the rows keep their order, those that belong together side by side.
    """
    groups = _grouped((_group(row), row) for row in rows)
    graver = {group: max(row.severity for row in same) for group, same in groups.items()}
    placed = _grouped(((row.first, graver[_group(row)], has_time(row, as_of), *_plan(row)), row) for row in rows)
    made = [tuple(_side_by_side(same)) for same in placed.values()]
    return sorted(made, key=lambda block: has_time(block[0], as_of))


def with_above(found: Iterable[Sequence[Row]]) -> list[tuple[Row, Row | None]]:
    """Each row of these blocks with the one above it in its block, None for the first."""
    return [pair for block in found for pair in zip(block, (None, *block[:-1]), strict=True)]


def has_time(row: Row, as_of: date) -> bool:
    """True for a step that waits and has more than a week left, on which nothing else in the list hangs.

    What is to be booked is no such step: slots go.
    """
    waits = row.severity == 1 and row.kind in _WITH_TIME and not row.first and not row.together
    return waits and row.by is not None and row.by > as_of + _WEEK


def same_step(row: Row, before: Row | None) -> bool:
    """True if a row asks in the same words as the row before it, so that they need not be printed again.

    Of a medicine they are: nobody reads across two medicines, but those that have ended, which one question settles.
    """
    if before is None or (row.kind in MEDICINES and not (row.ended and before.ended)):
        return False
    return (row.next_action, row.who, row.owner, row.by) == (
        before.next_action, before.who, before.owner, before.by,
    )  # fmt: skip


def _plan(row: Row) -> tuple[Hashable, ...]:
    return (row.identifier, row.patient, row.episode, row.pathway)


def _group(row: Row) -> tuple[Hashable, ...]:
    """Rows that belong together; what stands alone goes with the other occurrences of its item and severity."""
    alone = (row.severity, *row.item.split("/")[:2])
    return (row.first, *_plan(row), *((row.together,) if row.together else alone))


def _grouped(pairs: Iterable[tuple[Hashable, Row]]) -> dict[Hashable, list[Row]]:
    found: dict[Hashable, list[Row]] = {}
    for name, row in pairs:
        found.setdefault(name, []).append(row)
    return found


def _side_by_side(rows: Sequence[Row]) -> Iterable[Row]:
    for same in _grouped((_group(row), row) for row in rows).values():
        yield from same
