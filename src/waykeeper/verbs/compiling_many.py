"""A theatre list and the patients' records -> a plan for each case; one that fails is listed, the rest goes on."""

from __future__ import annotations

import difflib
import os
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from waykeeper.exchange.connection import Connection, ServerUrl, as_connection
from waykeeper.exchange.files import unwritable, write_whole
from waykeeper.exchange.sources.mapping import CASE_COLUMNS, Table, read_mapping, word
from waykeeper.exchange.sources.table import SPOILT, Row, called_off, headings, not_set, read_table, spoilt
from waykeeper.exchange.sources.times import UnreadableTimeError, local, parse
from waykeeper.findings import Finding, Position, WaykeeperError, did_you_mean, finding
from waykeeper.verbs import inputs, words
from waykeeper.verbs.processes import processes, result_of
from waykeeper.verbs.records_of_many import Records
from waykeeper.verbs.words import PathText, as_text

COLUMNS = ("patient", "surgery", "discharge", "side", "anaesthesia", "pathway", "episode", "status")
NEEDED = ("patient", "surgery")
MOST_JOBS = 16


@dataclass(frozen=True, slots=True)
class Case:
    """One row of the list; `patient` is `system|value`.

    day, hour    what the cells say where no day, or no hour, is set (TBC)
    unread       why the row is nobody's operation on a day
    wrong        why no plan can be made of it all the same
    """

    place: Position
    patient: str
    surgery: str
    discharge: str = ""
    side: str = ""
    anaesthesia: str = ""
    pathway: str = ""
    episode: int = 1
    off: bool = False  # the list has it as cancelled
    procedure: str = ""
    day: str = ""
    hour: str = ""
    unread: tuple[Finding, ...] = ()
    wrong: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Compiling:
    """What is common to all cases, and where the bundles go."""

    pathway: str
    clinic: str
    from_: Connection | None
    folder: str
    lines: bool


@dataclass(frozen=True, slots=True)
class CaseOutcome:
    """What became of a case: the file of its bundle, or why there is none."""

    case: Case
    file: str = ""
    findings: tuple[Finding, ...] = ()

    @property
    def failed(self) -> bool:
        """True where there is no plan."""
        return not self.file


@dataclass(frozen=True, slots=True)
class CasesReport:
    """Every case of the list, in its order."""

    outcomes: tuple[CaseOutcome, ...]
    output: str

    @property
    def failed(self) -> tuple[CaseOutcome, ...]:
        """The cases without a plan."""
        return tuple(o for o in self.outcomes if o.failed)


def compile_all(
    pathway: PathText,
    *,
    clinic: PathText,
    cases: PathText,
    output: PathText,
    patient: PathText = "",
    from_: str = "",
    mapping: PathText = "",
    jobs: int = 2,
    found: Callable[[int], None] = lambda _: None,
    reported: Callable[[CaseOutcome], None] = lambda _: None,
) -> CasesReport:
    """Compile a plan for each case of a theatre list.

    cases     CSV with the columns patient, surgery and, where known, discharge, side, anaesthesia, pathway, episode,
              status
    output    a new folder, or a file that ends in .ndjson; it appears when the last case is done, whole
    patient   a folder of records, one file a patient
    from_     a server: the records where no folder is given, and the answers and rounds of plans that stand
    mapping   what the columns and words of the list mean, where they are not ours
    jobs      processes that compile at the same time

    Raises WaykeeperError where nothing can be compiled: the list as a whole, the clinic, the place for the output.
    """
    pathway, clinic, cases = as_text(pathway), as_text(clinic), as_text(cases)
    output, patient, mapping = as_text(output), as_text(patient), as_text(mapping)
    words.positive(jobs, "--jobs")
    if jobs > MOST_JOBS:
        raise WaykeeperError(finding("WKC201", f"--jobs is {jobs}, at most {MOST_JOBS} processes"))
    if not patient and not from_:
        raise WaykeeperError(finding("WKC203", "no records are given", help="Give --patient FOLDER, or --from URL."))
    known = inputs.clinic_of(clinic)
    inputs.pathway_of(pathway, known, clinic)
    read = read_cases(cases, known.patient_identifier_system, mapping, lambda _: known.zone)
    listed = tuple(_called_off(one) if isinstance(one, Case) and one.off else one for one in read)
    records = Records(patient) if patient else None
    with _place(output) as folder:
        server = as_connection(from_) if from_ else None
        common = Compiling(pathway, clinic, server, folder, output.endswith(".ndjson"))
        made = _compiled(listed, records, common, jobs, found, reported)
        report = CasesReport(tuple(made), output)
        if len(report.failed) < len(made):
            _settle(folder, output, made)
    return report


def _record(one: Case | CaseOutcome, records: Records | None) -> str | Finding:
    return records.of(one.patient, one.place) if records and isinstance(one, Case) else ""


def _compiled(
    listed: Sequence[Case | CaseOutcome], records: Records | None, common: Compiling, jobs: int,
    found: Callable[[int], None], reported: Callable[[CaseOutcome], None],
) -> list[CaseOutcome]:  # fmt: skip
    """Every case in the order of the list, as soon as it is known."""
    found(len(listed))
    work = [(one, _record(one, records), common) for one in listed]
    made = []
    with _workers(min(jobs, max(len(work), 1))) as run:
        for outcome in run(work):
            made.append(outcome)
            reported(outcome)
    return made


Task = tuple[Case | CaseOutcome, str | Finding, Compiling]


@contextmanager
def _workers(jobs: int) -> Iterator[Callable[[Sequence[Task]], Iterator[CaseOutcome]]]:
    """Processes of their own, or this one for a single job."""
    if jobs == 1:
        yield lambda tasks: map(_one, tasks)
        return
    with processes(jobs) as pool:
        yield lambda tasks: (result_of(done) for done in [pool.submit(_one, task) for task in tasks])


def _one(task: Task) -> CaseOutcome:
    """Compile one case in a process of its own; its bundle is written there."""
    from waykeeper.verbs.compiling import compile as compile_one
    from waykeeper.verbs.output import bundle_bytes

    case, record, common = task
    if isinstance(case, CaseOutcome):
        return case
    if isinstance(record, Finding):
        return CaseOutcome(case, findings=(record,))
    try:
        made = compile_one(
            case.pathway or common.pathway, clinic=common.clinic, patient=record, surgery=case.surgery,
            discharge=case.discharge, side=case.side, anaesthesia=case.anaesthesia or "unknown",
            patient_identifier=case.patient, episode=case.episode,
            from_=ServerUrl(common.from_) if common.from_ else "",
        )  # fmt: skip
    except WaykeeperError as error:
        return CaseOutcome(case, findings=tuple(_placed(f, case) for f in error.findings))
    name = f"{made.plan.episode.uuid('plan', 'plan', 'plan')}.json"
    content = _line(made.bundle) if common.lines else bundle_bytes(made.bundle)
    write_whole(str(Path(common.folder) / name), content)
    return CaseOutcome(case, name, tuple(_placed(f, case) for f in made.findings))


def _placed(one: Finding, case: Case) -> Finding:
    """A finding at the row of the case; where it lies in a file, that is said too."""
    inside = f" (in {one.position})" if one.position.file else ""
    return replace(one, details=f"{one.details}{inside}", position=case.place)


def _line(bundle: Mapping[str, Any]) -> bytes:
    import orjson

    return orjson.dumps(bundle, option=orjson.OPT_APPEND_NEWLINE)


# the list


def read_cases(
    path: str, system: str, mapping: str = "", zone_of: Callable[[str], str] | None = None
) -> tuple[Case | CaseOutcome, ...]:
    """The rows of a theatre list in their order; one that cannot be read is an outcome already.

    system    of the patients' identifiers, for a number without one
    zone_of   the clinic's zone of a patient: a time that the mapping states in another zone, or with an offset, is
              turned into it

    Raises WaykeeperError WKX405 and the like where the list cannot be read as a whole.
    """
    made = [
        CaseOutcome(one, findings=found) if (found := (*one.unread, *one.wrong)) else one
        for one in listed_cases(path, system, mapping, zone_of)
    ]
    names = Counter((one.patient, one.episode) for one in made if isinstance(one, Case) and not one.off)
    return tuple(
        _twice(one) if isinstance(one, Case) and not one.off and names[one.patient, one.episode] > 1 else one
        for one in made
    )


def listed_cases(
    path: str, system: str, mapping: str = "", zone_of: Callable[[str], str] | None = None
) -> tuple[Case, ...]:
    """Every row of a theatre list as it stands there, also those of which no plan can be made; as `read_cases`."""
    table, own_system, zone = _table(path, mapping)
    rows = list(read_table(path, table, optional=tuple(c for c in CASE_COLUMNS if c not in NEEDED)))
    if not rows:
        raise WaykeeperError(finding("WKX405", "the list has no row below its header", Position(path, 1)))
    return tuple(_in_zone(_case(row, table, own_system or system), zone, zone_of) for row in rows)


def _called_off(case: Case) -> CaseOutcome:
    said = "the list has the operation as called off: no plan is made for it"
    return CaseOutcome(case, findings=(finding("WKX514", said, case.place),))


def _twice(case: Case) -> CaseOutcome:
    said = f"two rows of the list name this patient with episode {case.episode}"
    return CaseOutcome(case, findings=(finding("WKX513", said, case.place),))


def _in_zone(one: Case, zone: str, zone_of: Callable[[str], str] | None) -> Case:
    """A case with its times by the clinic's clock, as bookings of the same mapping have them."""
    if not zone or zone_of is None:
        return one
    clinic = zone_of(one.patient)
    return replace(
        one,
        surgery=_by_clock(one.surgery, zone, clinic, one.place),
        discharge=_by_clock(one.discharge, zone, clinic, one.place),
    )


def _by_clock(text: str, zone: str, clinic: str, place: Position) -> str:
    """`2026-03-18T12:30` of another zone as the clinic's; a day, and midnight, with which lists write one, stay."""
    if "T" not in text:
        return text
    wall = datetime.fromisoformat(text)
    if wall.tzinfo is None and (zone == clinic or not (wall.hour or wall.minute)):
        return text
    at = local(wall, zone, clinic, place)[0].at
    return at.isoformat(timespec="minutes") if at else text


def _table(path: str, mapping: str) -> tuple[Table, str, str]:
    """How the list is written: by the mapping, else with our own names and dates; a mapping's system and zone."""
    if mapping:
        known = read_mapping(mapping)
        if known.cases is None:
            raise WaykeeperError(finding("WKX400", "the mapping has no cases part", Position(mapping)))
        lacking = [c for c in NEEDED if c not in known.cases.columns]
        if lacking:
            details = f"cases.columns names no column for {' and '.join(lacking)}"
            raise WaykeeperError(finding("WKX400", details, Position(mapping)))
        return known.cases, known.systems["patient"], known.zone
    header, delimiter = headings(path, ",;\t")
    _understood(header, path)
    return Table(delimiter=delimiter, columns={c: c for c in COLUMNS}), "", ""


def _understood(header: Sequence[str], path: str) -> None:
    """A heading that is nearly one of ours is a slip: its column would be left out in silence.

    Where the headings are the hospital's own all that is wrong is told at once, and where to name them.
    """
    found: list[Finding] = []
    meant: set[str] = set()
    for name in header:
        near = difflib.get_close_matches(name.lower(), COLUMNS, n=1, cutoff=0.75)
        if name not in COLUMNS and near:
            meant.update(near)
            details = f"the column {name!r} is not known"
            found.append(finding("WKX405", details, Position(path, 1), did_you_mean(name.lower(), COLUMNS)))
    remedy = f"The headings are {', '.join(COLUMNS)}. Name your own under `cases` of a mapping, with --mapping."
    for name in NEEDED:
        if name not in header and name not in meant and header[1:]:  # of one column alone the mark may be another
            found.append(finding("WKX405", f"the column {name!r} is not there", Position(path, 1), remedy))
    if found:
        raise WaykeeperError(found)


def _case(row: Row, table: Table, system: str) -> Case:
    if row.wrong is not None:
        return Case(row.at(""), "", "", unread=(row.wrong,))
    unread: list[Finding] = []
    wrong: list[Finding] = []
    undated, no_hour = not_set(row["surgery"]), bool(row["time"]) and not_set(row["time"])
    patient = row["patient"] if "|" in row["patient"] or not row["patient"] else f"{system}|{row['patient']}"
    made = Case(
        row.at("patient"), patient, "" if undated else _moment(row, "surgery", table, unread),
        _moment(row, "discharge", table, wrong), _word(row, "side", table, inputs.SIDES, wrong),
        _word(row, "anaesthesia", table, inputs.ANAESTHESIA, wrong), _word(row, "pathway", table, (), wrong),
        _episode(row, wrong), called_off(row["status"]), row["procedure"],
        row["surgery"] if undated else "", row["time"] if no_hour else "",
    )  # fmt: skip
    if spoilt(row["patient"]):
        unread.append(finding("WKX510", SPOILT, row.at("patient")))
    if not row["patient"]:
        unread.append(finding("WKX510", "the patient is blank", row.at("patient")))
    if undated:
        said = f"{row['surgery']!r} is no day" if row["surgery"] else "the surgery is blank"
        wrong.append(finding("WKX510", said, row.at("surgery")))
    if no_hour:
        wrong.append(finding("WKX510", f"{row['time']!r} is no time", row.at("time")))
    return replace(made, unread=tuple(unread), wrong=tuple(wrong))


def _moment(row: Row, name: str, table: Table, wrong: list[Finding]) -> str:
    """A cell as our own date, or date and time."""
    stated = table.formats.get("date")
    if not row[name] or not stated:
        return row[name]
    clock = table.formats.get("time", "") if name == "surgery" and not not_set(row["time"]) else ""
    try:
        day = parse(row[name], stated)
        at = parse(row["time"], clock).timetz() if clock else None
    except UnreadableTimeError as error:
        if error.swapped:
            said = f"{error}, but would be with day and month exchanged: no date of this list can be trusted"
            raise WaykeeperError(finding("WKX410", said, row.at(name))) from None
        wrong.append(finding("WKX510", str(error), row.at(name)))
        return ""
    if at is None:
        return day.isoformat(timespec="minutes") if "%H" in stated or "%I" in stated else day.date().isoformat()
    return datetime.combine(day.date(), at).isoformat(timespec="minutes")


def _word(row: Row, name: str, table: Table, allowed: Sequence[str], wrong: list[Finding]) -> str:
    """A cell through the mapping's words; it must come out as one of ours."""
    said = row[name]
    meant = table.values.get(name, {}).get(word(said), said.lower() if allowed else said)
    if meant and allowed and meant not in allowed:
        wrong.append(finding("WKX510", f"{name} is {said!r}", row.at(name), did_you_mean(meant, allowed)))
    return meant


def _episode(row: Row, wrong: list[Finding]) -> int:
    said = row["episode"] or "1"
    if said.isascii() and said.isdigit() and int(said) > 0:
        return int(said)
    wrong.append(finding("WKX510", f"the episode is {said!r}, it counts from 1", row.at("episode")))
    return 1


# the output


@contextmanager
def _place(output: str) -> Iterator[str]:
    """A folder beside the output that is filled first; taken away where it is not wanted in the end.

    Raises WaykeeperError WKX512 where something stands in the output's place, WKC104 where it cannot be written.
    """
    target = _where(output)
    if output == "-" or not output:
        remedy = "Add --output FOLDER, or --output FILE.ndjson."
        raise WaykeeperError(finding("WKC203", "--output is missing: many plans need a place", help=remedy))
    if output.endswith(".ndjson"):
        if target.exists() and not target.is_file():
            said = "it is a folder" if target.is_dir() else "it is a device or a pipe"
            raise WaykeeperError(finding("WKX512", f"{said}, a file is needed", Position(output)))
    elif target.exists() and (not target.is_dir() or any(target.iterdir())):
        said = "the folder is not empty" if target.is_dir() else "a file stands there"
        raise WaykeeperError(finding("WKX512", said, Position(output)))
    try:
        folder = tempfile.mkdtemp(prefix=f".{target.name}.", dir=target if os.path.ismount(target) else target.parent)
    except OSError as error:
        beside = Path(output).parent
        said = str(error.strerror).lower() if beside.is_dir() else f"there is no folder {str(beside)!r}"
        raise WaykeeperError(finding("WKC104", f"cannot write: {said}", Position(output))) from None
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _where(output: str) -> Path:
    """What stands in the output's place, where that is a link what it leads to: the link itself stands."""
    return Path(os.path.realpath(output))


def _settle(folder: str, output: str, made: Sequence[CaseOutcome]) -> None:
    """Put what is finished in its place, in one step; a folder that is a disk of its own cannot give way to another, so
    that the files are moved into it. Raises WaykeeperError WKC104."""
    files = [Path(folder) / one.file for one in made if one.file]
    target = _where(output)
    try:
        if output.endswith(".ndjson"):
            whole = Path(folder) / "whole.ndjson"
            with whole.open("wb") as stream:
                for file in files:
                    stream.write(file.read_bytes())
            whole.chmod(0o600)
            whole.replace(target)
        elif os.path.ismount(target):
            for file in files:
                file.replace(target / file.name)
        else:
            if target.is_dir():
                target.rmdir()
            Path(folder).replace(target)
    except OSError as error:
        raise unwritable(output, str(error.strerror or error).lower()) from None
