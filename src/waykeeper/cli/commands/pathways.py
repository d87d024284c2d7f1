"""`waykeeper pathways`."""

from __future__ import annotations

import json
from typing import Annotated, Any

import typer

from waykeeper.cli import session
from waykeeper.cli.errors import DONE
from waykeeper.cli.options import FormatOption
from waykeeper.cli.session import end, put
from waykeeper.counting import counted


def pathways(
    compare: Annotated[
        tuple[str, str] | None,
        typer.Option("--compare", help="Two pathways side by side: names or files, NAME+OVERLAY.", metavar="A B"),
    ] = None,
    review: Annotated[
        str, typer.Option("--review", help="The sheet to sign: every item, dated for an example.", metavar="NAME")
    ] = "",
    clinic: Annotated[str, typer.Option("--clinic", help="The clinic: a file or a name of the library.")] = "",
    surgery: Annotated[str, typer.Option("--surgery", help="With --review: the example's day and time.")] = "",
    discharge: Annotated[str, typer.Option("--discharge", help="With --review: the example's discharge.")] = "",
    html: Annotated[str, typer.Option("--html", help="File for the page, - for stdout.")] = "",
    json_: Annotated[str, typer.Option("--json", help="File for the JSON.")] = "",
    format_: FormatOption = "text",
) -> None:
    """List the pathways of the library, compare two, or print one for review and signature."""

    def work() -> int:
        from waykeeper.verbs import words

        words.choice(format_, ("text", "json"), "--format", needed=True)
        _apart({"--compare": bool(compare), "--review": bool(review)})
        if compare or review:
            known = clinic or session.settings.clinic
            if compare:
                _only_with("--review", {"--surgery": surgery, "--discharge": discharge})
            document = _compared(compare, known) if compare else _reviewed(review, known, surgery, discharge)
            return _written(document, html, json_, format_)
        given = {"--clinic": clinic, "--surgery": surgery, "--discharge": discharge, "--html": html, "--json": json_}
        _only_with("--compare or --review", given)
        put(_listed(format_))
        return DONE

    end(work)


def _apart(given: dict[str, bool]) -> None:
    """Options that ask for different things. Raises WaykeeperError WKC201."""
    from waykeeper.findings import WaykeeperError, finding

    if sum(given.values()) > 1:
        help_text = "Run the command once for each."
        raise WaykeeperError(finding("WKC201", f"{' and '.join(given)} stand together", help=help_text))


def _only_with(other: str, given: dict[str, str]) -> None:
    """Options that mean nothing without another one. Raises WaykeeperError WKC203."""
    from waykeeper.findings import WaykeeperError, finding

    idle = next((name for name, value in given.items() if value), "")
    if idle:
        raise WaykeeperError(finding("WKC203", f"{idle} is of no use here", help=f"Use it with {other}."))


def _listed(format_: str) -> str:
    from waykeeper import verbs

    entries = verbs.pathways()
    if format_ == "json":
        rows = [
            {"name": e.name, "version": e.version, "title": e.title, "items": e.items, "digest": e.digest,
             "parts": list(e.parts)}
            for e in entries
        ]  # fmt: skip
        return json.dumps({"schema_version": "1", "pathways": rows}, indent=2) + "\n"
    lines = (f"{e.name} {e.version}  {e.title}, {counted(e.items, 'item')}, content {e.digest}\n" for e in entries)
    return "".join(lines)


def _compared(pair: tuple[str, str], clinic: str) -> tuple[Any, Any, Any]:
    from waykeeper import verbs
    from waykeeper.report.comparison import comparison_html, comparison_json, comparison_text

    made = verbs.compare_pathways(*pair, clinic=clinic)
    return (lambda: comparison_text(made)), (lambda: comparison_json(made)), (lambda: comparison_html(made))


def _reviewed(name: str, clinic: str, surgery: str, discharge: str) -> tuple[Any, Any, Any]:
    from waykeeper import verbs
    from waykeeper.report.review import review_html, review_json, review_text
    from waykeeper.verbs import words

    words.needed(clinic, "--clinic", "CLINIC")
    words.needed(surgery, "--surgery", "2026-03-18T07:30")
    made = verbs.review_pathway(name, clinic=clinic, surgery=surgery, discharge=discharge)
    return (lambda: review_text(made)), (lambda: review_json(made)), (lambda: review_html(made))


def _written(document: tuple[Any, Any, Any], html: str, json_: str, format_: str) -> int:
    """Side files first, then the chosen format."""
    from waykeeper.exchange.files import write_whole

    text, plain, page = document
    as_json = json.dumps(plain(), indent=2, ensure_ascii=False) + "\n" if json_ or format_ == "json" else ""
    if json_:
        write_whole(json_, as_json)
    if html:
        write_whole(html, page())
    put(as_json if format_ == "json" else text())
    return DONE
