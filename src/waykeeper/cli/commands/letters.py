"""`waykeeper letters`."""

from __future__ import annotations

from collections.abc import Mapping
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
        from waykeeper.report.plain import clean, shortened, value_of
        from waykeeper.verbs.comparing import with_plans
        from waykeeper.verbs.writing import known, letters_of

        known(kind, language)
        found = with_plans(
            *(source_of(one) for one in from_), as_of=as_of or None, theatre_list=theatre_list, surgeon=surgeon,
            procedure=procedure, phase=phase, owner=owner, week=week or None, mapping=mapping,
        )  # fmt: skip
        say(found.findings)
        written = letters_of(found, kind=kind, language=language)
        pages: dict[str, str] = {}
        lines = []
        for number, one in enumerate(written, 1):
            own = {f"{number:03}-letter.html": one.letter, f"{number:03}-call.html": one.call}
            made = {name: page for name, page in own.items() if page}
            pages |= made
            who, value = one.plan.patient, str(one.plan.patient.identifier)
            shown = value_of(value) if show_identifiers else shortened(value)
            why = "; ".join(f.details for f in one.why)
            said = f"{', '.join(made) or 'nothing'}{f' ({why})' if why else ''}"
            lines.append(clean(f"{number:03} {who.name} ({shown}): {said}"))
        _put_in_place(pages, output)
        put("\n".join(lines or ["No gap, so no letter and no call."]) + "\n")
        return level(found.findings, "error")  # a booking that could not be read: a letter may be missing

    end(work)


def _put_in_place(pages: Mapping[str, str], output: str) -> None:
    """All the pages, or none where they cannot all be written: a part of them would look like all that there is.

    What a run that was broken off put there is put there again. Raises WaykeeperError WKC222 where the folder holds any
    other page, which may be for somebody who died since, and WKC104.
    """
    from waykeeper.exchange.files import folder_for, in_bytes, read_bytes, write_together
    from waykeeper.findings import Position, WaykeeperError, finding

    folder = folder_for(output)
    there = [*folder.glob("*-letter.html"), *folder.glob("*-call.html")]
    if not all(in_bytes(pages.get(one.name, "")) == read_bytes(str(one)) for one in there):
        details = "the folder holds letters of another run"
        raise WaykeeperError(finding("WKC222", details, Position(output), "Name a new folder, or empty this one."))
    write_together(folder, pages)
