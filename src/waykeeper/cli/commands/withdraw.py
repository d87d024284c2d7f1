"""`waykeeper withdraw`."""

from __future__ import annotations

from typing import Annotated

import typer

from waykeeper.cli.errors import DONE, FOUND
from waykeeper.cli.options import AsOfOption, EpisodeOption, FormatOption, FromOption, PathwayOption, PatientOption
from waykeeper.cli.session import end, patient_of, put, server_of


def withdraw(
    from_: FromOption = "",
    patient: PatientOption = "",
    reason: Annotated[str, typer.Option("--reason", help="Why: it stands on everything that is withdrawn.")] = "",
    by: Annotated[str, typer.Option("--by", help="Who decided; goes into the Provenance.")] = "",
    suspend: Annotated[
        bool, typer.Option("--suspend", help="Another surgery day is expected: the plan is on hold, not revoked.")
    ] = False,
    pathway: PathwayOption = "",
    episode: EpisodeOption = 1,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Print every decision, send nothing.")] = False,
    as_of: AsOfOption = "",
    items: Annotated[bool, typer.Option("--items", help="Also print a line for each resource.")] = False,
    format_: FormatOption = "text",
) -> None:
    """Take a plan back: surgery cancelled, patient transferred or died. Stopped medicines ask for their restart."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.verbs import words
        from waykeeper.verbs.output import as_json

        words.choice(format_, ("text", "json"), "--format", needed=True)
        for value, option in ((from_, "--from"), (patient, "--patient"), (reason.strip(), "--reason")):
            _given(value, option)
        server = server_of(from_, "--from")
        made = verbs.withdraw(
            from_=server.url, patient=patient_of(patient), reason=reason, by=by, suspend=suspend, pathway=pathway,
            episode=episode, dry_run=dry_run, holds=server.holds, as_of=as_of,
        )  # fmt: skip
        put(as_json(made.json()) if format_ == "json" else made.text(items=items))
        return FOUND if any(f.severity == "error" for f in made.findings) else DONE

    end(work)


def _given(value: str, option: str) -> None:
    from waykeeper.findings import WaykeeperError, finding

    if not value:
        raise WaykeeperError(finding("WKC203", f"{option} is missing", help=f"Add {option}."))
