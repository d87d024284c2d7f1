"""Somebody with nothing but the address of a server gets to a pushed plan in three commands, and can take it back."""

from merge.small import new_identifier
from waykeeper.cli.main import main
from waykeeper.exchange import Server
from waykeeper.exchange.reading import plan_resources
from waykeeper.pathway.shelf import folder

ANCHORS = ["--surgery", "2026-03-18T07:30", "--side", "left", "--anaesthesia", "general"]


def test_three_commands(server, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    identifier = new_identifier()
    record = folder("sandbox_bundles") / "demo-left" / "record.bundle.json"
    (tmp_path / "record.json").write_text(record.read_text("utf-8").replace("AQ-1001", identifier.value))
    assert main(["server", server.base]) == 0
    assert "fit for a push" in capsys.readouterr().out
    words = ["--clinic", "clinic-demo", "--patient", "record.json", *ANCHORS, "--output", "plan.json"]
    assert main(["compile", "total-ankle-replacement", *words]) == 0
    capsys.readouterr()
    assert main(["push", "plan.json", "--to", server.base]) == 0
    assert "read back: the server holds what was sent" in capsys.readouterr().out
    assert main(["push", "plan.json", "--to", server.base]) == 0
    assert "nothing to send" in capsys.readouterr().out
    held = plan_resources(Server(server.base), identifier)
    assert len(held) > 200
    taken = ["withdraw", "--from", server.base, "--patient", f"{identifier.system}|{identifier.value}"]
    assert main([*taken, "--reason", "only tried out", "--by", "Ann"]) == 0
    roots = [r for _, r in plan_resources(Server(server.base), identifier) if r["resourceType"] == "CarePlan"]
    assert {r["status"] for r in roots} == {"revoked"}


def test_the_invented_patient_is_the_one_of_the_library(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    record = str(folder("sandbox_bundles") / "demo-left" / "record.bundle.json")
    for patient, output in ((record, "a.json"), ("demo-left", "b.json")):
        words = ["--clinic", "clinic-demo", "--patient", patient, *ANCHORS, "--output", output]
        assert main(["compile", "total-ankle-replacement", *words]) == 0
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()
