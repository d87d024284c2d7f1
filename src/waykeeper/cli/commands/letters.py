"""`waykeeper letters`."""

from __future__ import annotations

from typing import Annotated

import typer

from waykeeper.cli.errors import report as say
from waykeeper.cli.options import (
    AsOfOption,
    LanguageOption,
    MappingOption,
    OwnerOption,
    PhaseOption,
    ProcedureOption,
    SourcesOption,
    SurgeonOption,
    TheatreListOption,
    WeekOption,
)
from waykeeper.cli.session import end, level, put, source_of


def letters(
    from_: SourcesOption,
    output: Annotated[str, typer.Option("--output", "-o", help="Folder for the pages.", metavar="FOLDER")],
    as_of: AsOfOption = "",
    kind: Annotated[str, typer.Option("--kind", help="letter, call or both.")] = "both",
    language: LanguageOption = "",
    theatre_list: TheatreListOption = "",
    surgeon: SurgeonOption = "",
    procedure: ProcedureOption = "",
    phase: PhaseOption = "",
    owner: OwnerOption = "",
    week: WeekOption = "",
    mapping: MappingOption = "",
    show_identifiers: Annotated[bool, typer.Option("--show-identifiers", help="Identifiers in full.")] = False,
) -> None:
    """One-page letters and call scripts about the gaps, none for a patient who died or withdrew."""

    def work() -> int:
        from waykeeper.exchange.files import folder_for, write_whole
        from waykeeper.findings import Position, WaykeeperError, finding
        from waykeeper.report.plain import clean, shortened
        from waykeeper.verbs.comparing import with_plans
        from waykeeper.verbs.writing import known, letters_of

        known(kind, language)
        found = with_plans(
            *(source_of(one) for one in from_), as_of=as_of or None, theatre_list=theatre_list, surgeon=surgeon,
            procedure=procedure, phase=phase, owner=owner, week=week or None, mapping=mapping,
        )  # fmt: skip
        say(found.findings)
        written = letters_of(found, kind=kind, language=language)
        folder = folder_for(output)
        if any(folder.glob("*-letter.html")) or any(folder.glob("*-call.html")):
            # one may be for somebody who died since
            details = "the folder holds letters of another run"
            raise WaykeeperError(finding("WKC222", details, Position(output), "Name a new folder, or empty this one."))
        lines = []
        for number, one in enumerate(written, 1):
            pages = ((f"{number:03}-letter.html", one.letter), (f"{number:03}-call.html", one.call))
            for name, page in pages:
                if page:
                    write_whole(str(folder / name), page)
            who, value = one.plan.patient, str(one.plan.patient.identifier)
            shown = value.rpartition("|")[2] if show_identifiers else shortened(value)
            made = [name for name, page in pages if page] or ["nothing"]
            why = "; ".join(f.details for f in one.why)
            lines.append(clean(f"{number:03} {who.name} ({shown}): {', '.join(made)}{f' ({why})' if why else ''}"))
        put("\n".join(lines or ["No gap, so no letter and no call."]) + "\n")
        return level(found.findings, "error")  # a booking that could not be read: a letter may be missing

    end(work)
