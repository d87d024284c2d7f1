"""`waykeeper gaps`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from waykeeper.cli.errors import report as say
from waykeeper.cli.options import (
    AsOfOption,
    FormatOption,
    MappingOption,
    OwnerOption,
    PhaseOption,
    ProcedureOption,
    SourcesOption,
    SurgeonOption,
    TheatreListOption,
    WeekOption,
)
from waykeeper.cli.session import CAUTION, end, level, put, source_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from waykeeper.verbs import GapReport


def gaps(
    from_: SourcesOption,
    as_of: AsOfOption = "",
    format_: FormatOption = "text",
    theatre_list: TheatreListOption = "",
    since: Annotated[str, typer.Option("--since", help="JSON of an earlier report: say what changed.")] = "",
    surgeon: SurgeonOption = "",
    procedure: ProcedureOption = "",
    phase: PhaseOption = "",
    owner: OwnerOption = "",
    week: WeekOption = "",
    mapping: MappingOption = "",
    html: Annotated[str, typer.Option("--html", help="Also write the page.", metavar="FILE")] = "",
    csv: Annotated[str, typer.Option("--csv", help="Also write CSV.", metavar="FILE")] = "",
    json_: Annotated[
        str, typer.Option("--json", help="Also write the whole report as JSON, for tomorrow's --since.", metavar="FILE")
    ] = "",
    todo: Annotated[str, typer.Option("--todo", help="Also write the to-dos as iCalendar.", metavar="FILE")] = "",
    hide_names: Annotated[bool, typer.Option("--hide-names", help="No names in the page.")] = False,
    show_identifiers: Annotated[bool, typer.Option("--show-identifiers", help="Identifiers in full.")] = False,
) -> None:
    """Compare planned with actual: who missed what, how it is known, and what to do next."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.exchange.files import write_whole
        from waykeeper.report.gap_files import csv_in_parts, json_in_parts
        from waykeeper.verbs import words

        words.choice(format_, ("text", "json", "csv"), "--format", needed=True)
        found = verbs.gaps(
            *(source_of(one) for one in from_), as_of=as_of or None, theatre_list=theatre_list, since=since,
            surgeon=surgeon, procedure=procedure, phase=phase, owner=owner, week=week or None, mapping=mapping,
        )  # fmt: skip
        say(found.findings)
        side: list[tuple[str, str | bytes | Iterable[str]]] = []
        if html:
            side.append((html, _page(found, theatre_list, hide_names, show_identifiers)))
        if csv:
            side.append((csv, csv_in_parts(found.worklist)))
        if json_:
            side.append((json_, json_in_parts(found.whole)))
        if todo:
            side.append((todo, _todo(found)))
        for path, content in side:
            write_whole(path, content)
        if format_ == "text":
            put(_text(found, show_identifiers))
        else:
            put(csv_in_parts(found.worklist) if format_ == "csv" else json_in_parts(found.worklist, found.changes))
        if found.worklist.asked and json_:
            print(f"{json_} holds the whole report, for --since", file=sys.stderr)
        return level(found.findings, "error")  # a booking that could not be read: the report stands, and is not whole

    end(work)


def _page(found: GapReport, theatre_list: str, hide_names: bool, show_identifiers: bool) -> str:
    from waykeeper.report.gaps_page import gaps_html

    return gaps_html(
        found.worklist, [plan for plan, _ in found.plans], names="hidden" if hide_names else "shown",
        show_identifiers=show_identifiers, checked_against=", ".join(filter(None, (*found.sources, theatre_list))),
        changes=found.changes, since=found.since,
    )  # fmt: skip


def _todo(found: GapReport) -> bytes:
    from datetime import UTC, datetime

    from waykeeper.report.calendars import todo_ics

    return todo_ics(found.worklist, zone=found.plans[0][0].zone, now=datetime.now(UTC))


def _text(found: GapReport, show_identifiers: bool) -> str:
    from waykeeper.report.plain import day
    from waykeeper.report.terminal import changes_text, terminal
    from waykeeper.verbs.output import console_width

    width = console_width()
    changed = ""
    if found.changes is not None:
        changed = f"Changes since {day(found.since)}\n\n{changes_text(found.changes, width)}\n"
    return f"{changed}{terminal(found.worklist, width, show_identifiers=show_identifiers)}\n{CAUTION}\n"
