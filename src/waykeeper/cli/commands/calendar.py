"""`waykeeper calendar`."""

from __future__ import annotations

from typing import Annotated

import typer

from waykeeper.cli import session
from waykeeper.cli.errors import DONE
from waykeeper.cli.options import AsOfOption, EpisodeOption, FromOption, LanguageOption, PathwayOption, PatientOption
from waykeeper.cli.session import end, one_source, patient_of


def calendar(
    bundle: Annotated[str, typer.Argument(help="A bundle; or give --from.", metavar="[BUNDLE]")] = "",
    ics: Annotated[str, typer.Option("--ics", help="File for the calendar, - for stdout.")] = "",
    from_: FromOption = "",
    patient: PatientOption = "",
    as_of: AsOfOption = "",
    language: LanguageOption = "",
    episode: EpisodeOption = 1,
    pathway: PathwayOption = "",
    sequence: Annotated[
        int | None,
        typer.Option("--sequence", help="0 for the first, more for each later one; by itself it grows with the time."),
    ] = None,
    take_back: Annotated[
        bool, typer.Option("--take-back", help="Only take away what an earlier one holds, of a plan that is over.")
    ] = False,
) -> None:
    """The patient's calendar (iCalendar)."""

    def work() -> int:
        from waykeeper import verbs
        from waykeeper.exchange.files import write_whole
        from waykeeper.verbs import words

        words.needed(ics, "--ics")
        made = verbs.calendar(
            bundle, from_=one_source(bundle, from_), patient=patient_of(patient), as_of=as_of, language=language,
            episode=episode, pathway=pathway, sequence=sequence, take_back=take_back,
            fallback=session.settings.language or "en",
        )  # fmt: skip
        write_whole(ics, made)
        return DONE

    end(work)
