"""A dry run says what would be done to each item and each field, sends nothing, and can fail a build."""

import json
from datetime import UTC, datetime

import pytest

from merge.small import CALL, compiled, new_identifier
from waykeeper.cli.main import main
from waykeeper.exchange import Server
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import plan_resources
from waykeeper.fhir import bundle, read

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.fixture
def changed(server, tmp_path):
    """A plan that stands, and a file with the same plan whose one Task has another sentence and an earlier last day."""
    client, identifier = Server(server.base), new_identifier()
    text = json.dumps(bundle(compiled(identifier)))
    push(json.loads(text), client, now=NOW)
    file = tmp_path / "plan.json"
    file.write_text(text.replace("Call the patient", "Ring the patient"))
    return client, identifier, file


def run(words, capsys):
    code = main(words)
    said = capsys.readouterr()
    return code, said.out, said.err


def test_every_field_that_would_change_is_shown_with_both_values(changed, server, capsys):
    client, identifier, file = changed
    before = {ref: r["meta"]["versionId"] for ref, r in plan_resources(client, identifier)}
    code, out, _ = run(["push", str(file), "--to", server.base, "--dry-run"], capsys)
    assert code == 0 and "write      task/call [task] what" in out
    assert "           description: Call the patient" in out and "-> Ring the patient" in out
    code, out, _ = run(["push", str(file), "--to", server.base, "--dry-run", "--format", "json"], capsys)
    document = json.loads(out)
    report = document[0] if isinstance(document, list) else document
    row = next(d for d in report["decisions"] if d["item"] == str(CALL) and d["part"] == "task")
    assert (row["decision"], row["groups"]) == ("write", ["what"])
    field = next(f for f in row["fields"] if f["path"] == "description")
    assert field["before"].startswith("Call the patient") and field["after"].startswith("Ring the patient")
    others = [d for d in report["decisions"] if d["decision"] == "unchanged"]
    assert others and all(d["fields"] == [] for d in others)
    assert {ref: r["meta"]["versionId"] for ref, r in plan_resources(client, identifier)} == before


@pytest.mark.parametrize(("fail_on", "expected"), [("change", 1), ("conflict", 0), ("", 0)])
def test_a_build_fails_on_what_it_is_told(changed, server, capsys, fail_on, expected):
    _, _, file = changed
    words = ["push", str(file), "--to", server.base, "--dry-run", *(["--fail-on", fail_on] if fail_on else [])]
    assert run(words, capsys)[0] == expected


def test_a_conflict_names_the_fields_that_both_changed(changed, server, capsys):
    client, identifier, file = changed
    reference = read(plan_resources(client, identifier))[1].items[CALL].references["task"]
    task = client.read(reference)
    assert client.send("PUT", reference, {**task, "description": "Visit the patient instead"}).status == 200
    code, out, _ = run(["push", str(file), "--to", server.base, "--dry-run", "--fail-on", "conflict"], capsys)
    assert code == 1 and "conflict   task/call [task]" in out and "--take ours:ITEM or --take theirs:ITEM" in out
    assert client.read(reference)["description"] == "Visit the patient instead"
