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
PatientOption = Annotated[
    str,
    typer.Option(
        "--patient",
        help="The patient's identifier; the number alone where waykeeper.toml names the clinic.",
        metavar="SYSTEM|VALUE",
    ),
]
PathwayOption = Annotated[str, typer.Option("--pathway", help="Which, where the patient has several plans.")]
EpisodeOption = Annotated[int, typer.Option("--episode", help="Number of the episode, from 1.")]
LanguageOption = Annotated[str, typer.Option("--language", help="en or es; the patient's own by default.")]
SourcesOption = Annotated[list[str], typer.Option("--from", help="A server, file or folder; may be repeated.")]
MappingOption = Annotated[
    str, typer.Option("--mapping", help="What the words of a CSV, a calendar or HL7 v2 mean (YAML).", metavar="FILE")
]
TheatreListOption = Annotated[
    str, typer.Option("--theatre-list", help="The planned operations: CSV or FHIR Appointments.", metavar="FILE")
]
SurgeonOption = Annotated[str, typer.Option("--surgeon", help="Only this surgeon's, by the theatre list; or nobody.")]
ProcedureOption = Annotated[str, typer.Option("--procedure", help="Only this pathway's.", metavar="PATHWAY")]
PhaseOption = Annotated[str, typer.Option("--phase", help="Only this phase's, by its name; none: rows without one.")]
OwnerOption = Annotated[str, typer.Option("--owner", help="Only rows of this owner; nobody: rows without one.")]
WeekOption = Annotated[str, typer.Option("--week", help="Only what falls or is to be done in the week of this day.")]
