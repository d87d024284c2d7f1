"""`waykeeper explain`."""

from __future__ import annotations

from typing import Annotated

import typer

from waykeeper.cli.errors import DONE
from waykeeper.cli.session import end, put


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
            put(f"{as_page(found)}\n")
        else:
            plan, item = found
            put(explain_item(plan, item.key))
        return DONE

    end(work)
