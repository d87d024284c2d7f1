"""`waykeeper gaps`."""

from __future__ import annotations

from typing import Annotated

import typer

from waykeeper.cli.errors import DONE
from waykeeper.cli.options import AsOfOption, FormatOption
from waykeeper.cli.session import CAUTION, end, put, source_of


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
        from waykeeper.verbs import words
        from waykeeper.verbs.output import as_json, console_width

        words.choice(format_, ("text", "json", "csv"), "--format")
        found = verbs.gaps(*(source_of(one) for one in from_), as_of=as_of or None)
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
            put(terminal(found.worklist, console_width(), show_identifiers=show_identifiers) + f"\n{CAUTION}\n")
        else:
            put(rows if format_ == "csv" else document)
        return DONE

    end(work)
