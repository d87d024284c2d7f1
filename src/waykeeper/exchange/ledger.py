"""What became of each plan of a push of many: kept on disk, so that a push that was ended can go on.

Every outcome is committed before the next is taken, with full synchronisation: after a power cut or kill -9 the ledger
knows each plan that was finished; one that was under way is pushed again, which changes nothing where it had arrived.
It holds no patient data: file names, digests, words and counts.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path

from waykeeper.findings import Position, WaykeeperError, finding

DONE = ("sent", "unchanged")  # words of an outcome after which a plan need not be pushed again in the same run
_SCHEMA = """
CREATE TABLE IF NOT EXISTS run (
    id INTEGER PRIMARY KEY, server TEXT NOT NULL, started TEXT NOT NULL, ended TEXT NOT NULL DEFAULT '');
CREATE TABLE IF NOT EXISTS plan (
    run INTEGER NOT NULL REFERENCES run, digest TEXT NOT NULL, place TEXT NOT NULL, word TEXT NOT NULL,
    detail TEXT NOT NULL DEFAULT '', at TEXT NOT NULL, PRIMARY KEY (run, digest));
"""
_VERSION = 1
_APPLICATION = 0x57414B45  # "WAKE": another program's database is not written to


GO_ON = "Make room and run it again: what the ledger does not know of is pushed again, and written no second time."


class NotKeptError(WaykeeperError):
    """Plans were sent of which the ledger could not be told."""

    exit_code = 3


class Ledger:
    """One ledger, open for one push at a time.

    A run that did not end is gone on with; after one that ended everything is pushed again.
    """

    def __init__(self, path: str, server: str, now: str) -> None:
        """Open or make it. Raises WaykeeperError WKX501: not a ledger, in use, cannot be written."""
        self._path = path
        existed = Path(path).exists()
        if existed and not Path(path).is_file() and not Path(path).is_dir():
            raise _unusable(path, "it is a device or a pipe, a file is needed")
        try:
            if not existed:
                os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
            self._db = sqlite3.connect(path, timeout=0.2, isolation_level=None)
            self._db.execute("PRAGMA locking_mode = EXCLUSIVE")
            self._db.execute("PRAGMA synchronous = FULL")
            self._db.execute("BEGIN EXCLUSIVE")
            self._ours(existed)
            self._db.executescript(
                f"{_SCHEMA} PRAGMA application_id = {_APPLICATION}; PRAGMA user_version = {_VERSION};"
            )
            self.run, self.resumed = self._run(server, now)
        except FileNotFoundError:
            raise _unusable(path, f"there is no folder {str(Path(path).parent)!r}") from None
        except sqlite3.OperationalError as error:
            said = "another push uses it" if "locked" in str(error) else str(error)
            raise _unusable(path, said) from None
        except (sqlite3.DatabaseError, OSError, ValueError) as error:
            raise _unusable(path, getattr(error, "strerror", None) or str(error)) from None

    def _ours(self, existed: bool) -> None:
        """Raises ValueError where the file is somebody else's database."""
        (mark,) = self._db.execute("PRAGMA application_id").fetchone()
        (version,) = self._db.execute("PRAGMA user_version").fetchone()
        (tables,) = self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        if existed and tables and mark != _APPLICATION:
            raise ValueError("it is no ledger of a push")
        if version > _VERSION:
            raise ValueError("it was made by a later version")

    def _run(self, server: str, now: str) -> tuple[int, bool]:
        found = self._db.execute(
            "SELECT id FROM run WHERE server = ? AND ended = '' ORDER BY id DESC LIMIT 1", (server,)
        ).fetchone()
        if found:
            return int(found[0]), True
        made = self._db.execute("INSERT INTO run (server, started) VALUES (?, ?)", (server, now))
        return int(made.lastrowid or 0), False

    def done(self) -> frozenset[str]:
        """Digests of the plans that this run has pushed."""
        marks = ", ".join("?" * len(DONE))
        rows = self._db.execute(f"SELECT digest FROM plan WHERE run = ? AND word IN ({marks})", (self.run, *DONE))
        return frozenset(str(row[0]) for row in rows)

    def record(self, digest: str, place: str, word: str, detail: str, now: str) -> None:
        """Say what became of a plan; on disk when this returns. Raises NotKeptError."""
        self._write(
            "INSERT INTO plan VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (run, digest) DO UPDATE SET "
            "word = excluded.word, detail = excluded.detail, at = excluded.at, place = excluded.place",
            (self.run, digest, place, word, detail, now),
        )

    def end(self, now: str, digests: Iterable[str]) -> None:
        """Close the run where each of its plans is done; else it is gone on with the next time. Raises NotKeptError."""
        if set(digests) <= self.done():
            self._write("UPDATE run SET ended = ? WHERE id = ?", (now, self.run))

    def _write(self, statement: str, values: Sequence[object]) -> None:
        try:
            self._db.execute(statement, values)
        except sqlite3.Error as error:  # the disk is full, mostly
            details = f"the ledger cannot be written any more: {error}; what was sent stands"
            raise NotKeptError(finding("WKX501", details, Position(self._path), GO_ON)) from None

    def close(self) -> None:
        """Let go of the file."""
        with suppress(sqlite3.Error):
            self._db.close()


def _unusable(path: str, said: str) -> WaykeeperError:
    return WaykeeperError(finding("WKX501", f"the ledger cannot be used: {said}", Position(path)))
