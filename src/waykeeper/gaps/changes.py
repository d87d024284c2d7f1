"""What changed since an earlier report."""

from __future__ import annotations

from collections.abc import Iterable

from waykeeper.gaps.model import Change, ChangeKind, Row

_ORDER: tuple[ChangeKind, ...] = ("new", "back", "worse", "gone", "other word", "more", "milder", "put off", "closed")

_BY_THE_RECORD = ("plan", "hold")


def _stands(row: Row | None) -> bool:
    return row is not None and row.gap and not row.closed


def _kind(before: Row | None, after: Row | None) -> ChangeKind | None:
    if after is None:
        return "gone" if _stands(before) else None
    if before is None or not _stands(before):
        if not _stands(after):
            return None
        return "back" if before is not None and before.closed and before.gap else "new"
    if not _stands(after):
        return "closed"
    if before.snoozed != after.snoozed:
        return "put off" if after.snoozed else "back"
    if after.severity != before.severity:
        return "worse" if after.severity > before.severity else "milder"
    if after.verdict != before.verdict:
        return "other word"
    return "more" if _tells(after) != _tells(before) else None


def _tells(row: Row) -> tuple[object, ...]:
    """What a row says beside its word that changes by what is recorded, never by a day that passes alone.

    The reason of other kinds counts days, or names what is due by now.
    """
    reason = (row.reason, row.questions) if row.kind in _BY_THE_RECORD else ()
    return (row.evidence_day, row.history, row.lost, *reason)


def _by_name(rows: Iterable[Row]) -> dict[tuple[str, int, str, str], Row]:
    """Rows by name. Of two of one name (the patient went to another clinic of the list) the gap counts."""
    found: dict[tuple[str, int, str, str], Row] = {}
    for row in rows:
        if row.name not in found or not _stands(found[row.name]):
            found[row.name] = row
    return found


def changes_since(old: Iterable[Row], new: Iterable[Row]) -> tuple[Change, ...]:
    """What became of every gap between two reports: new, back (it was put off or closed), worse, gone (its plan is
    not in the new report), other word, more (the same word, and something was recorded), milder, put off, closed; in
    this order, then in the order of the new report.
    """
    was, now = _by_name(old), _by_name(new)
    pairs = [(was.get(name), row) for name, row in now.items()]
    pairs_gone = [(row, None) for name, row in was.items() if name not in now]
    found = [(kind, b, a) for b, a in [*pairs, *pairs_gone] if (kind := _kind(b, a)) is not None]
    return tuple(Change(k, b, a) for k, b, a in sorted(found, key=lambda c: _ORDER.index(c[0])))
