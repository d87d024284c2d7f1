"""A day's notes out of one table: what the coordinator wrote beside the rows of the list, recorded row by row."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date

from waykeeper.exchange import NoAnswerError, Server
from waykeeper.exchange.noting import AS_BEFORE, BEFORE
from waykeeper.exchange.noting import note as write_note
from waykeeper.findings import Finding, Position, WaykeeperError, finding
from waykeeper.verbs import inputs, own_table
from waykeeper.verbs.noting import checked_note
from waykeeper.verbs.words import Holds, PathText, as_text

NEEDED = ("identifier", "item", "note")
OWN = ("noted_by", "noted_on", "text", "days", "decision", "episode")


@dataclass(frozen=True, slots=True)
class NoteOutcome:
    """What became of one row of the table: what was written, or why nothing was."""

    line: int
    said: str = ""
    why: tuple[Finding, ...] = ()

    @property
    def before(self) -> bool:
        """True where it stood there already, from an earlier run of the table."""
        return BEFORE in self.said or AS_BEFORE in self.said  # more may be told behind it


@dataclass(frozen=True, slots=True)
class _Said:
    """One row as `note` takes it."""

    item: str
    what: str
    patient: str
    by: str
    on: date | None
    text: str
    days: int | None
    decision: str
    episode: int
    pathway: str

    def send(self, server: Server, written: Counter[str]) -> str:
        return write_note(
            server, inputs.identifier_of(self.patient, "identifier"), self.item, self.what, by=self.by, on=self.on,
            text=self.text, days=self.days, decision=self.decision, episode=self.episode, pathway=self.pathway,
            table=written,
        )  # fmt: skip


def note_all(
    table: PathText,
    *,
    to: str,
    by: str = "",
    on: str = "",
    holds: Holds = "test",
    told: Callable[[NoteOutcome], None] | None = None,
) -> tuple[NoteOutcome, ...]:
    """Record every row of a table whose cell `note` says something, in its order; gives what became of each.

    table   CSV with the columns identifier (SYSTEM|VALUE), item, note (the word of `note`), and where wanted noted_by,
            noted_on, text, days, decision, episode. The spreadsheet of the list may be given with these columns added:
            of its own others the pathway is read, and a row without a note is passed over
    by, on  for the rows that do not say; until which day something is put off each row says itself
    told    is given each outcome as it comes

    Nothing is written where a row cannot be understood: WaykeeperError names all of them, with their lines. What the
    server refuses is an outcome, and the rows after it are recorded. Raises NoAnswerError, with the line, where no
    answer came: the table may be run again, what it wrote is found.
    """
    table = as_text(table)
    rows = _rows(table, by, on)
    undated = any(said.on is None for _, said in rows)
    server, written = Server(to, kind=holds), Counter[str]()
    found = []
    for line, said in rows:
        try:
            outcome = NoteOutcome(line, said.send(server, written))
        except NoAnswerError as lost:
            place, remedy = Position(table, line), AGAIN + (SAME_DAY if undated else "")
            raise NoAnswerError([replace(f, position=place, help=remedy) for f in lost.findings]) from None
        except WaykeeperError as refused:
            outcome = NoteOutcome(line, why=tuple(replace(f, position=Position(table, line)) for f in refused.findings))
        found.append(outcome)
        if told:
            told(outcome)
    return tuple(found)


AGAIN = "The rows above are done. Run the same table again: what it wrote is found and not written twice."
SAME_DAY = " Some rows name no day: run it again today, or add --on with the day of today."


def _rows(path: str, by: str, on: str) -> list[tuple[int, _Said]]:
    """The rows that note something, as `note` takes them. Raises WaykeeperError with every row that it cannot take."""
    from waykeeper.report.gap_files import CSV_COLUMNS

    found, wrong = [], []
    for line, cells in own_table.rows(path, own_table.Columns(NEEDED, (*NEEDED, *OWN), CSV_COLUMNS)):
        if not cells["note"]:
            continue
        try:
            found.append((line, _said(cells, by, on)))
        except WaykeeperError as refused:
            wrong += [replace(f, position=Position(path, line)) for f in refused.findings]
    if wrong:
        raise WaykeeperError(wrong)
    if not found:
        raise WaykeeperError(
            finding("WKC102", "no row of the table has a note", Position(path), "Fill the column note.")
        )
    return found


def _said(cells: Mapping[str, str], by: str, on: str) -> _Said:
    for name in NEEDED[:2]:
        if not cells[name]:
            raise WaykeeperError(finding("WKC203", f"the {name} is missing"))
    days, episode = cells.get("days", ""), cells.get("episode", "") or "1"
    if days and not days.isdecimal():
        raise WaykeeperError(finding("WKC201", f"days is {days!r}, which is no whole number from 0 on"))
    if not episode.isdecimal() or int(episode) < 1:
        raise WaykeeperError(finding("WKC201", f"the episode is {episode!r}, it counts from 1"))
    if cells["note"] == "snoozed" and not cells.get("noted_on"):
        raise WaykeeperError(finding("WKC203", "snoozed needs noted_on: the day until which it is put off"))
    inputs.identifier_of(cells["identifier"], "identifier")
    who, day = cells.get("noted_by") or by, cells.get("noted_on") or on
    return _Said(
        item=cells["item"], what=cells["note"], patient=cells["identifier"],
        by=who, on=checked_note(cells["note"], who, day, names=("noted_by", "noted_on")), text=cells.get("text", ""),
        days=int(days) if days else None, decision=cells.get("decision", ""), episode=int(episode),
        pathway=cells.get("pathway", ""),
    )  # fmt: skip


__all__ = ["NoteOutcome", "note_all"]
