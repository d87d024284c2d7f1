"""`waykeeper note`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from waykeeper.cli.errors import DONE, FOUND, report
from waykeeper.cli.options import EpisodeOption, PathwayOption, PatientOption, ToOption
from waykeeper.cli.session import end, patient_of, put, server_of
from waykeeper.counting import counted

if TYPE_CHECKING:
    from waykeeper.verbs import NoteOutcome
    from waykeeper.verbs.words import Holds


def note(
    to: ToOption,
    by: Annotated[
        str, typer.Option("--by", help="Who decided or did it; of an answer about a medicine the prescriber.")
    ],
    item: Annotated[
        str, typer.Argument(help="The item's key, for example task/clearance-received.", metavar="ITEM")
    ] = "",
    what: Annotated[
        str,
        typer.Argument(
            help="done, released, answered, corrected, fact, stopped, restarted, taken, contact, no-answer, owner, "
            "snoozed, closed or reopened; of the plan (plan/plan) also completed.",
            metavar="WHAT",
        ),
    ] = "",
    cases: Annotated[
        str,
        typer.Option(
            "--cases",
            help="Many: CSV of identifier,item,note,noted_on,text,...; the list's --csv will do.",
            metavar="CSV",
        ),
    ] = "",
    patient: PatientOption = "",
    on: Annotated[str, typer.Option("--on", help="The day on which it was done; snoozed: until which.")] = "",
    text: Annotated[str, typer.Option("--text", help="In words; for fact: yes or no.")] = "",
    days: Annotated[int | None, typer.Option("--days", help="Answered holds: days without a dose.")] = None,
    decision: Annotated[str, typer.Option("--decision", help="Answered holds: continue, already stopped ...")] = "",
    episode: EpisodeOption = 1,
    pathway: PathwayOption = "",
) -> None:
    """Record what a person decided or did, as a change of a standard resource."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.findings import WaykeeperError, finding, on_one_line

        server = server_of(to, "--to")
        if cases:
            if item or what or patient or text or days is not None or decision or episode != 1 or pathway:
                help_text = "Write it into the table."
                raise WaykeeperError(
                    finding("WKC203", "--cases takes no item, word, patient or answer", help=help_text)
                )
            return _all(cases, server.url, server.holds, by, on)
        for name, value in (("ITEM", item), ("WHAT", what)):
            if not value:
                raise WaykeeperError(finding("WKC203", f"missing argument {name!r}", help="See waykeeper note --help"))
        if not patient:
            raise WaykeeperError(finding("WKC203", "--patient is missing", help="Add --patient 'SYSTEM|VALUE'."))
        written = verbs.note(
            item, what, to=server.url, holds=server.holds, patient=patient_of(patient), by=by, on=on, text=text,
            days=days, decision=decision, episode=episode, pathway=pathway,
        )  # fmt: skip
        put(f"{on_one_line(written)}\n")
        return DONE

    end(work)


def _all(cases: str, url: str, holds: Holds, by: str, on: str) -> int:
    from waykeeper import verbs
    from waykeeper.findings import on_one_line

    def told(outcome: NoteOutcome) -> None:
        if outcome.said:
            print(f"line {outcome.line}: {on_one_line(outcome.said)}", flush=True)
        report(outcome.why)

    found = verbs.note_all(cases, to=url, by=by, on=on, holds=holds, told=told)
    failed, before = sum(bool(one.why) for one in found), sum(one.before for one in found)
    stood = f", {before} there before" if before else ""
    put(f"{counted(len(found) - failed - before, 'note')} written{stood}, {failed} refused\n")
    return FOUND if failed else DONE
