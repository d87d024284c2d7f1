"""`waykeeper history`."""

from __future__ import annotations

from typing import Annotated

import typer

from waykeeper.cli.errors import DONE
from waykeeper.cli.options import EpisodeOption, FormatOption, FromOption, PathwayOption, PatientOption
from waykeeper.cli.session import end, patient_of, put, server_of


def history(
    from_: FromOption = "",
    patient: PatientOption = "",
    pathway: PathwayOption = "",
    episode: EpisodeOption = 1,
    items: Annotated[bool, typer.Option("--items", help="Every item that differs, not only how many.")] = False,
    format_: FormatOption = "text",
) -> None:
    """The versions of a plan: when, who, why, and what each changed."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.findings import WaykeeperError, finding
        from waykeeper.report.history_text import history_json, history_text
        from waykeeper.verbs import words
        from waykeeper.verbs.output import as_json, console_width

        words.choice(format_, ("text", "json"), "--format", needed=True)
        for value, option in ((from_, "--from"), (patient, "--patient")):
            if not value:
                raise WaykeeperError(finding("WKC203", f"{option} is missing", help=f"Add {option}."))
        whose = patient_of(patient)
        found = verbs.history(server_of(from_, "--from").url, patient=whose, pathway=pathway, episode=episode)
        put(as_json(history_json(found)) if format_ == "json" else history_text(found, console_width(), items=items))
        return DONE

    end(work)
