"""`waykeeper medicines`."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from waykeeper.cli.errors import DONE, report
from waykeeper.cli.options import AsOfOption, ClinicOption, EpisodeOption, FormatOption, FromOption, PathwayOption
from waykeeper.cli.session import end, put, server_of
from waykeeper.counting import counted


def medicines(
    clinic: ClinicOption,
    surgery: Annotated[str, typer.Option("--surgery", help="Local date and time, 2026-03-18T07:30.")],
    patient: Annotated[str, typer.Option("--patient", help="File or folder with the patient's record.")] = "",
    anaesthesia: Annotated[
        str, typer.Option("--anaesthesia", help="general, spinal, deep-block, superficial-block or unknown.")
    ] = "unknown",
    as_of: AsOfOption = "",
    format_: FormatOption = "text",
    html: Annotated[
        str, typer.Option("--html", help="Also write the page with the form to sign.", metavar="FILE")
    ] = "",
    explain: Annotated[bool, typer.Option("--explain", help="Show how each day was counted.")] = False,
    patient_identifier: Annotated[
        str, typer.Option("--patient-identifier", help="Which patient of the server.", metavar="SYSTEM|VALUE")
    ] = "",
    episode: EpisodeOption = 1,
    from_: FromOption = "",
    pathway: PathwayOption = "",
    show_identifiers: Annotated[bool, typer.Option("--show-identifiers", help="Identifiers in full.")] = False,
) -> None:
    """For each medicine: continue, pause from which day, adjust, or ask. Proposals for a prescriber to sign."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.exchange.files import write_whole
        from waykeeper.report.medicines import medicines_html, medicines_json, medicines_text
        from waykeeper.verbs import words
        from waykeeper.verbs.output import as_json, console_width

        words.choice(format_, ("text", "json"), "--format", needed=True)
        page = verbs.medicines(
            clinic=clinic, surgery=surgery, patient=patient, anaesthesia=anaesthesia, as_of=as_of or None,
            patient_identifier=patient_identifier, episode=episode, from_=server_of(from_, "--from").url,
            show_identifiers=show_identifiers, pathway=pathway,
        )  # fmt: skip
        if html:
            write_whole(html, medicines_html(page))
        if format_ == "json":
            put(as_json(medicines_json(page)))
        else:
            put(medicines_text(page, console_width(), explain=explain))
        asked = sum(bool(row.question) for row in page.rows)
        doubted = sum(row.doubted for row in page.rows)
        unknown = sum(not row.recognised for row in page.rows) - doubted
        listed = counted(sum(row.counted for row in page.rows), "medicine")
        report(page.findings)
        print(
            f"{listed}, {asked} with a question, {unknown} not recognised{f', {doubted} in doubt' if doubted else ''}",
            file=sys.stderr,
        )
        return DONE

    end(work)
