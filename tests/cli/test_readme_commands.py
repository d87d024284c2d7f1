"""Every command that the README prints is one that exists, with options that it has, about items that the plan has."""

import json
import re
import shlex
from pathlib import Path

import pytest
import typer

from waykeeper.cli.application import app
from waykeeper.cli.command_table import COMMANDS

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
