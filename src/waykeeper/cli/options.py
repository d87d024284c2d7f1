"""Options that several commands share, so that each is spelt and described once."""

from __future__ import annotations

from typing import Annotated

import typer

FAIL_LEVELS = ("error", "warning")
FailLevelOption = Annotated[str, typer.Option("--fail-level", help="error or warning: exit 1 from there on.")]
FormatOption = Annotated[str, typer.Option("--format", help="What stdout gets.", metavar="FORMAT")]
ClinicOption = Annotated[str, typer.Option("--clinic", help="The clinic: a file or a name of the library.")]
FromOption = Annotated[str, typer.Option("--from", help="A FHIR server.", metavar="URL")]
ToOption = Annotated[str, typer.Option("--to", help="The FHIR server.", metavar="URL")]
AsOfOption = Annotated[str, typer.Option("--as-of", help="The day to look at; today in the clinic's zone.")]
PatientOption = Annotated[str, typer.Option("--patient", help="The patient's identifier.", metavar="SYSTEM|VALUE")]
EpisodeOption = Annotated[int, typer.Option("--episode", help="Number of the episode, from 1.")]
LanguageOption = Annotated[str, typer.Option("--language", help="en or es; the patient's own by default.")]
