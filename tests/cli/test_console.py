"""The console script: quick help, plain text, completion, exit codes at its edges."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from waykeeper.cli import application, session
from waykeeper.cli.application import called
from waykeeper.cli.command_table import COMMANDS
from waykeeper.cli.commands import pathways as listing
from waykeeper.cli.main import main
from waykeeper.pathway.library import folder

SCRIPT = str(Path(sys.executable).parent / "waykeeper")
PLAN = str(folder("sandbox_bundles") / "demo-left" / "plan.bundle.json")
HEAVY = (
    "fhir",
    "holidays",
    "icalendar",
    "jinja2",
    "orjson",
    "pydantic",
    "requests",
    "rich",
    "starlette",
    "uvicorn",
    "yaml",
)


def test_help_loads_nothing_heavy():
    code = "import sys; from waykeeper.cli.main import main; main(['--help']); print(*sys.modules, file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = {name.partition(".")[0] for name in done.stderr.split()}
    assert loaded & set(HEAVY) == set()
    rooms = {name for name in done.stderr.split() if name.startswith("waykeeper.")}
    assert rooms == {"waykeeper.version", "waykeeper.cli", "waykeeper.cli.main", "waykeeper.cli.command_table"}
    assert "typer" not in loaded


def test_the_framework_loads_no_other_room():
    code = "import sys; from waykeeper.cli.main import main; main(['--help']); print(*sys.modules)"
    narrow = {**os.environ, "COLUMNS": "60"}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=narrow)
    modules = done.stdout.rpartition("patient.\n")[2].split()
    assert {name.partition(".")[0] for name in modules} & set(HEAVY) == set()
    assert {name for name in modules if name.startswith("waykeeper.")} == {
        "waykeeper.version",
        "waykeeper.cli",
        "waykeeper.cli.application",
        "waykeeper.cli.command_table",
        "waykeeper.cli.main",
        "waykeeper.cli.errors",
        "waykeeper.cli.session",
        "waykeeper.cli.settings",
        "waykeeper.counting",
    }


@pytest.mark.parametrize("columns", ["", "80", "200", "nonsense"])
@pytest.mark.parametrize("option", ["--help", "-h"])
def test_the_help_is_the_frameworks(option, columns, monkeypatch, capsys):
    monkeypatch.setenv("COLUMNS", columns)
    assert called([option]) == 0
    wanted = capsys.readouterr()
    with monkeypatch.context() as patched:
        patched.setattr(application, "called", lambda _: pytest.fail("not written at once"))
        assert main([option]) == 0
    assert capsys.readouterr() == wanted


def test_in_a_narrow_terminal_the_framework_breaks_the_lines(monkeypatch, capsys):
    monkeypatch.setenv("COLUMNS", "60")
    assert main(["--help"]) == called(["--help"]) == 0
    out, _ = capsys.readouterr()
    assert out[: len(out) // 2] == out[len(out) // 2 :]
    assert max(map(len, out.splitlines())) <= 60


def test_help_that_nobody_reads_ends_quietly():
    """As `waykeeper --help | true`: the pipe is closed before anything is written."""
    code = "import time; time.sleep(0.3); from waykeeper.cli.main import main; raise SystemExit(main(['--help']))"
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as made:
        made.stdout.close()
        assert (made.wait(), made.stderr.read()) == (1, b""), "as the framework ends it"


def test_import_waykeeper_loads_no_room():
    code = "import sys, waykeeper; print(*[n for n in sys.modules if n.startswith('waykeeper')])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["waykeeper.version", "waykeeper"]


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help(command, capsys):
    assert main([command, "--help"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith(f"Usage: waykeeper {command} ")
    assert err == ""


def test_without_arguments_the_help_goes_to_stderr(capsys):
    assert main([]) == 2
    out, err = capsys.readouterr()
    assert (out, err[:17]) == ("", "Usage: waykeeper ")


def test_the_version_names_its_tables(capsys):
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("waykeeper ")


def test_a_command_line_knows_nothing_of_the_one_before_it(capsys):
    """A table on standard output sends the rest to standard error, and `--debug` shows tracebacks: once each."""
    assert main(["--debug", "gaps", "--from", PLAN, "--as-of", "2026-04-15", "--csv", "-"]) < 2
    assert session.stdout_taken and session.debug
    capsys.readouterr()
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("waykeeper ")
    assert not session.debug


@pytest.mark.parametrize(
    "environment", [{}, {"NO_COLOR": "1"}, {"TERM": "dumb"}, {"NO_COLOR": "1", "FORCE_COLOR": "1"}]
)
def test_pipes_get_plain_text(environment, tmp_path):
    for words in (["--help"], ["gaps", "--from", PLAN, "--as-of", "2026-04-15"], ["gaps", "--form", "x"]):
        done = subprocess.run(
            [SCRIPT, *words],
            cwd=tmp_path,
            env={**os.environ, **environment},
            capture_output=True,
            text=True,
            check=False,
        )
        assert "\x1b" not in done.stdout + done.stderr
        assert done.stdout + done.stderr


def test_completion_offers_the_commands(tmp_path):
    environment = {
        **os.environ,
        "_WAYKEEPER_COMPLETE": "complete_bash",
        "COMP_WORDS": "waykeeper ch",
        "COMP_CWORD": "1",
    }
    done = subprocess.run([SCRIPT], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert done.stdout.split() == ["check"]
    environment = {
        **os.environ,
        "_WAYKEEPER_COMPLETE": "complete_bash",
        "COMP_WORDS": "waykeeper gaps --fr",
        "COMP_CWORD": "2",
    }
    done = subprocess.run([SCRIPT], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False)
    assert done.stdout.split() == ["--from"]


def test_a_reader_that_goes_away_is_no_failure(tmp_path):
    line = f"'{SCRIPT}' gaps --from '{PLAN}' --format json | head -c 1 >/dev/null; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", line], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert (done.stdout, done.stderr) == ("0\n", "")


def test_streams_that_a_job_has_closed_take_nothing_and_get_no_warnings(tmp_path):
    """A warning in the payload would be no JSON any more."""
    made = f"'{SCRIPT}' compile total-ankle-replacement --clinic clinic-demo --patient demo-left --surgery 2026-03-18"
    line = f"{made} 2>&- > kept; echo $?; '{SCRIPT}' pathways >&-; echo $?; '{SCRIPT}' validate - <&- >&-; echo $?"
    done = subprocess.run(["bash", "-c", line], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["0", "0", "1"]  # nothing on standard input is an empty file
    assert json.loads((tmp_path / "kept").read_text("utf-8"))["resourceType"] == "Bundle"
    assert "WKC9" not in done.stderr


def test_a_full_disk_is_said(tmp_path):
    line = f"'{SCRIPT}' compile total-ankle-replacement --help > /dev/null; '{SCRIPT}' explain WKP101 > /dev/full"
    done = subprocess.run(["bash", "-c", line], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr.startswith("(standard output): WKC104 error: cannot write: no space left on device")


def test_an_interruption_is_130(monkeypatch, capsys):
    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(listing, "put", interrupted)
    assert main(["pathways"]) == 130
    assert capsys.readouterr().err == "interrupted\n"


def test_each_command_of_the_table_is_described_at_greater_length_by_itself(capsys):
    for command, short in COMMANDS.items():
        assert main([command, "--help"]) == 0
        told = set(re.findall(r"\w+", capsys.readouterr().out.lower()))
        words = set(re.findall(r"\w{4,}", short.lower()))
        assert len(words & told) >= len(words) / 2, command


def test_the_package_runs_as_a_module(tmp_path):
    line = [sys.executable, "-m", "waykeeper", "explain", "WKP101"]
    done = subprocess.run(line, cwd=tmp_path, capture_output=True, text=True, check=True)
    assert done.stdout.startswith("WKP101")


@pytest.mark.parametrize("words", [["pathways"], ["pathways", "--no-such-option"], ["explain", "WKP999"]])
def test_what_the_system_may_say_to_the_process_means_the_same_after_a_command(words, capsys):
    """It ended whoever had run a command line in a process of their own as if a person had interrupted them."""
    before = signal.signal(signal.SIGTERM, signal.SIG_IGN)
    try:
        main(words)
        assert signal.getsignal(signal.SIGTERM) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGTERM, before)


def test_during_a_command_the_system_interrupts_as_a_person_does(monkeypatch, capsys):
    monkeypatch.setattr(listing, "put", lambda _: os.kill(os.getpid(), signal.SIGTERM))
    assert main(["pathways"]) == 130
    assert capsys.readouterr().err == "interrupted\n"
