"""`waykeeper note`."""

from __future__ import annotations

from typing import Annotated

import typer

from waykeeper.cli.errors import DONE
from waykeeper.cli.options import EpisodeOption, PatientOption, ToOption
from waykeeper.cli.session import end, put, server_of


def note(
    item: Annotated[str, typer.Argument(help="The item's key, for example task/clearance-received.", metavar="ITEM")],
    what: Annotated[
        str, typer.Argument(help="done, released, answered, fact, or another word of its README.", metavar="WHAT")
    ],
    to: ToOption,
    by: Annotated[str, typer.Option("--by", help="Who decided or did it.")],
    patient: PatientOption = "",
    on: Annotated[str, typer.Option("--on", help="The day on which it was done.")] = "",
    text: Annotated[str, typer.Option("--text", help="In words; for fact: yes or no.")] = "",
    days: Annotated[int | None, typer.Option("--days", help="Answered holds: days without a dose.")] = None,
    decision: Annotated[str, typer.Option("--decision", help="Answered holds: continue, already stopped ...")] = "",
    episode: EpisodeOption = 1,
) -> None:
    """Record what a person decided or did, as a change of a standard resource."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.findings import WaykeeperError, finding

        if not patient:
            raise WaykeeperError(finding("WKC203", "--patient is missing", help="Add --patient 'SYSTEM|VALUE'."))
        server = server_of(to, "--to")
        written = verbs.note(
            item, what, to=server.url, holds=server.holds, patient=patient, by=by, on=on, text=text, days=days,
            decision=decision, episode=episode,
        )  # fmt: skip
        put(f"{written}\n")
        return DONE

    end(work)
