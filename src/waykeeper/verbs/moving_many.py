"""A closed theatre day: many patients, each with a new surgery date, out of a table."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date

from waykeeper.findings import Finding, Position, WaykeeperError, finding
from waykeeper.plan.model import Identifier
from waykeeper.verbs import inputs, own_table
from waykeeper.verbs.moving import Move, Moving, Wish, checked
from waykeeper.verbs.records_of_many import Records
from waykeeper.verbs.words import Holds, PathText, as_text

AS_IT_STANDS = "same"  # in the column `surgery`: another version for many, and nobody copies days that must not change
COLUMNS = ("patient", "surgery", "discharge", "side", "anaesthesia", "pathway", "episode", "record")


@dataclass(frozen=True, slots=True)
class Case:
    """One row of the table."""

    line: int
    patient: Identifier
    wish: Wish
    episode: int


@dataclass(frozen=True)
class NotMoved:
    """One patient whose plan stands as it did, and why."""

    case: Case
    findings: tuple[Finding, ...]
    exit_code: int = 1


def move_all(
    from_: str,
    cases: PathText,
    *,
    pathway: PathText = "",
    clinic: PathText = "",
    record: PathText = "",
    reason: str = "",
    by: str = "",
    dry_run: bool = False,
    holds: Holds = "test",
    as_of: str | date = "",
    reported: Callable[[int, int, Move | NotMoved], None] = lambda *_: None,
) -> tuple[Move | NotMoved, ...]:
    """Move every patient of a table, one transaction each; one that cannot be moved does not keep the others.

    cases      a CSV file with `patient` (SYSTEM|VALUE, or the value alone where a clinic is given) and `surgery`, the
               word `same` where it stays (a new version of the pathway for many);
               further columns: discharge, side, anaesthesia, pathway, episode, record
    record     a folder with the records, one file a patient, where the server does not hold them; a row may name one
    reported   gets number, of how many, and the outcome, as soon as each is known

    The whole table is read before the first is moved. Run again, after whatever interruption, it moves the rest and
    says the same of those that were moved before. Raises WaykeeperError where the table cannot be read.
    """
    day = inputs.day_of(as_of, "--as-of") if as_of else None
    cases, pathway, clinic = as_text(cases), as_text(pathway), as_text(clinic)
    wanted = cases_of(cases, Wish(pathway=pathway, clinic=clinic))
    records = Records(as_text(record)) if record else None
    mover = Moving(from_, holds, reason, by, day)
    found: list[Move | NotMoved] = []
    for number, case in enumerate(wanted, 1):
        try:
            wish = _with_record(case, records, Position(cases, case.line))
            found.append(mover.move(case.patient, wish, case.episode, reinstate=False, dry_run=dry_run))
        except WaykeeperError as refused:
            found.append(NotMoved(case, tuple(refused.findings), int(getattr(refused, "exit_code", 2))))
        reported(number, len(wanted), found[-1])
    return tuple(found)


def _with_record(case: Case, records: Records | None, place: Position) -> Wish:
    """The wish with the patient's file of the folder. Raises WaykeeperError WKX511 where there is none, or several."""
    if records is None or case.wish.record:
        return case.wish
    known = records.of(str(case.patient), place)
    if not isinstance(known, str):
        raise WaykeeperError(known)
    return replace(case.wish, record=known)


def cases_of(path: str, common: Wish) -> tuple[Case, ...]:
    """The rows of a table. Raises WaykeeperError with every row that cannot be read, with its line."""
    system = inputs.clinic_of(common.clinic).patient_identifier_system if common.clinic else ""
    found, wrong, seen = [], [], dict[tuple[Identifier, int, str], int]()
    for line, row in own_table.rows(path, own_table.Columns(COLUMNS[:2], COLUMNS)):
        place = Position(path, line)
        try:
            case = _case(line, row, common, system)
        except WaykeeperError as refused:
            wrong += [replace(f, position=place) for f in refused.findings]
            continue
        first = seen.setdefault((case.patient, case.episode, case.wish.pathway), line)
        if first != line:
            wrong.append(finding("WKC201", f"the patient of this line stands on line {first} too", place))
        found.append(case)
    if wrong:
        raise WaykeeperError(wrong)
    if not found:
        raise WaykeeperError(finding("WKC102", "the table has no row below its header", Position(path)))
    return tuple(found)


def _case(line: int, row: Mapping[str, str], common: Wish, system: str) -> Case:
    patient, surgery = row["patient"], row["surgery"]
    if not patient or not surgery:
        remedy = f"Write the new date and time, or {AS_IT_STANDS} where it stays." if patient else ""
        raise WaykeeperError(finding("WKC203", f"the {'surgery' if patient else 'patient'} is missing", help=remedy))
    if surgery.casefold() == AS_IT_STANDS:
        surgery = ""
    said = {name: row.get(name, "") for name in ("discharge", "side", "anaesthesia", "record")}
    number = row.get("episode") or "1"
    if not number.isdecimal() or int(number) < 1:
        raise WaykeeperError(finding("WKC201", f"the episode is {number!r}, it counts from 1"))
    pathway = row.get("pathway") or common.pathway
    wish = checked(replace(common, surgery=surgery, pathway=pathway, **said))
    return Case(line, inputs.identifier_of(inputs.with_system(patient, system), "patient"), wish, int(number))
