"""The same commands say the same whoever wrote the server: a plan from its first push to its withdrawal."""

import re
from datetime import UTC, datetime

import pytest
import time_machine

from contract.peers import sandbox_server
from waykeeper.cli.main import main
from waykeeper.pathway.shelf import folder

PATIENT = ["--patient", "https://alder-quay.example/mrn|AQ-1001"]
BY = ["--by", "Ruth Alderman, RN"]
SURGERY = ["--surgery", "2026-03-18T07:30", "--side", "left", "--anaesthesia", "general"]
RECORD = str(folder("sandbox_bundles") / "demo-left" / "record.bundle.json")
OF_THE_SERVER = re.compile(r"\b([A-Z][A-Za-z]+)/[0-9a-f-]+(?=\W)|\d{4}-\d\d-\d\d \d\d:\d\d(?= \|)")
COMPILE = ["compile", "total-ankle-replacement", "--clinic", "clinic-demo", "--patient", RECORD, *SURGERY]


def commands(base, plan):
    """Each with what it is to return."""
    there, to = ["--from", base], ["--to", base]
    return [
        (["push", plan, *to], 0),
        (["push", plan, *to], 0),
        (["gaps", *there, "--as-of", "2026-03-12"], 0),
        (["note", "task/clearance-received", "done", *to, *PATIENT, *BY, "--on", "2026-02-18"], 0),
        (["note", "visit/joint-class", "contact", *to, *PATIENT, *BY, "--on", "2026-03-03", "--text", "called"], 0),
        (["note", "visit/joint-class", "done", *to, *PATIENT, *BY, "--on", "2026-03-03"], 0),
        (["note", "visit/joint-class", "done", *to, *PATIENT, *BY, "--on", "2026-03-02"], 2),
        (["issues", *there, *to, "--as-of", "2026-05-12"], 0),
        (["issues", *there, *to, "--as-of", "2026-05-12"], 0),
        (["move", *there, *PATIENT, *BY, "--surgery", "2026-04-15T07:30", "--reason", "theatre closed",
          "--record", RECORD], 0),
        (["gaps", *there, "--as-of", "2026-06-09"], 0),
        (["history", *there, *PATIENT], 0),
        (["withdraw", *there, *PATIENT, *BY, "--reason", "surgery cancelled"], 0),
        (["withdraw", *there, *PATIENT, *BY, "--reason", "surgery cancelled"], 0),
        (["gaps", *there, "--as-of", "2026-06-09"], 0),
    ]  # fmt: skip


def said(base, plan, capsys):
    """What each command says, without the names and hours that a server gives."""
    told = []
    for words, code in commands(base, plan):
        assert main(words) == code, (words, capsys.readouterr())
        out, err = capsys.readouterr()
        told.append((words[0], OF_THE_SERVER.sub(r"\1", (out + err).replace(base, "BASE"))))
    return told


@pytest.mark.xdist_group("node")
@time_machine.travel(datetime(2026, 3, 10, 18, tzinfo=UTC), tick=True)
def test_the_same_commands_say_the_same(second_peer, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main([*COMPILE, "--output", "plan.json"]) == 0
    capsys.readouterr()
    with sandbox_server() as sandbox:
        ours = said(sandbox.base, "plan.json", capsys)
    theirs = said(second_peer.base, "plan.json", capsys)
    assert [words for words, _ in ours] == [words for words, _ in theirs]
    for (command, one), (_, other) in zip(ours, theirs, strict=True):
        assert one == other, command
    assert "nothing to send: " in ours[1][1] and "MOVED" in ours[9][1] and "ALREADY WITHDRAWN" in ours[13][1]
