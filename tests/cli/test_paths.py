"""No output of a command is written over another, or over what the command reads."""

import csv
import itertools
import json
import os
from pathlib import Path

import pytest

from waykeeper.cli.application import _built
from waykeeper.cli.command_table import COMMANDS
from waykeeper.cli.main import main
from waykeeper.cli.paths import NO_STREAM, READ, WRITTEN, apart, to_stdout
from waykeeper.findings import WaykeeperError
from waykeeper.pathway.shelf import folder

PLAN = folder("sandbox_bundles") / "demo-left" / "plan.bundle.json"
# Texts that are no files: words, days, identifiers, addresses.
WORDS = {
    "anaesthesia", "as_of", "by", "cases", "decision", "discharge", "episode", "fail_level", "fail_on", "format_",
    "group", "item", "kind", "language", "month", "on", "owner", "pathway", "patient", "patient_identifier", "phase",
    "procedure", "reason", "side", "since", "surgeon", "surgery", "take", "text", "to", "type_", "url", "week", "what",
}  # fmt: skip
SERVERS = {
    (command, "from_") for command in ("calendar", "compile", "export", "history", "medicines", "sheet", "withdraw")
}


def test_every_parameter_is_a_file_that_is_known_or_no_file():
    """`cases`, `pathway`, `since` and `patient` are files in some commands and words in others: those are in READ."""
    for command in COMMANDS:
        name = command.replace("-", "_")
        texts = {p.name for p in _built(command).params if str(p.type) in ("STRING", "<Tuple>") or p.nargs == 2}
        known = {*WRITTEN.get(name, ()), *READ.get(name, ())}
        assert known <= texts, command
        unknown = {t for t in texts - known - WORDS if (name, t) not in SERVERS}
        assert unknown == set(), f"{command}: are these files? cli/paths.py must know"


def refused(command, **given):
    with pytest.raises(WaykeeperError) as found:
        apart(command, given)
    return [f.code for f in found.value.findings]


def test_one_file_by_other_names_is_one_file(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    plan, link, twin = (tmp_path / name for name in ("plan.json", "link.json", "twin.json"))
    plan.write_text("{}")
    link.symlink_to(plan)
    os.link(plan, twin)
    (tmp_path / "new.html").symlink_to("page.html")  # which is not there yet
    (tmp_path / "folder").mkdir()
    assert refused("gaps", from_=[str(plan)], json_="link.json") == ["WKC203"]
    assert refused("gaps", from_=["plan.json"], json_="twin.json") == ["WKC203"]
    assert refused("gaps", from_=["other.json", "folder/../plan.json"], csv="plan.json") == ["WKC203"]
    assert refused("gaps", html="new.html", csv="folder/../page.html") == ["WKC203"]
    assert refused("pathways", compare=("plan.json", "b.yaml"), json_="./plan.json") == ["WKC203"]
    assert refused("compile", patient=".", output="plan.json") == ["WKC203"]


def test_what_may_stand_together(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plan.json").write_text("{}")
    (tmp_path / "known.json").write_text("{}")
    os.mkfifo(tmp_path / "pipe")
    apart("gaps", {"from_": ["plan.json", "-", "http://127.0.0.1/fhir"], "html": "-", "json_": "a.json"})
    apart("gaps", {"from_": ["plan.json"], "html": "pipe", "csv": "./pipe"})
    apart("gaps", {"from_": ["."], "json_": "new.json", "html": "list.html"})  # a new file; a page is not read
    apart("validate", {"paths": ["plan.json"], "baseline": "known.json", "write_baseline": "known.json"})
    apart("push", {"bundle": ["failed/bundles"], "errors_to": "failed"})  # what was kept is sent again


def test_standard_output_takes_one_document(capsys):
    for command, names in WRITTEN.items():
        streams = [name for name in names if name not in NO_STREAM.get(command, ())]
        for one, other in itertools.combinations(streams, 2):
            assert refused(command, **{one: "-", other: "-"}) == ["WKC203"], f"{command}: {one}, {other}"
        for name in names:
            apart(command, {name: "-"})
            assert to_stdout(command, {name: "-"}) is (name in streams), f"{command}: {name}"
    assert main(["validate", str(PLAN), "--json", "-", "--junit", "-"]) == 2
    assert capsys.readouterr().out == ""
    assert main(["validate", str(PLAN), "--junit", "-"]) == 0
    assert "<testsuites" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("command", "beside"),
    [
        (["gaps", "--from", str(PLAN), "--as-of", "2026-03-02", "--csv", "-"], "Waykeeper proposes"),
        (["gaps", "--from", str(PLAN), "--as-of", "2026-03-02", "--json", "-"], "Waykeeper proposes"),
        (["measures", "--from", str(PLAN), "--month", "2026-03", "--csv", "-"], "2026-03"),
        (["pathways", "--compare", *["total-ankle-replacement"] * 2, "--json", "-"], "total-ankle"),
        (["validate", str(PLAN), "--json", "-"], "no findings"),
    ],
)
def test_what_is_no_data_leaves_standard_output_to_the_data(capsys, command, beside):
    """A program that reads the table or the document meets nothing behind it; what people read is on standard error."""
    assert main(command) == 0
    data, said = capsys.readouterr()
    assert beside in said
    if "--json" in command:
        json.loads(data)
    else:
        rows = list(csv.reader(data.splitlines()))
        assert len(rows) > 1
        assert {len(row) for row in rows} == {len(rows[0])}
    assert main(["gaps", "--from", str(PLAN), "--as-of", "2026-03-02"]) == 0  # the next command of this process
    assert "Waykeeper proposes" in capsys.readouterr().out


def test_a_job_without_standard_error_still_gets_its_table(capsys, monkeypatch):
    """`waykeeper gaps --csv - 2>&-`: the table is whole, so the command has done what was asked."""
    monkeypatch.setattr("sys.stderr", None)
    assert main(["gaps", "--from", str(PLAN), "--as-of", "2026-03-02", "--csv", "-"]) == 0
    assert len(list(csv.reader(capsys.readouterr().out.splitlines()))) > 1


def test_a_baseline_is_brought_up_to_date_in_its_place(tmp_path):
    known = tmp_path / "known.json"
    given = ["validate", str(PLAN), "--write-baseline", str(known)]
    assert main(given) == 0
    first = known.read_text("utf-8")
    assert main([*given, "--baseline", str(known)]) == 0
    assert known.read_text("utf-8") == first


def test_nothing_is_done_where_it_is_refused(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    Path("plan.json").write_bytes(PLAN.read_bytes())
    assert main(["gaps", "--from", "plan.json", "--csv", "x.out", "--json", "x.out"]) == 2
    assert capsys.readouterr().out == ""
    assert [p.name for p in tmp_path.iterdir()] == ["plan.json"]
