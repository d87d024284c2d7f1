"""The number of a patient is enough where the settings name the clinic whose numbers they are."""

import pytest

from waykeeper.cli.main import main
from waykeeper.pathway.shelf import folder
from waykeeper.sandbox import running

BY = ["--by", "Ruth Alderman, RN"]
COMMANDS = {
    "note": ["note", "task/blood-tests", "owner", *BY, "--text", "Ruth", "--to"],
    "sheet": ["sheet", "--html", "sheet.html", "--from"],
    "calendar": ["calendar", "--ics", "plan.ics", "--from"],
    "history": ["history", "--from"],
    "move": ["move", *BY, "--surgery", "2026-03-25T07:30", "--reason", "theatre closed", "--as-of", "2026-03-01",
             "--record", str(folder("sandbox_bundles") / "demo-left" / "record.bundle.json"), "--dry-run", "--from"],
    "withdraw": ["withdraw", *BY, "--reason", "cancelled", "--dry-run", "--from"],
}  # fmt: skip


@pytest.fixture(scope="module")
def server():
    """A sandbox with the plan of the invented patient AQ-1001."""
    with running() as base:
        plan = str(folder("sandbox_bundles") / "demo-left" / "plan.bundle.json")
        assert main(["push", plan, "--to", base]) == 0
        yield base


@pytest.mark.parametrize("command", COMMANDS)
def test_the_number_is_one_of_the_clinic_of_the_settings(command, server, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    words = [*COMMANDS[command], server, "--patient", "AQ-1001"]
    assert main(words) == 2
    assert "--patient has no bar" in capsys.readouterr().err
    (tmp_path / "waykeeper.toml").write_text('clinic = "clinic-demo"\n')
    assert main(words) == 0, capsys.readouterr()


def test_a_number_with_its_system_stays_as_it_is(server, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "waykeeper.toml").write_text('clinic = "clinic-demo"\n')
    assert main(["history", "--from", server, "--patient", "https://other.example/mrn|AQ-1001"]) == 1
    assert "WKX221" in capsys.readouterr().err


def test_a_clinic_that_cannot_be_read_is_told(server, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "waykeeper.toml").write_text('clinic = "nowhere.yaml"\n')
    assert main(["history", "--from", server, "--patient", "AQ-1001"]) == 2
    assert "nowhere.yaml" in capsys.readouterr().err
