"""Settings: flag > environment > file > default; named servers; nothing secret in a file."""

from __future__ import annotations

import pytest

from waykeeper.cli.main import main
from waykeeper.cli.settings import ServerEntry, Settings, read_settings
from waykeeper.findings import WaykeeperError

FILE = """
clinic = "clinic-demo"
to = "ward"
from = ["ward", "bookings"]
language = "es"
format = "json"

[servers.ward]
url = "https://fhir.example.org/r4"
holds = "patients"
"""
WARD = ServerEntry("https://fhir.example.org/r4", "patients")


def test_a_folder_without_a_file_has_no_settings(tmp_path):
    assert read_settings(tmp_path, {}) == Settings()


def test_the_file_is_read_whole(tmp_path):
    (tmp_path / "waykeeper.toml").write_text(FILE)
    read = read_settings(tmp_path, {})
    assert read == Settings("clinic-demo", "ward", ("ward", "bookings"), "es", "json", {"ward": WARD})


def test_the_project_file_says_the_same_and_yields_to_our_own(tmp_path):
    (tmp_path / "pyproject.toml").write_text(
        '[tool.waykeeper]\nclinic = "one"\n[tool.waykeeper.servers.a]\nurl = "http://a"\n'
    )
    assert read_settings(tmp_path, {}) == Settings("one", servers={"a": ServerEntry("http://a")})
    (tmp_path / "waykeeper.toml").write_text('clinic = "two"\n')
    assert read_settings(tmp_path, {}) == Settings("two")


def test_somebody_elses_project_file_is_left_alone(tmp_path):
    (tmp_path / "pyproject.toml").write_text("[tool.other\nbroken")
    assert read_settings(tmp_path, {}) == Settings()


def test_the_line_of_a_wrong_key_is_not_that_of_another_tool(tmp_path):
    (tmp_path / "pyproject.toml").write_text('[tool.other]\nformat = "text"\n\n[tool.waykeeper]\nformat = "tree"\n')
    with pytest.raises(WaykeeperError, match=r"pyproject\.toml:5:1: WKC204 .*'tree'"):
        read_settings(tmp_path, {})


def test_the_environment_outranks_the_file(tmp_path):
    (tmp_path / "waykeeper.toml").write_text(FILE)
    read = read_settings(tmp_path, {"WAYKEEPER_TO": "http://127.0.0.1:1/fhir", "WAYKEEPER_FROM": "one two"})
    assert (read.to, read.from_, read.clinic) == ("http://127.0.0.1:1/fhir", ("one", "two"), "clinic-demo")


def test_a_flag_outranks_the_environment_and_the_environment_the_file(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "waykeeper.toml").write_text('format = "text"\n')
    (tmp_path / "list.yaml").write_text("- a\n")
    told = {}
    for name, words, environment in (
        ("file", [], ""),
        ("environment", [], "json"),
        ("flag", ["--format", "text"], "json"),
    ):
        monkeypatch.setenv("WAYKEEPER_FORMAT", environment)
        assert main(["check", "list.yaml", *words]) == 1
        told[name] = capsys.readouterr().out[:9]
    assert told == {"file": "list.yaml", "environment": '{\n  "sche', "flag": "list.yaml"}


def test_a_server_goes_by_its_name_or_its_address(tmp_path):
    (tmp_path / "waykeeper.toml").write_text(FILE)
    read = read_settings(tmp_path, {})
    assert read.server("ward", "--to") == WARD
    assert read.server("https://fhir.example.org/r4/", "--to") == WARD
    assert read.server("https://other.example.org", "--to") == ServerEntry("https://other.example.org", "test")


def test_what_a_server_holds_reaches_the_push(tmp_path, monkeypatch):
    from waykeeper import verbs

    monkeypatch.chdir(tmp_path)
    (tmp_path / "waykeeper.toml").write_text(FILE)
    asked = []
    monkeypatch.setattr(verbs, "push", lambda *_, to, holds, **__: asked.append((to, holds)))
    assert main(["push", "plan.json"]) == 0
    assert main(["push", "plan.json", "--to", "https://test.example.org"]) == 0
    assert asked == [("https://fhir.example.org/r4", "patients"), ("https://test.example.org", "test")]


def test_a_clinic_of_the_file_is_used(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "waykeeper.toml").write_text('clinic = "clinic-of-the-file"\n')
    assert main(["compile", "total-ankle-replacement", "--surgery", "2026-03-18"]) == 2
    assert "no clinic 'clinic-of-the-file' in the library" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["token", "api_key", "password", "client_secret"])
def test_a_secret_is_refused_by_name_and_not_repeated(tmp_path, name):
    (tmp_path / "waykeeper.toml").write_text(f'{name} = "hunter2"\n')
    with pytest.raises(WaykeeperError) as refused:
        read_settings(tmp_path, {})
    assert "Secrets come from the environment" in str(refused.value)
    assert "hunter2" not in str(refused.value)
