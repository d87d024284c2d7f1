"""A plan pushed from a file, onto a server that has no medicine list: its medicines are never lost in silence.

`compile --patient FILE`, then `push`, is the flow of the README; what comes after it must know the same medicines.
"""

import json

import pytest

from contract.saved import saved
from merge.small import new_identifier
from waykeeper.cli.main import main
from waykeeper.exchange import Server
from waykeeper.exchange.reading import plan_resources
from waykeeper.fhir import read
from waykeeper.pathway.shelf import folder

PATHWAY = ["total-ankle-replacement", "--clinic", "clinic-demo"]
ANCHORS = ["--surgery", "2026-03-18T07:30", "--side", "left", "--anaesthesia", "general"]


@pytest.fixture
def pushed(server, tmp_path, monkeypatch, capsys):
    """The server's address and `--patient` words, with the plan of record.json on the server and nothing else."""
    monkeypatch.chdir(tmp_path)
    identifier = new_identifier()
    record = folder("sandbox_bundles") / "demo-left" / "record.bundle.json"
    (tmp_path / "record.json").write_text(record.read_text("utf-8").replace("AQ-1001", identifier.value))
    assert main(["compile", *PATHWAY, "--patient", "record.json", *ANCHORS, "--output", "plan.json"]) == 0
    assert main(["push", "plan.json", "--to", server.base]) == 0
    capsys.readouterr()
    return server.base, identifier


def standing(base, identifier):
    _, state = read(plan_resources(Server(base), identifier))
    return {str(k): s.cls for k, s in state.items.items() if k.kind in ("hold", "medicine")}


def test_compile_from_the_server_alone_is_refused_with_the_remedy(pushed, capsys, tmp_path):
    base, identifier = pushed
    who = f"{identifier.system}|{identifier.value}"
    alone = ["compile", *PATHWAY, "--from", base, "--patient-identifier", who, *ANCHORS, "--output", "again.json"]
    assert main(alone) == 2
    said = capsys.readouterr().err
    assert "WKC211 error: 5 medicines of the plan are not where the plan is. Add --patient" in said
    assert not (tmp_path / "again.json").exists()
    assert main([*alone, "--patient", "record.json"]) == 0
    assert main(["push", "again.json", "--to", base]) == 0
    assert "nothing to send" in capsys.readouterr().out


def test_a_bundle_without_medicines_never_withdraws_them(pushed, capsys, tmp_path):
    base, identifier = pushed
    before = standing(base, identifier)
    assert len(before) == 5 and set(before.values()) == {"open"}
    record = json.loads((tmp_path / "record.json").read_text("utf-8"))
    kinds = ("MedicationRequest", "MedicationStatement")
    record["entry"] = [e for e in record["entry"] if e["resource"]["resourceType"] not in kinds]
    (tmp_path / "bare.json").write_text(json.dumps(record))
    assert main(["compile", *PATHWAY, "--patient", "bare.json", *ANCHORS, "--output", "bare-plan.json"]) == 0
    capsys.readouterr()
    assert main(["push", "bare-plan.json", "--to", base]) == 1
    said = capsys.readouterr().err
    assert "WKU106 error: the bundle has no medicine, 5 stand on the server" in said and "--patient" in said
    assert standing(base, identifier) == before
    named = [word for item in before for word in ("--take", f"ours:{item}")]
    assert main(["push", "bare-plan.json", "--to", base, *named]) == 0
    assert set(standing(base, identifier).values()) == {"withdrawn"}


def test_a_withdrawn_plan_is_taken_up_again_as_its_refusal_says(pushed, capsys):
    base, identifier = pushed
    who = f"{identifier.system}|{identifier.value}"
    assert main(["withdraw", "--from", base, "--patient", who, "--reason", "surgery cancelled", "--by", "Ann"]) == 0
    assert main(["push", "plan.json", "--to", base]) == 1
    assert "WKU105" in capsys.readouterr().err
    assert main(["push", "plan.json", "--to", base, "--take", "ours:plan"]) == 0
    assert set(standing(base, identifier).values()) == {"open"}


def test_a_row_that_went_is_asked_about_until_somebody_answers(pushed, capsys, tmp_path):
    """Nobody answered: in the worklist, in the next move and on the sheet; a note ends it, for a hold and a review."""
    base, identifier = pushed
    who = f"{identifier.system}|{identifier.value}"
    record = json.loads((tmp_path / "record.json").read_text("utf-8"))
    rows = [e for e in record["entry"] if e["resource"]["resourceType"].startswith("Medication")]
    items = sorted(standing(base, identifier))
    hold = next(i for i in items if i.startswith("hold/"))
    review = next(i for i in items if i.startswith("medicine/"))
    gone = [i.rpartition("|")[2] for i in (hold, review)]
    record["entry"] = [e for e in record["entry"] if e not in rows or not any(g in json.dumps(e) for g in gone)]
    (tmp_path / "shorter.json").write_text(json.dumps(record))

    def move(day):
        words = ["--record", "shorter.json", "--as-of", "2026-03-02", "--format", "json"]
        assert main(["move", "--from", base, "--patient", who, "--surgery", day, *words]) == 0
        told = json.loads(capsys.readouterr().out)["plans"][0]["medicines"]
        return {m["item"] for m in told if m["need"] == "no longer listed"}

    def listed():
        path = saved(base, identifier, tmp_path)
        assert main(["gaps", "--from", path, "--as-of", "2026-03-02", "--format", "json"]) in (0, 1)
        found = json.loads(capsys.readouterr().out)["rows"]
        mine = [r for r in found if r["identifier"].endswith(identifier.value) and r["item"] in (hold, review)]
        return {
            r["item"]
            for r in mine
            if r["gap"] and r["verdict"] == "needs-review" and "not on the newest" in r["reason"]
        }

    def noted(*words):
        assert main(["note", *words, "--to", base, "--patient", who, "--by", "Ann"]) == 0, capsys.readouterr().err
        capsys.readouterr()

    assert move("2026-04-08T07:30") == {hold, review} == listed()
    assert move("2026-04-15T07:30") == {hold, review} == listed()
    noted(hold, "answered", "--decision", "already stopped", "--text", "stopped by the cardiologist in February")
    assert listed() == {review}
    noted(review, "closed", "--text", "never taken, a slip of the list")
    assert listed() == set() == move("2026-04-22T07:30")
