"""The Medications and Substances of an export that is read in parts: of no patient, and wanted in the part of each."""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any

import orjson

from waykeeper.exchange.files import Held
from waykeeper.record import PRODUCTS, own_name, pointed_at, relative, resources_of

_SCHEMA = "CREATE TABLE product (reference TEXT, own TEXT, resource BLOB)"
_INDEXES = ("CREATE INDEX by_reference ON product (reference)", "CREATE INDEX by_own ON product (own)")
_AT_ONCE = 400  # names in one question: SQLite of before 3.32 takes 999


def products_in(resource: Mapping[str, Any]) -> list[Held]:
    """The products that a line is, or holds as a Bundle, each with the reference that names it."""
    kind = resource["resourceType"]
    if kind == "Bundle":
        return [(reference, r) for reference, r in resources_of(resource) if r.get("resourceType") in PRODUCTS]
    return [(f"{kind}/{resource.get('id') or ''}", dict(resource))] if kind in PRODUCTS else []


class Products:
    """Written while an export is split, by one process: a file, which is there once there is a product."""

    def __init__(self, file: Path) -> None:
        """Nothing is written yet."""
        self._file = file
        self._db: sqlite3.Connection | None = None

    def __enter__(self) -> Products:
        """To be closed when the last product is written."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        """Index what was written. Raises OSError."""
        if self._db is None:
            return
        with _as_disk(), closing(self._db):
            if kind is None:
                for index in _INDEXES:
                    self._db.execute(index)
                self._db.commit()

    def add(self, found: Iterable[Held]) -> None:
        """Keep these, in their order. Raises OSError."""
        for reference, resource in found:
            with _as_disk():
                if self._db is None:
                    self._file.unlink(missing_ok=True)
                    self._db = sqlite3.connect(self._file)
                    self._db.execute("PRAGMA journal_mode = OFF")  # a file that is not whole is never read
                    self._db.execute("PRAGMA synchronous = OFF")
                    self._db.execute(_SCHEMA)
                row = (reference, own_name(reference, resource), orjson.dumps(resource))
                self._db.execute("INSERT INTO product VALUES (?, ?, ?)", row)


def with_products(held: list[Held], files: Sequence[Path]) -> list[Held]:
    """What a part holds, with the products that its orders point at, and those that these are made of.

    Only those: an export may have one for each order of everybody. Raises OSError.
    """
    there = [file for file in files if file.exists()]
    wanted = {name for _, resource in held for name in _names(resource)} if there else set()
    if not wanted:
        return held
    rest = [pair for pair in held if pair[1]["resourceType"] not in PRODUCTS]  # those of Bundles are kept there as well
    with _as_disk(), ExitStack() as opened:
        bases = [opened.enter_context(closing(sqlite3.connect(f"{f.as_uri()}?mode=ro", uri=True))) for f in there]
        return [*_reached(wanted, [base.execute for base in bases]), *rest]


def _reached(wanted: set[str], asks: Sequence[Callable[..., sqlite3.Cursor]]) -> list[Held]:
    asked: set[str] = set()
    found: dict[tuple[int, int], Held] = {}  # in the order of the export, so that of equal versions the later counts
    while wanted:
        asked |= wanted
        new = {place: pair for place, pair in _of(sorted(wanted), asks) if place not in found}
        found |= new
        wanted = {name for _, resource in new.values() for name in _names(resource)} - asked
    return [pair for _, pair in sorted(found.items())]


def _of(names: Sequence[str], asks: Sequence[Callable[..., sqlite3.Cursor]]) -> Iterator[tuple[tuple[int, int], Held]]:
    for start in range(0, len(names), _AT_ONCE):
        some = names[start : start + _AT_ONCE]
        marks = ",".join("?" * len(some))
        for column in ("reference", "own"):
            question = f"SELECT rowid, reference, resource FROM product WHERE {column} IN ({marks})"
            for number, ask in enumerate(asks):
                for row, reference, resource in ask(question, some):
                    yield (number, row), (reference, orjson.loads(resource))


def _names(resource: Mapping[str, Any]) -> Iterator[str]:
    """The names under which what a resource points at may have been kept."""
    for reference in pointed_at(resource):
        plain = reference.partition("/_history/")[0]
        yield plain
        yield relative(plain)


@contextmanager
def _as_disk() -> Iterator[None]:
    """What SQLite says of a full disk, as any other writing says it."""
    try:
        yield
    except sqlite3.OperationalError:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)) from None
