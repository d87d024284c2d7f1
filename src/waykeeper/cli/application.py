"""The command line by its framework: arguments -> verb -> rendering -> exit code. A command is imported when called."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, wraps
from importlib import import_module
from typing import Annotated, Any, cast

import typer
from typer.core import TyperGroup

from waykeeper.cli import session
from waykeeper.cli.command_table import COMMANDS
from waykeeper.cli.errors import DONE, guarded, interrupted, misused
from waykeeper.cli.settings import read_settings

# typer carries its own argument parser and does not name the class of its usage errors
_UsageError: type[Exception] = typer.BadParameter.__mro__[2]


class _Commands(TyperGroup):
    """The table of commands, each built at its first use."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        self.commands = cast(Any, dict.fromkeys(COMMANDS))

    def get_command(self, ctx: Any, cmd_name: str) -> Any:  # noqa: ARG002 - the parser calls it so
        return _built(cmd_name) if cmd_name in COMMANDS else None

    def format_commands(self, ctx: Any, formatter: Any) -> None:  # noqa: ARG002 - the parser calls it so
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@cache
def _built(command: str) -> Any:
    name = command.replace("-", "_")
    function = getattr(import_module(f"waykeeper.cli.commands.{name}"), name)
    alone = typer.Typer(add_completion=False, rich_markup_mode=None)
    alone.command(command)(_apart(name, function))
    return typer.main.get_command(alone)


def _apart(name: str, function: Callable[..., None]) -> Callable[..., None]:
    """The command, which does nothing where one of its outputs is another, or is what it reads."""

    @wraps(function)
    def checked(**given: Any) -> None:
        from waykeeper.cli.paths import apart, to_stdout

        apart(name, given)
        session.stdout_taken = to_stdout(name, given)
        function(**given)

    return checked


app = typer.Typer(
    name="waykeeper",
    cls=_Commands,
    help=f"Care pathways as dated FHIR R4 plans, and who missed what. {session.CAUTION}",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _version(wanted: bool) -> None:
    if not wanted:
        return
    from waykeeper import __version__
    from waykeeper.timing import holiday_version
    from waykeeper.validate.tables import version as table_version

    tables = f"spec tables {table_version()}, holiday data {holiday_version()}"
    session.put(f"waykeeper {__version__}, FHIR 4.0.1, {tables}\n")
    raise typer.Exit


@app.callback()
def settings(
    context: typer.Context,
    debug: Annotated[bool, typer.Option("--debug", help="Show tracebacks of failures.")] = False,
    _: Annotated[bool, typer.Option("--version", help="Show the versions.", callback=_version, is_eager=True)] = False,
) -> None:
    """Options of every command."""
    session.debug, session.settings = debug, read_settings()
    context.default_map = session.settings.defaults()


def called(arguments: list[str]) -> int:
    """One command line in this process; its exit code. Every failure ends here."""

    def parsed() -> int:
        try:
            return int(app(arguments, prog_name="waykeeper", standalone_mode=False) or DONE)
        except typer.Exit as ended:
            return int(ended.exit_code)
        except typer.Abort:
            return interrupted()
        except _UsageError as error:
            return misused(error)

    session.debug = session.stdout_taken = False  # what an earlier command line of this process asked for
    return guarded(parsed, debug=False)
