"""`waykeeper sheet`."""

from __future__ import annotations

from typing import Annotated

import typer

from waykeeper.cli import session
from waykeeper.cli.errors import DONE
from waykeeper.cli.options import AsOfOption, EpisodeOption, FromOption, LanguageOption, PathwayOption, PatientOption
from waykeeper.cli.session import end, one_source, patient_of


def sheet(
    bundle: Annotated[str, typer.Argument(help="A bundle; or give --from.", metavar="[BUNDLE]")] = "",
    html: Annotated[str, typer.Option("--html", help="File for the sheet, - for stdout.")] = "",
    from_: FromOption = "",
    patient: PatientOption = "",
    as_of: AsOfOption = "",
    language: LanguageOption = "",
    episode: EpisodeOption = 1,
    pathway: PathwayOption = "",
) -> None:
    """The patient's dated sheet."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.exchange.files import write_whole
        from waykeeper.verbs import words

        words.needed(html, "--html")
        page = verbs.sheet(
            bundle, from_=one_source(bundle, from_), patient=patient_of(patient), as_of=as_of, language=language,
            episode=episode, pathway=pathway, fallback=session.settings.language or "en",
        )  # fmt: skip
        write_whole(html, page)
        return DONE

    end(work)
