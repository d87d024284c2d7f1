"""`waykeeper measures`."""

from __future__ import annotations

from typing import Annotated

import typer

from waykeeper.cli.errors import DONE
from waykeeper.cli.errors import report as say
from waykeeper.cli.options import FormatOption, MappingOption, SourcesOption
from waykeeper.cli.session import end, put, source_of


def measures(
    from_: SourcesOption,
    month: Annotated[str, typer.Option("--month", help="2026-03; the last month that is over by default.")] = "",
    format_: FormatOption = "text",
    mapping: MappingOption = "",
    csv: Annotated[str, typer.Option("--csv", help="Also write every case as CSV.", metavar="FILE")] = "",
    json_: Annotated[str, typer.Option("--json", help="Also write JSON.", metavar="FILE")] = "",
    show_identifiers: Annotated[bool, typer.Option("--show-identifiers", help="Identifiers in full.")] = False,
) -> None:
    """The month's measures: numerators and denominators, listed by case."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.exchange.files import write_whole
        from waykeeper.report.measures import measures_csv, measures_json, measures_text
        from waykeeper.verbs import words
        from waykeeper.verbs.output import as_json, console_width

        words.choice(format_, ("text", "json", "csv"), "--format", needed=True)
        made = verbs.measures(*(source_of(one) for one in from_), month=month, mapping=mapping)
        say(made.findings)
        rows, document = measures_csv(made.found, made.month), as_json(measures_json(made.found, made.month))
        for path, content in ((csv, rows), (json_, document)):
            if path:
                write_whole(path, content)
        text = measures_text(made.found, made.month, console_width(), show_identifiers=show_identifiers)
        put({"text": text, "json": document, "csv": rows}[format_])
        return DONE

    end(work)
