"""`waykeeper compile`."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from waykeeper.cli.errors import DONE, report
from waykeeper.cli.options import ClinicOption, EpisodeOption, FromOption
from waykeeper.cli.session import count, end, server_of, summary


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
            from_=server_of(from_, "--from").url,
        )  # fmt: skip
        write_whole(output, bundle_bytes(made.bundle))
        report(made.findings)
        if table:
            print(plan_table(made.plan), file=sys.stderr)
        resources = len(made.bundle["entry"])
        counted = f"{count(len(made.plan.items), 'item')}, {count(resources, 'resource')}"
        print(f"{counted}; {summary(made.findings)}", file=sys.stderr)
        return DONE

    end(work)
