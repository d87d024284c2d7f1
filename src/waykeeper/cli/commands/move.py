"""`waykeeper move`."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Annotated, Any

import typer

from waykeeper.cli.errors import CANNOT, DONE, FOUND, INTERRUPTED, NO_ANSWER
from waykeeper.cli.errors import report as say
from waykeeper.cli.options import AsOfOption, EpisodeOption, FormatOption, PatientOption
from waykeeper.cli.session import CAUTION, end, patient_of, put, server_of

if TYPE_CHECKING:
    from waykeeper.cli.settings import ServerEntry
    from waykeeper.findings import Finding
    from waykeeper.verbs.moving import Move
    from waykeeper.verbs.moving_many import NotMoved

_Write = Callable[[], None]
MOVED = "The plan is moved. Run it again once this can be written: it changes nothing, and says and writes the same."


def move(
    from_: Annotated[str, typer.Option("--from", help="A FHIR server, or the plan's file.", metavar="URL|FILE")],
    patient: PatientOption = "",
    surgery: Annotated[str, typer.Option("--surgery", help="The new date and time, 2026-04-08T07:30.")] = "",
    discharge: Annotated[str, typer.Option("--discharge", help="The date of discharge.")] = "",
    side: Annotated[str, typer.Option("--side", help="The side corrected: left or right.")] = "",
    anaesthesia: Annotated[
        str, typer.Option("--anaesthesia", help="general, spinal, deep-block, superficial-block or unknown.")
    ] = "",
    pathway: Annotated[
        str, typer.Option("--pathway", help="A new version, or which of several plans: a name or a file.")
    ] = "",
    clinic: Annotated[
        str, typer.Option("--clinic", help="The clinic: a file or a name; the library's of the plan's address.")
    ] = "",
    record: Annotated[
        str,
        typer.Option(
            "--record", help="The patient's record, where the plan's place does not hold it; with --cases a folder."
        ),
    ] = "",
    cases: Annotated[
        str, typer.Option("--cases", help="CSV of patient,surgery: a closed theatre day.", metavar="CSV")
    ] = "",
    episode: EpisodeOption = 1,
    reason: Annotated[str, typer.Option("--reason", help="Why it moved; goes into the Provenance.")] = "",
    by: Annotated[str, typer.Option("--by", help="Who moved it; goes into the Provenance.")] = "",
    reinstate: Annotated[
        bool, typer.Option("--reinstate", help="Bring a plan back that was withdrawn, or put on hold by hand.")
    ] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say everything, send nothing.")] = False,
    as_of: AsOfOption = "",
    format_: FormatOption = "text",
    html: Annotated[str, typer.Option("--html", help="Also write the page.")] = "",
    json_: Annotated[str, typer.Option("--json", help="Also write JSON.")] = "",
    sheet: Annotated[str, typer.Option("--sheet", help="Also write the patient's new sheet.")] = "",
    ics: Annotated[str, typer.Option("--ics", help="Also write the patient's new calendar.")] = "",
    output: Annotated[str, typer.Option("--output", "-o", help="From a file: file for the new Bundle.")] = "",
    show_identifiers: Annotated[bool, typer.Option("--show-identifiers", help="Identifiers in full.")] = False,
) -> None:
    """Move surgery (or side, anaesthesia, version): one command re-dates the plan and says whom to call about what."""

    def work() -> int:
        from waykeeper.exchange.files import to_be_written
        from waykeeper.verbs import words

        words.choice(format_, ("text", "json"), "--format", needed=True)
        server = _place(from_)
        _fitting(server.url, cases, patient, output, surgery, sheet or ics)
        _for_one(cases, reinstate, discharge=discharge, side=side, anaesthesia=anaesthesia, episode=episode != 1)
        to_be_written((html, json_, sheet, ics, output))
        shown = _Shown(format_, html, json_, show_identifiers, server.url)
        how = {"pathway": pathway, "clinic": clinic, "record": record, "reason": reason, "by": by, "as_of": as_of}
        if cases:
            return _many(server, cases, shown, dry_run=dry_run, **how)
        made = _one(
            server, patient=patient_of(patient, clinic), surgery=surgery, discharge=discharge, side=side,
            anaesthesia=anaesthesia, episode=episode, reinstate=reinstate, dry_run=dry_run, **how,
        )  # fmt: skip
        written = shown.print([made.told], (), _files(made, output, sheet, ics))
        return written or (FOUND if any(f.severity == "error" for f in made.told.findings) else DONE)

    end(work)


def _place(from_: str) -> ServerEntry:
    """The server by address or name, or a file as it is."""
    from pathlib import Path

    from waykeeper.cli.settings import ServerEntry

    if "://" not in from_ and (Path(from_).exists() or from_.endswith((".json", ".ndjson", ".gz")) or "/" in from_):
        return ServerEntry(from_)
    return server_of(from_, "--from")


def _fitting(url: str, cases: str, patient: str, output: str, surgery: str, printed: str) -> None:
    """Options that exclude each other. Raises WaykeeperError WKC203, WKC204."""
    from waykeeper.findings import WaykeeperError, finding
    from waykeeper.verbs import words

    is_server = words.is_url(url)
    wrong = ""
    if not is_server and (cases or patient):
        wrong = f"{'--cases' if cases else '--patient'} needs a server, --from is a file"
    elif not is_server and not output:
        raise WaykeeperError(finding("WKC203", "--output is missing", help="Add --output FILE for the new Bundle."))
    elif is_server and output:
        wrong = "--output is for a plan in a file; a server gets the plan itself"
    elif cases and (patient or surgery):
        wrong = f"--cases and {'--patient' if patient else '--surgery'} exclude each other: the table says both"
    elif cases and printed:
        wrong = "--sheet and --ics are for one patient"
    if wrong:
        raise WaykeeperError(finding("WKC203", wrong))


def _for_one(cases: str, reinstate: bool, **named: object) -> None:
    """Options that a table has a column for, or that are a word about one plan. Raises WaykeeperError WKC203."""
    from waykeeper.findings import WaykeeperError, finding

    given = [f"--{name}" for name, value in named.items() if value]
    if cases and given:
        details = f"{given[0]} and --cases exclude each other: the table has a column for it"
        raise WaykeeperError(finding("WKC203", details))
    if cases and reinstate:
        details = "--reinstate is a word about one plan, --cases names many"
        raise WaykeeperError(finding("WKC203", details, help="Bring that plan back by itself, with --patient."))


class _Shown:
    """Where the outcome goes."""

    def __init__(self, format_: str, html: str, json_: str, whole: bool, source: str) -> None:
        """As the options say."""
        self.format, self.html, self.json, self.whole, self.source = format_, html, json_, whole, source

    def print(self, told: list[Any], failed: tuple[tuple[str, str], ...], beside: Iterable[_Write] = ()) -> int:
        """Side files first, then the payload; each, whatever became of the others. Gives the exit code of that."""
        from waykeeper.findings import WaykeeperError

        lost: list[Finding] = []
        for write in (*beside, *self._writes(told, failed)):
            try:
                write()
            except WaykeeperError as refused:
                lost += refused.findings
        moved = any(one.status == "moved" for one in told)
        say([replace(one, help=MOVED) for one in lost] if moved else lost)
        return (NO_ANSWER if moved else CANNOT) if lost else DONE

    def _writes(self, told: list[Any], failed: tuple[tuple[str, str], ...]) -> Iterator[_Write]:
        from waykeeper.exchange.files import write_whole
        from waykeeper.report.move_page import move_html
        from waykeeper.report.move_text import move_text
        from waykeeper.report.moves import move_json
        from waykeeper.verbs.output import as_json, console_width

        document = move_json(told) | {"not_moved": [{"patient": who, "why": why} for who, why in failed]}
        if self.html:
            page = move_html(told, failed=failed, show_identifiers=self.whole, source=self.source)
            yield partial(write_whole, self.html, page)
        if self.json:
            yield partial(write_whole, self.json, as_json(document))
        if self.format == "json":
            yield partial(put, as_json(document))
        else:
            text = move_text(told, console_width(), failed=failed, show_identifiers=self.whole)
            yield partial(put, f"{text}\n{CAUTION}\n")


def _one(server: ServerEntry, **options: Any) -> Move:
    from waykeeper.verbs.moving import move as move_one

    return move_one(server.url, holds=server.holds, **options)


def _many(server: ServerEntry, cases: str, shown: _Shown, **options: Any) -> int:
    """One page for all; what was done is said even where a person interrupts."""
    from waykeeper.verbs.moving_many import NotMoved, move_all

    found: list[Move | NotMoved] = []

    def reported(number: int, of: int, one: Move | NotMoved) -> None:
        found.append(one)
        if sys.stderr.isatty():
            print(f"{number} of {of}", file=sys.stderr)

        if isinstance(one, NotMoved):
            for said in _placed(one, cases):
                print(said, file=sys.stderr)

    interrupted = False
    try:
        move_all(server.url, cases, holds=server.holds, reported=reported, **options)
    except KeyboardInterrupt:
        interrupted = True
    failed = tuple((_named(one, shown.whole), _why(one)) for one in found if isinstance(one, NotMoved))
    told = [one.told for one in found if not isinstance(one, NotMoved)]
    written = shown.print(told, failed) if found else DONE
    if interrupted:
        print("interrupted: run it again, the rest is moved and nothing is done twice", file=sys.stderr)
        return INTERRUPTED
    codes = [one.exit_code for one in found if isinstance(one, NotMoved)]
    wrong = any(f.severity == "error" for one in told for f in one.findings)
    return max([written, *codes]) or (FOUND if wrong else DONE)


def _placed(one: NotMoved, cases: str) -> list[str]:
    """Why a row was not moved, at its line of the table."""
    from dataclasses import replace

    from waykeeper.findings import Position

    return [replace(f, position=Position(cases, one.case.line)).line() for f in one.findings]


def _named(one: NotMoved, whole: bool) -> str:
    from waykeeper.report.plain import shortened

    known = one.case.patient.value if whole else shortened(str(one.case.patient))
    return f"line {one.case.line}, patient {known}"


def _why(one: NotMoved) -> str:
    return "; ".join(f"{f.details} ({f.code}){f'. {f.help}' if f.help else ''}" for f in one.findings)


def _files(made: Move, output: str, sheet: str, ics: str) -> Iterator[_Write]:
    """What is written beside the page."""
    from waykeeper.exchange.files import write_whole
    from waykeeper.verbs.output import bundle_bytes
    from waykeeper.verbs.printing import calendar_of, sheet_of

    if output and made.bundle is not None:
        yield partial(write_whole, output, bundle_bytes(made.bundle))
    if sheet:
        yield partial(write_whole, sheet, sheet_of(made))
    if ics:
        yield partial(write_whole, ics, calendar_of(made))
