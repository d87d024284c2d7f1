"""Resources and their versions in SQLite, with the index that search reads.

One connection, one lock: requests that write run one after the other, which is what makes `If-Match` and conditional
creates safe. The journal is a write-ahead log, so a file survives the end of the process at any moment.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from waykeeper.sandbox.extract import milliseconds, rows_of
from waykeeper.sandbox.resource_json import Resource, dump, parse

_SCHEMA = """
CREATE TABLE IF NOT EXISTS resource (
  pk INTEGER PRIMARY KEY, type TEXT NOT NULL, id TEXT NOT NULL, version INTEGER NOT NULL,
  updated INTEGER NOT NULL, deleted INTEGER NOT NULL, UNIQUE (type, id));
CREATE TABLE IF NOT EXISTS version (
  pk INTEGER NOT NULL, version INTEGER NOT NULL, updated INTEGER NOT NULL, method TEXT NOT NULL, body BLOB NOT NULL,
  PRIMARY KEY (pk, version)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS token (pk INTEGER NOT NULL, key TEXT NOT NULL, system TEXT NOT NULL, code TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS reference (pk INTEGER NOT NULL, key TEXT NOT NULL, type TEXT NOT NULL, id TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS date (pk INTEGER NOT NULL, key TEXT NOT NULL, low INTEGER NOT NULL, after INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS string (pk INTEGER NOT NULL, key TEXT NOT NULL, folded TEXT NOT NULL, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS link (pk INTEGER NOT NULL, type TEXT NOT NULL, id TEXT NOT NULL);
CREATE INDEX IF NOT EXISTS token_pk ON token (pk, key);
CREATE INDEX IF NOT EXISTS token_code ON token (key, code, system, pk);
CREATE INDEX IF NOT EXISTS token_system ON token (key, system, pk);
CREATE INDEX IF NOT EXISTS reference_pk ON reference (pk, key);
CREATE INDEX IF NOT EXISTS reference_id ON reference (key, id, type, pk);
CREATE INDEX IF NOT EXISTS date_pk ON date (pk, key);
CREATE INDEX IF NOT EXISTS date_low ON date (key, low, after, pk);
CREATE INDEX IF NOT EXISTS string_pk ON string (pk, key);
CREATE INDEX IF NOT EXISTS string_folded ON string (key, folded, pk);
CREATE INDEX IF NOT EXISTS link_pk ON link (pk);
CREATE INDEX IF NOT EXISTS link_id ON link (type, id, pk);
CREATE INDEX IF NOT EXISTS resource_type ON resource (type, deleted, pk);
"""

_INDEX_TABLES = ("token", "reference", "date", "string", "link")


@dataclass(frozen=True, slots=True)
class Stored:
    """One version of a resource as it stands in the store; `body` is JSON text, empty where it was deleted."""

    pk: int
    type: str
    id: str
    version: int
    updated: datetime
    method: str
    body: bytes

    @property
    def deleted(self) -> bool:
        """Whether this version says that the resource was deleted."""
        return self.method == "DELETE"

    @property
    def etag(self) -> str:
        """The version as an HTTP entity tag."""
        return f'W/"{self.version}"'

    @property
    def place(self) -> str:
        """`Type/id/_history/version`."""
        return f"{self.type}/{self.id}/_history/{self.version}"

    def resource(self) -> Resource:
        """The resource, parsed anew (so that nobody changes what is stored)."""
        parsed: Resource = parse(self.body)
        return parsed


def instant(moment: datetime) -> str:
    """A FHIR instant in UTC, to the millisecond."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _moment(ms: int) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=ms)


class Store:
    """Everything the sandbox holds. `path` is a file, or ":memory:" for one that ends with the process."""

    def __init__(self, path: str | Path = ":memory:") -> None:
        """Open or make the database. Raises sqlite3.Error where the file is no database of ours."""
        self._lock = threading.RLock()
        if str(path) != ":memory:":
            with suppress(OSError):  # it is there already, or cannot be made: then SQLite says why
                os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))  # its log is as private as it
        self._db = sqlite3.connect(str(path), check_same_thread=False, isolation_level=None)
        self._depth, self._at = 0, datetime.now(UTC)
        try:
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = NORMAL")
            self._db.executescript(_SCHEMA)
        except BaseException:
            self._db.close()
            raise

    def close(self) -> None:
        """Close the database."""
        with self._lock:
            self._db.close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing: what is written inside stands after it, or, on any exception, never was.

        All of it bears one time, so that a history tells what was written together.
        """
        with self._lock:
            if self._depth:
                raise RuntimeError("transactions do not nest")
            self._db.execute("BEGIN IMMEDIATE")
            self._depth, self._at = 1, datetime.now(UTC)
            try:
                yield
            except BaseException:
                if self._db.in_transaction:  # on a full disk it was taken back already
                    self._db.execute("ROLLBACK")
                raise
            else:
                self._db.execute("COMMIT")
            finally:
                self._depth = 0

    @contextmanager
    def reading(self) -> Iterator[None]:
        """Nothing is written by others meanwhile."""
        with self._lock:
            yield

    def query(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """Run a SELECT."""
        with self._lock:
            return self._db.execute(sql, values).fetchall()

    def get(self, kind: str, key: str) -> Stored | None:
        """The newest version under a type and id, also where that is a deletion."""
        return self._one("r.type = ? AND r.id = ? AND v.version = r.version", (kind, key))

    def version(self, kind: str, key: str, number: int) -> Stored | None:
        """One version under a type and id."""
        return self._one("r.type = ? AND r.id = ? AND v.version = ?", (kind, key, number))

    def by_pk(self, pks: Sequence[int]) -> list[Stored]:
        """The newest versions of some rows, in the order asked; deleted ones are left out."""
        found: dict[int, Stored] = {}
        for start in range(0, len(pks), 500):
            part = pks[start : start + 500]
            marks = ",".join("?" * len(part))
            rows = self._rows(f"r.pk IN ({marks}) AND v.version = r.version AND r.deleted = 0", part)
            found.update((one.pk, one) for one in rows)
        return [found[pk] for pk in pks if pk in found]

    def bodies(self, rows: Sequence[tuple[int, int]]) -> Iterator[bytes]:
        """The JSON text of some (row, version) pairs, in their order."""
        for pk, version in rows:
            found = self.query("SELECT body FROM version WHERE pk = ? AND version = ?", (pk, version))
            yield from (row[0] for row in found)

    def history(self, kind: str = "", key: str = "", since: int | None = None) -> list[Stored]:
        """Versions, newest first, of one resource, one type or everything."""
        where, values = ["1 = 1"], list[Any]()
        for condition, value in (("r.type = ?", kind), ("r.id = ?", key), ("v.updated >= ?", since)):
            if value not in ("", None):
                where.append(condition)
                values.append(value)
        return self._rows(" AND ".join(where) + " ORDER BY v.updated DESC, v.version DESC, r.pk DESC", values)

    def exists(self, kind: str, key: str) -> bool:
        """Whether a resource stands under this type and id now."""
        return bool(self.query("SELECT 1 FROM resource WHERE type = ? AND id = ? AND deleted = 0", (kind, key)))

    def referrers(self, kind: str, key: str) -> list[str]:
        """`Type/id` of the resources that refer to this one, at most three of them, not counting itself."""
        sql = (
            "SELECT DISTINCT r.type || '/' || r.id FROM link l JOIN resource r ON r.pk = l.pk"
            " WHERE l.type = ? AND l.id = ? AND NOT (r.type = ? AND r.id = ?) LIMIT 3"
        )
        return [row[0] for row in self.query(sql, (kind, key, kind, key))]

    def put(self, kind: str, key: str, body: Resource, method: str) -> Stored:
        """Write the next version of a resource, with id, version and time in it. Only inside a transaction."""
        pk, version, updated = self._next(kind, key, deleted=False)
        meta = {**body.get("meta", {}), "versionId": str(version), "lastUpdated": instant(updated)}
        rest = {k: v for k, v in body.items() if k not in ("resourceType", "id", "meta")}
        whole: Resource = {"resourceType": kind, "id": key, "meta": meta, **rest}
        text = dump(whole)
        self._version(pk, version, updated, method, text)
        self._index(pk, whole)
        return Stored(pk, kind, key, version, updated, method, text)

    def delete(self, kind: str, key: str) -> Stored:
        """Write a version that says that the resource was deleted. Only inside a transaction."""
        pk, version, updated = self._next(kind, key, deleted=True)
        self._version(pk, version, updated, "DELETE", b"")
        self._unindex(pk)
        return Stored(pk, kind, key, version, updated, "DELETE", b"")

    def _next(self, kind: str, key: str, *, deleted: bool) -> tuple[int, int, datetime]:
        now = milliseconds(self._at if self._depth else datetime.now(UTC))
        sql = (
            "INSERT INTO resource (type, id, version, updated, deleted) VALUES (?, ?, 1, ?, ?)"
            " ON CONFLICT (type, id) DO UPDATE SET version = version + 1,"
            " updated = max(updated, excluded.updated), deleted = excluded.deleted RETURNING pk, version, updated"
        )
        pk, version, updated = self._db.execute(sql, (kind, key, now, int(deleted))).fetchone()
        return pk, version, _moment(updated)

    def _version(self, pk: int, version: int, updated: datetime, method: str, body: bytes) -> None:
        row = (pk, version, milliseconds(updated), method, body)
        self._db.execute("INSERT INTO version (pk, version, updated, method, body) VALUES (?, ?, ?, ?, ?)", row)

    def _unindex(self, pk: int) -> None:
        for name in _INDEX_TABLES:
            self._db.execute(f"DELETE FROM {name} WHERE pk = ?", (pk,))

    def _index(self, pk: int, resource: Resource) -> None:
        self._unindex(pk)
        rows = rows_of(resource)
        for name in _INDEX_TABLES[:4]:
            found = getattr(rows, name)
            self._db.executemany(f"INSERT INTO {name} VALUES (?, ?, ?, ?)", [(pk, *row) for row in found])
        self._db.executemany("INSERT INTO link VALUES (?, ?, ?)", [(pk, *row) for row in rows.links])

    def _rows(self, where: str, values: Sequence[Any]) -> list[Stored]:
        sql = (
            "SELECT r.pk, r.type, r.id, v.version, v.updated, v.method, v.body"
            " FROM resource r JOIN version v ON v.pk = r.pk WHERE " + where
        )
        return [Stored(pk, t, i, v, _moment(u), m, b) for pk, t, i, v, u, m, b in self.query(sql, values)]

    def _one(self, where: str, values: Sequence[Any]) -> Stored | None:
        found = self._rows(where, values)
        return found[0] if found else None
