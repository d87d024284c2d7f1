"""What the tool tells people to do next names commands, options and words of a note that it has."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer

from waykeeper.cli.application import app
from waykeeper.cli.command_table import COMMANDS
from waykeeper.exchange.noting import WHAT
from waykeeper.findings import catalogue
from waykeeper.medicines import WITHOUT_DAYS

SOURCE = Path(__file__).parents[2] / "src/waykeeper"
SAID_IN = ("cli", "exchange", "fhir", "gaps", "merge", "plan", "record", "report", "sandbox", "verbs")
HELP = {code: f"{entry.explanation} {entry.help or ''}" for code, entry in catalogue().items()}
OF_ALL = {"--help", "--version", "--debug", "--install-completion", "--show-completion"}  # beside any command


def options(name: str) -> set[str]:
    """The options that one command has."""
    command = typer.main.get_command(app).get_command(None, name)
    return {option for parameter in command.params for option in parameter.opts}


@pytest.fixture(scope="module")
def known() -> dict[str, set[str]]:
    return {name: options(name) for name in COMMANDS}


def named(text: str) -> set[str]:
    return set(re.findall(r"(?<![\w-])--[a-z][a-z-]*\b", text))


def commands(text: str) -> list[tuple[str, str]]:
    """`waykeeper COMMAND ...`: the command and the rest, up to the end of the quotation."""
    return re.findall(r"`waykeeper ([a-z]+)([^`]*)`", text)


def test_a_remedy_of_the_catalogue_names_options_that_exist(known):
    every = set().union(*known.values()) | OF_ALL
    assert {code: lost for code, text in HELP.items() if (lost := named(text) - every)} == {}
    assert sum(bool(named(text)) for text in HELP.values()) > 15


def test_a_command_that_a_remedy_quotes_has_the_options_beside_it(known):
    quoted = {code: found for code, text in HELP.items() if (found := commands(text))}
    wrong = {
        code: name
        for code, found in quoted.items()
        for name, rest in found
        if name not in known or not named(rest) <= known[name]
    }
    assert wrong == {} and len(quoted) >= 3


def test_what_a_message_names_is_an_option_of_some_command(known):
    every = set().union(*known.values()) | OF_ALL
    for room in SAID_IN:
        for path in sorted((SOURCE / room).rglob("*.py")):
            code = "\n".join(line for line in path.read_text("utf-8").splitlines() if not line.lstrip().startswith("#"))
            assert named(code) <= every, path


def test_the_words_beside_record_are_words_of_a_note():
    lines = [x for x in (SOURCE / "gaps/words.yaml").read_text("utf-8").splitlines() if x.lstrip().startswith("next:")]
    beside = [found for line in lines for found in re.findall(r"\(((?:taken|stopped|restarted)\b[^)]*)\)", line)]
    words = {w.strip() for found in beside for w in re.split("[;:,]", found) if not w.strip().startswith("where ")}
    assert len(beside) > 5 and words <= {*WHAT, *WITHOUT_DAYS}
