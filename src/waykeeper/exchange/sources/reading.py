"""Which reader a file needs, by its ending; every file of one run together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from waykeeper.exchange.sources.calendar_file import read_calendar
from waykeeper.exchange.sources.mapping import Mapping
from waykeeper.exchange.sources.merged import joined
from waykeeper.exchange.sources.model import Bookings, Statement
from waykeeper.exchange.sources.scheduler_csv import read_csv
from waykeeper.exchange.sources.settling import across
from waykeeper.exchange.sources.siu import read_messages

READERS: dict[str, Callable[[Sequence[str], Mapping, str], Bookings]] = {
    ".csv": read_csv, ".tsv": read_csv, ".ics": read_calendar, ".hl7": read_messages,
}  # fmt: skip


def ending(path: str) -> str:
    """The ending that tells the format, of a compressed file too."""
    return Path(path.removesuffix(".gz")).suffix.lower()


def read_bookings(paths: Sequence[str], mapping: Mapping, clinic_zone: str) -> Bookings:
    """Every booking of the files, days in the clinic's zone.

    Messages of several files are ordered among themselves: an interface engine writes one file a message.
    Raises WaykeeperError where a file cannot be trusted as a whole.
    """
    kinds: dict[Callable[[Sequence[str], Mapping, str], Bookings], list[str]] = {}
    for path in dict.fromkeys(paths):
        kinds.setdefault(READERS[ending(path)], []).append(path)
    read = Bookings()
    for reader, files in kinds.items():
        more = reader(files, mapping, clinic_zone)
        merged = (*read.merged, *more.merged)
        more = replace(more, evidence=tuple(joined(more.evidence, merged)))
        kept, noticed = across(joined(read.evidence, merged), more)
        revoked = (*_not_told(read, more), *_not_told(more, read))
        found = (*read.findings, *more.findings, *noticed)
        read = replace(read + more, evidence=tuple(kept), findings=found, revoked=revoked)
    return read


def _not_told(one: Bookings, other: Bookings) -> list[Statement]:
    """What takes back a booking that the other kind of file does not tell of either."""
    numbers = {name for e in other.evidence for name in e.identifiers}
    return [s for s in one.revoked if numbers.isdisjoint(s.evidence.identifiers)]
