"""Every command that the README prints is one that exists, with options that it has, about items that the plan has."""

import json
import re
import shlex
import tomllib
from pathlib import Path

import pytest
import typer

from waykeeper.cli.application import app
from waykeeper.cli.command_table import COMMANDS
from waykeeper.verbs import compiling_many, moving_many, noting_many

ROOT = Path(__file__).parents[2]


def printed():
    """The commands of the README's blocks, each as its words."""
    blocks = re.findall(r"^```\n(.*?)^```", (ROOT / "README.md").read_text("utf-8"), re.MULTILINE | re.DOTALL)
    lines = "\n".join(blocks).replace("\\\n", " ").splitlines()
    return [shlex.split(line.split(" &")[0], comments=True)[1:] for line in lines if line.startswith("waykeeper ")]


@pytest.mark.parametrize("words", printed(), ids=" ".join)
def test_a_command_of_the_readme_is_there_with_its_options(words):
    name, *rest = words
    assert name in COMMANDS
    command = typer.main.get_command(app).get_command(None, name)
    command = getattr(command, "commands", {}).get(name, command)
    known = {option for parameter in command.params for option in parameter.opts}
    assert {word for word in rest if word.startswith("--")} <= known


def test_the_readme_has_them_all_but_for_few():
    assert len(printed()) >= 15
    assert len({words[0] for words in printed()}) >= 12


def test_the_item_that_is_noted_is_in_the_plan_of_that_patient():
    plan = json.loads((ROOT / "sandbox_bundles/demo-left/plan.bundle.json").read_text("utf-8"))
    texts = json.dumps(plan)
    noted = [words[1] for words in printed() if words[0] == "note"]
    assert noted and all(f'"valueString": "{item}"' in texts for item in noted)
    helped = re.search(r"for example (\S+)\.", (ROOT / "src/waykeeper/cli/commands/note.py").read_text("utf-8"))
    assert helped and f'"valueString": "{helped[1]}"' in texts


def test_the_tables_of_many_stand_with_their_columns():
    """Who writes such a table has nothing else to look at; a message sent people there, and nothing stood there."""
    text = (ROOT / "src/waykeeper/verbs/README.md").read_text("utf-8")
    rows = {cells[0]: cells[1:] for cells in re.findall(r"^\| `(\w+)` \| (.*) \| (.*) \|$", text, re.MULTILINE)}
    told = {name: " ".join(re.findall(r"`([a-z_ ]+)`", " ".join(cells))).split() for name, cells in rows.items()}
    assert told["compile"] == list(compiling_many.COLUMNS)
    assert [word for word in told["move"] if word != "same"] == list(moving_many.COLUMNS)
    assert told["note"] == [*noting_many.NEEDED, *noting_many.OWN]


def test_the_source_distribution_has_what_its_makefile_needs():
    """Without requirements.lock each target ended with "no rule to make target", in whatever was unpacked."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    packed = settings["tool"]["hatch"]["build"]["targets"]["sdist"]["include"]
    assert all((ROOT / name).exists() for name in packed)
    needed = re.search(r"^\$\(STAMP\): (.*)$", (ROOT / "Makefile").read_text("utf-8"), re.MULTILINE)
    assert needed and set(needed[1].split()) - {"pyproject.toml"} <= set(packed)  # pyproject.toml always goes in
