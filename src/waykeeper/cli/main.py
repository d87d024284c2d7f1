"""The command line: arguments -> verb -> rendering -> exit code. Everything heavy is imported inside the commands."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from waykeeper.cli.errors import DONE, FOUND, guarded, interrupted, misused, report
from waykeeper.cli.settings import ServerEntry, Settings, read_settings

if TYPE_CHECKING:
    from waykeeper.exchange.report import PushReport

CAUTION = (
    "Waykeeper proposes and reminds; it never prescribes. Licensed prescribers and local policy decide, "
    "and every date is checked by a person before it is relied on."
)
app = typer.Typer(
    name="waykeeper",
    help=f"Care pathways as dated FHIR R4 plans, and who missed what. {CAUTION}",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
_debug = False
_settings = Settings()
# typer carries its own argument parser and does not name the class of its usage errors
_UsageError: type[Exception] = typer.BadParameter.__mro__[2]

FAIL_LEVELS = ("error", "warning")
FailLevelOption = Annotated[str, typer.Option("--fail-level", help="error or warning: exit 1 from there on.")]
FormatOption = Annotated[str, typer.Option("--format", help="What stdout gets.", metavar="FORMAT")]
ClinicOption = Annotated[str, typer.Option("--clinic", help="The clinic: a file or a name of the library.")]
FromOption = Annotated[str, typer.Option("--from", help="A FHIR server.", metavar="URL")]
ToOption = Annotated[str, typer.Option("--to", help="The FHIR server.", metavar="URL")]
AsOfOption = Annotated[str, typer.Option("--as-of", help="The day to look at; today in the clinic's zone.")]
PatientOption = Annotated[str, typer.Option("--patient", help="The patient's identifier.", metavar="SYSTEM|VALUE")]
EpisodeOption = Annotated[int, typer.Option("--episode", help="Number of the episode, from 1.")]
LanguageOption = Annotated[str, typer.Option("--language", help="en or es; the patient's own by default.")]


def _version(wanted: bool) -> None:
    if not wanted:
        return
    from waykeeper import __version__
    from waykeeper.timing import holiday_version
    from waykeeper.validate.tables import version as table_version

    print(f"waykeeper {__version__}, FHIR 4.0.1, spec tables {table_version()}, holiday data {holiday_version()}")
    raise typer.Exit


@app.callback()
def settings(
    context: typer.Context,
    debug: Annotated[bool, typer.Option("--debug", help="Show tracebacks of failures.")] = False,
    _: Annotated[bool, typer.Option("--version", help="Show the versions.", callback=_version, is_eager=True)] = False,
) -> None:
    """Options of every command."""
    global _debug, _settings
    _debug, _settings = debug, read_settings()
    context.default_map = _settings.defaults()


def _end(work: Callable[[], int]) -> NoReturn:
    raise typer.Exit(guarded(work, _debug))


def _summary(findings: Any) -> str:
    """`1 error, 2 warnings, 0 notes`."""
    words = {"error": "error", "warning": "warning", "information": "note"}
    counts = {word: sum(1 for f in findings if f.severity == severity) for severity, word in words.items()}
    return ", ".join(_count(n, word) for word, n in counts.items())


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _server(text: str, option: str) -> ServerEntry:
    """The server of an option, "" for none: by its address, or by its name in the settings."""
    return _settings.server(text, option) if text else ServerEntry("")


def _source(text: str) -> str:
    """A source of `gaps`: the address of a named server, else what was given."""
    return _settings.servers[text].url if text in _settings.servers else text


def _one_source(bundle: str, from_: str) -> str:
    """The server of a sheet: as given; without bundle and option the first server of the settings."""
    chosen = from_ or ("" if bundle else next((one for one in _settings.from_ if _is_server(one)), ""))
    return _server(chosen, "--from").url


def _is_server(text: str) -> bool:
    return text in _settings.servers or text.startswith(("http://", "https://"))


def _put(text: str) -> None:
    """The payload, on standard output."""
    from waykeeper.exchange.files import write_whole

    write_whole("-", text)


def _level(findings: Any, fail_level: str) -> int:
    grave = {"error"} if fail_level == "error" else {"error", "warning"}
    return FOUND if any(f.severity in grave for f in findings) else DONE


@app.command()
def check(
    pathway: Annotated[
        list[str],
        typer.Argument(help="Pathway, overlay, clinic or rule files, or library names.", metavar="PATHWAY..."),
    ],
    format_: FormatOption = "text",
    fail_level: FailLevelOption = "error",
) -> None:
    """Check pathway, overlay, clinic and rule files: every finding with file, line and column."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.report.findings import as_github, as_json, as_text
        from waykeeper.verbs import inputs

        inputs.choice(format_, ("text", "json", "github"), "--format")
        inputs.choice(fail_level, FAIL_LEVELS, "--fail-level")
        found = verbs.check(*pathway)
        writers = {"text": as_text, "json": as_json, "github": as_github}
        _put(writers[format_](found))
        print(f"{len(pathway)} checked: {_summary(found)}", file=sys.stderr)
        return _level(found, fail_level)

    _end(work)


@app.command()
def pathways() -> None:
    """List the pathways of the library."""

    def work() -> int:
        from waykeeper import verbs

        for entry in verbs.pathways():
            _put(f"{entry.name} {entry.version}  {entry.title}, {entry.items} items\n")
        return DONE

    _end(work)


@app.command()
def compile(  # noqa: A001 - the verb of the trade
    pathway: Annotated[str, typer.Argument(help="A name of the library or a file.", metavar="PATHWAY")],
    clinic: ClinicOption,
    surgery: Annotated[str, typer.Option("--surgery", help="Local date and time, 2026-03-18T07:30.")],
    patient: Annotated[str, typer.Option("--patient", help="File or folder with the patient's record.")] = "",
    discharge: Annotated[str, typer.Option("--discharge", help="Date of discharge, where it is known.")] = "",
    side: Annotated[str, typer.Option("--side", help="left or right.")] = "",
    anaesthesia: Annotated[
        str, typer.Option("--anaesthesia", help="general, spinal, deep-block, superficial-block or unknown.")
    ] = "unknown",
    patient_identifier: Annotated[
        str, typer.Option("--patient-identifier", help="Which identifier the plan uses.", metavar="SYSTEM|VALUE")
    ] = "",
    episode: EpisodeOption = 1,
    from_: FromOption = "",
    output: Annotated[str, typer.Option("--output", "-o", help="File for the Bundle, - for stdout.")] = "-",
    table: Annotated[bool, typer.Option("--table", help="Also print the plan as a table on stderr.")] = False,
) -> None:
    """Compile a pathway for one patient into a FHIR transaction Bundle."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.exchange.files import write_whole
        from waykeeper.report.plan_text import plan_table
        from waykeeper.verbs.output import bundle_bytes

        made = verbs.compile(
            pathway, clinic=clinic, patient=patient, surgery=surgery, discharge=discharge, side=side,
            anaesthesia=anaesthesia, patient_identifier=patient_identifier, episode=episode,
            from_=_server(from_, "--from").url,
        )  # fmt: skip
        write_whole(output, bundle_bytes(made.bundle))
        report(made.findings)
        if table:
            print(plan_table(made.plan), file=sys.stderr)
        resources = len(made.bundle["entry"])
        counted = f"{_count(len(made.plan.items), 'item')}, {_count(resources, 'resource')}"
        print(f"{counted}; {_summary(made.findings)}", file=sys.stderr)
        return DONE

    _end(work)


@app.command()
def validate(
    paths: Annotated[list[str], typer.Argument(help="JSON, NDJSON, folders, .gz, or - for stdin.", metavar="PATH...")],
    format_: FormatOption = "text",
    junit: Annotated[str, typer.Option("--junit", help="Also write JUnit XML.", metavar="FILE")] = "",
    sarif: Annotated[str, typer.Option("--sarif", help="Also write SARIF 2.1.0.", metavar="FILE")] = "",
    profile: Annotated[
        list[str] | None, typer.Option("--profile", help="StructureDefinitions: a file or a folder.", metavar="PATH")
    ] = None,
    fail_level: FailLevelOption = "error",
    specification_only: Annotated[
        bool, typer.Option("--specification-only", help="Leave out what is stricter than the specification.")
    ] = False,
    baseline: Annotated[
        str, typer.Option("--baseline", help="Leave out the findings that this file knows.", metavar="FILE")
    ] = "",
    write_baseline: Annotated[
        str, typer.Option("--write-baseline", help="Write what was found as a baseline.", metavar="FILE")
    ] = "",
) -> None:
    """Validate files as FHIR R4 (4.0.1): every finding with file, line, column, rule and remedy."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.exchange.files import write_whole
        from waykeeper.report import validation
        from waykeeper.verbs import inputs
        from waykeeper.verbs.output import as_json

        inputs.choice(format_, ("text", "json", "github"), "--format")
        inputs.choice(fail_level, FAIL_LEVELS, "--fail-level")
        known = inputs.baseline_of(baseline) if baseline else {}
        seen = verbs.validate_files(*paths, profiles=profile or (), stricter=not specification_only)
        checked, covered = validation.without_baseline(seen.checked, known)
        side = ((junit, validation.junit), (sarif, validation.sarif))
        for path, write in side:
            if path:
                write_whole(path, write(checked))
        if write_baseline:
            write_whole(write_baseline, as_json(validation.baseline(seen.checked)))
        _put(validation.stdout_text(checked, format_))
        left_out = f"; {_count(covered, 'finding')} of the baseline left out" if baseline else ""
        print(f"{validation.summary(checked)}{left_out}", file=sys.stderr)
        return _level(validation.findings_of(checked), fail_level)

    _end(work)


@app.command()
def push(
    bundle: Annotated[list[str], typer.Argument(help="Bundles that compile wrote.", metavar="BUNDLE...")],
    to: ToOption,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Print every decision, send nothing.")] = False,
    take: Annotated[
        list[str] | None, typer.Option("--take", help="Answer a conflict: ours:ITEM or theirs:ITEM.")
    ] = None,
    format_: FormatOption = "text",
    fail_on: Annotated[str, typer.Option("--fail-on", help="conflict or change: exit 1 then.")] = "",
) -> None:
    """Merge plans into a FHIR server: one transaction a patient, nobody's work is lost."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.verbs import inputs
        from waykeeper.verbs.output import as_json

        inputs.choice(format_, ("text", "json"), "--format")
        inputs.choice(fail_on, ("conflict", "change"), "--fail-on")
        answers = inputs.takes(take or [])
        server = _server(to, "--to")
        reports: list[PushReport] = []

        def reported(one: PushReport) -> None:
            reports.append(one)
            if format_ == "text":
                _put(one.text())

        try:
            verbs.push(
                *bundle, to=server.url, holds=server.holds, dry_run=dry_run, take=answers,
                reported=reported,
            )  # fmt: skip
        finally:  # what was sent is printed, even if a later plan was refused
            if format_ == "json" and reports:
                _put(as_json([one.json() for one in reports]))
        failed = any(f.severity == "error" for one in reports for f in one.findings)
        conflict = any(one.conflicts for one in reports)
        changed = any(one.changes for one in reports)
        met = (fail_on == "conflict" and conflict) or (fail_on == "change" and (changed or conflict))
        return FOUND if failed or met else DONE

    _end(work)


@app.command()
def gaps(
    from_: Annotated[list[str], typer.Option("--from", help="A server, file or folder; may be repeated.")],
    as_of: AsOfOption = "",
    format_: FormatOption = "text",
    html: Annotated[str, typer.Option("--html", help="Also write the page.")] = "",
    csv: Annotated[str, typer.Option("--csv", help="Also write CSV.")] = "",
    json_: Annotated[str, typer.Option("--json", help="Also write JSON.")] = "",
    hide_names: Annotated[bool, typer.Option("--hide-names", help="No names in the page.")] = False,
    show_identifiers: Annotated[bool, typer.Option("--show-identifiers", help="Identifiers in full.")] = False,
) -> None:
    """Compare planned with actual: who missed what, how it is known, and what to do next."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.exchange.files import write_whole
        from waykeeper.report.gap_files import gaps_csv, gaps_json
        from waykeeper.report.gaps_page import gaps_html
        from waykeeper.report.terminal import terminal
        from waykeeper.verbs import inputs
        from waykeeper.verbs.output import as_json, console_width

        inputs.choice(format_, ("text", "json", "csv"), "--format")
        found = verbs.gaps(*(_source(one) for one in from_), as_of=as_of or None)
        page = ""
        if html:
            page = gaps_html(
                found.worklist, [plan for plan, _ in found.plans], names="hidden" if hide_names else "shown",
                show_identifiers=show_identifiers, checked_against=", ".join(found.sources),
            )  # fmt: skip
        rows, document = gaps_csv(found.worklist), as_json(gaps_json(found.worklist))
        for path, content in ((html, page), (csv, rows), (json_, document)):
            if path:
                write_whole(path, content)
        if format_ == "text":
            _put(terminal(found.worklist, console_width(), show_identifiers=show_identifiers) + f"\n{CAUTION}\n")
        else:
            _put(rows if format_ == "csv" else document)
        return DONE

    _end(work)


@app.command()
def note(
    item: Annotated[str, typer.Argument(help="The item's key, for example task/class.", metavar="ITEM")],
    what: Annotated[
        str, typer.Argument(help="done, released, answered, fact, or another word of its README.", metavar="WHAT")
    ],
    to: ToOption,
    by: Annotated[str, typer.Option("--by", help="Who decided or did it.")],
    patient: PatientOption = "",
    on: Annotated[str, typer.Option("--on", help="The day on which it was done.")] = "",
    text: Annotated[str, typer.Option("--text", help="In words; for fact: yes or no.")] = "",
    days: Annotated[int | None, typer.Option("--days", help="Answered holds: days without a dose.")] = None,
    decision: Annotated[str, typer.Option("--decision", help="Answered holds: hold, continue, adjust ...")] = "",
    episode: EpisodeOption = 1,
) -> None:
    """Record what a person decided or did, as a change of a standard resource."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.findings import WaykeeperError, finding

        if not patient:
            raise WaykeeperError(finding("WKC203", "--patient is missing", help="Add --patient 'SYSTEM|VALUE'."))
        server = _server(to, "--to")
        written = verbs.note(
            item, what, to=server.url, holds=server.holds, patient=patient, by=by, on=on, text=text, days=days,
            decision=decision, episode=episode,
        )  # fmt: skip
        _put(f"{written}\n")
        return DONE

    _end(work)


@app.command()
def sheet(
    bundle: Annotated[str, typer.Argument(help="A bundle; or give --from.", metavar="[BUNDLE]")] = "",
    html: Annotated[str, typer.Option("--html", help="File for the sheet, - for stdout.")] = "",
    from_: FromOption = "",
    patient: PatientOption = "",
    as_of: AsOfOption = "",
    language: LanguageOption = "",
    episode: EpisodeOption = 1,
) -> None:
    """The patient's dated sheet."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.exchange.files import write_whole
        from waykeeper.verbs import inputs

        inputs.needed(html, "--html")
        page = verbs.sheet(
            bundle, from_=_one_source(bundle, from_), patient=patient, as_of=as_of, language=language,
            episode=episode, fallback=_settings.language or "en",
        )  # fmt: skip
        write_whole(html, page)
        return DONE

    _end(work)


@app.command()
def calendar(
    bundle: Annotated[str, typer.Argument(help="A bundle; or give --from.", metavar="[BUNDLE]")] = "",
    ics: Annotated[str, typer.Option("--ics", help="File for the calendar, - for stdout.")] = "",
    from_: FromOption = "",
    patient: PatientOption = "",
    as_of: AsOfOption = "",
    language: LanguageOption = "",
    episode: EpisodeOption = 1,
    sequence: Annotated[int, typer.Option("--sequence", help="0 for the first, one more for each later one.")] = 0,
) -> None:
    """The patient's calendar (iCalendar)."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.exchange.files import write_whole
        from waykeeper.verbs import inputs

        inputs.needed(ics, "--ics")
        made = verbs.calendar(
            bundle, from_=_one_source(bundle, from_), patient=patient, as_of=as_of, language=language,
            episode=episode, sequence=sequence, fallback=_settings.language or "en",
        )  # fmt: skip
        write_whole(ics, made)
        return DONE

    _end(work)


@app.command()
def explain(
    what: Annotated[str, typer.Argument(help="A code such as WKP203, or an item with --in.", metavar="CODE|ITEM")],
    bundle: Annotated[str, typer.Option("--in", help="The bundle that holds the item.")] = "",
) -> None:
    """What a finding's code means, or why an item has its date."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.findings import Entry
        from waykeeper.report.findings import as_page
        from waykeeper.report.plan_text import explain_item

        found = verbs.explain(what, bundle=bundle)
        if isinstance(found, Entry):
            _put(f"{as_page(found)}\n")
        else:
            plan, item = found
            _put(explain_item(plan, item.key))
        return DONE

    _end(work)


@app.command()
def sandbox(
    port: Annotated[int, typer.Option("--port", help="Port on the loopback address.")] = 8080,
    load: Annotated[str, typer.Option("--load", help="Folder of bundles and resources to fill it with.")] = "",
    db: Annotated[str, typer.Option("--db", help="Keep the data in this file.")] = "",
) -> None:
    """Serve the embedded FHIR R4 server on this machine until interrupted."""

    def work() -> int:
        from waykeeper import verbs

        verbs.sandbox(port=port, load=load, db=db)
        return DONE

    _end(work)


@app.command()
def demo(
    output: Annotated[str, typer.Option("--output", help="Folder for what the demo makes.")] = "build/demo",
) -> None:
    """Run the whole job for an invented patient, by the commands that anybody would type."""

    def work() -> int:
        from waykeeper.cli.demo import demo as play

        return play(output, main)

    _end(work)


def main(arguments: list[str]) -> int:
    """One command line in this process; its exit code. Every failure ends here."""

    def parsed() -> int:
        try:
            return int(app(arguments, prog_name="waykeeper", standalone_mode=False) or DONE)
        except typer.Exit as ended:
            return int(ended.exit_code)
        except typer.Abort:
            return interrupted()
        except _UsageError as error:
            return misused(error)

    return guarded(parsed, _debug)


def run() -> NoReturn:
    """The console script."""
    sys.exit(main(sys.argv[1:]))
