"""`waykeeper compile`."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from waykeeper.cli.errors import DONE, report
from waykeeper.cli.options import ClinicOption, EpisodeOption, FromOption, MappingOption
from waykeeper.cli.session import end, server_of, summary
from waykeeper.counting import counted

JOBS = 2
UNKNOWN = "unknown"


def compile(  # noqa: A001 - the verb of the trade
    pathway: Annotated[str, typer.Argument(help="A name of the library or a file.", metavar="PATHWAY")],
    clinic: ClinicOption,
    surgery: Annotated[str, typer.Option("--surgery", help="Local date and time, 2026-03-18T07:30.")] = "",
    patient: Annotated[
        str, typer.Option("--patient", help="File or folder with the patient's record; demo-left is an invented one.")
    ] = "",
    cases: Annotated[
        str, typer.Option("--cases", help="Theatre list: patient,surgery,side,anaesthesia,...", metavar="CSV")
    ] = "",
    mapping: MappingOption = "",
    jobs: Annotated[int, typer.Option("--jobs", help="With --cases: processes at the same time.")] = JOBS,
    discharge: Annotated[str, typer.Option("--discharge", help="Date of discharge, where it is known.")] = "",
    side: Annotated[str, typer.Option("--side", help="left or right.")] = "",
    anaesthesia: Annotated[
        str, typer.Option("--anaesthesia", help="general, spinal, deep-block, superficial-block or unknown.")
    ] = UNKNOWN,
    patient_identifier: Annotated[
        str, typer.Option("--patient-identifier", help="Which identifier the plan uses.", metavar="SYSTEM|VALUE")
    ] = "",
    episode: EpisodeOption = 1,
    from_: FromOption = "",
    output: Annotated[
        str, typer.Option("--output", "-o", help="File for the Bundle, - for stdout; with --cases a folder or .ndjson.")
    ] = "-",
    table: Annotated[bool, typer.Option("--table", help="Also print the plan as a table on stderr.")] = False,
) -> None:
    """Compile a pathway for one patient into a FHIR transaction Bundle."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.cli.many import compile_many
        from waykeeper.exchange.files import write_whole
        from waykeeper.report.plan_text import plan_table
        from waykeeper.verbs.output import bundle_bytes

        if cases:
            _alone({"--surgery": surgery, "--discharge": discharge, "--side": side,
                    "--anaesthesia": anaesthesia != UNKNOWN, "--episode": episode != 1,
                    "--patient-identifier": patient_identifier, "--table": table})  # fmt: skip
            return compile_many(
                pathway, clinic=clinic, cases=cases, output=output, patient=patient, mapping=mapping, jobs=jobs,
                from_=server_of(from_, "--from").url,
            )  # fmt: skip
        _dated(surgery)
        made = verbs.compile(
            pathway, clinic=clinic, patient=patient, surgery=surgery, discharge=discharge, side=side,
            anaesthesia=anaesthesia, patient_identifier=patient_identifier, episode=episode,
            from_=server_of(from_, "--from").url,
        )  # fmt: skip
        write_whole(output, bundle_bytes(made.bundle))
        report(made.findings)
        if table:
            print(plan_table(made.plan), file=sys.stderr)
        resources = len(made.bundle["entry"])
        sizes = f"{counted(len(made.plan.items), 'item')}, {counted(resources, 'resource')}"
        print(f"{sizes}; {summary(made.findings)}", file=sys.stderr)
        return DONE

    end(work)


def _dated(surgery: str) -> None:
    """Raises WaykeeperError WKC205 where neither a list nor `--surgery` says when."""
    from waykeeper.findings import WaykeeperError, finding

    if not surgery:
        raise WaykeeperError(finding("WKC205", "missing option '--surgery'", help="See waykeeper compile --help."))


def _alone(given: dict[str, object]) -> None:
    """Raises WaykeeperError WKC203 for an option that the list says for each case."""
    from waykeeper.findings import WaykeeperError, finding

    for option, value in given.items():
        if value:
            said = f"--cases and {option} exclude each other: the list says it of each case"
            raise WaykeeperError(finding("WKC203", said, help=f"Leave {option} out."))
