"""A closed theatre day: 100 patients are one command, one page, and it may be killed and run again."""

from __future__ import annotations

import csv
import json
import signal
import subprocess
import sys
import time
from collections import Counter
from datetime import date
from pathlib import Path

import pytest

from merge.small import HOME, MRN, compiled, order, patient
from waykeeper.cli.main import main
from waykeeper.exchange import Server
from waykeeper.exchange.reading import plan_resources
from waykeeper.fhir import bundle, read_all
from waykeeper.pathway.library import folder as folder_of
from waykeeper.plan.model import Identifier
from waykeeper.sandbox import running

PATIENTS = 100
NEW = "2026-04-08T07:30"
SAME = ("surgery", "surgery_was", "changed", "medicines", "items", "rebook", "late", "reason", "by")


def someone(number: int) -> Identifier:
    return Identifier(MRN, f"CLOSED-{number:03}")


def stands(server: Server, who: Identifier) -> None:
    """A patient with record and plan, as a push leaves them."""
    entries = bundle(compiled(who))["entry"]
    person = {**patient(who), "id": who.value}
    made = {"resource": person, "request": {"method": "PUT", "url": f"Patient/{who.value}"}}
    drug = {**order(), "subject": {"reference": f"Patient/{who.value}"}}
    extra = {"resource": drug, "request": {"method": "POST", "url": "MedicationRequest"}}
    urn = next(e["fullUrl"] for e in entries if e["resource"]["resourceType"] == "Patient")
    rest = [e for e in entries if e["resource"]["resourceType"] != "Patient"]
    text = json.dumps(rest).replace(urn, f"Patient/{who.value}")
    server.bundle({"resourceType": "Bundle", "type": "transaction", "entry": [made, extra, *json.loads(text)]})


def days(server: Server) -> Counter[date]:
    plans = [p for p, _ in read_all(plan_resources(server, None))]
    return Counter(p.anchor("surgery").moment.day for p in plans)


@pytest.fixture(scope="module")
def closed():
    with running() as base:
        server = Server(base)
        for number in range(PATIENTS):
            stands(server, someone(number))
        yield server


def table(folder: Path) -> Path:
    path = folder / "day.csv"
    with path.open("w", encoding="utf-8", newline="") as out:
        rows = csv.writer(out)
        rows.writerow(["patient", "surgery"])
        rows.writerows([[str(someone(n)), NEW] for n in range(PATIENTS)])
    return path


def clinic(folder: Path) -> Path:
    """The demo's clinic without its overlay, which is for the pathways of the library."""
    text = folder_of("pathways").joinpath("clinic-demo.yaml").read_text("utf-8")
    assert "overlays: [nothing-after-midnight]" in text
    made = folder / "clinic.yaml"
    made.write_text(text.replace("overlays: [nothing-after-midnight]", "overlays: []"), "utf-8")
    return made


def line(server: Server, folder: Path) -> list[str]:
    return [
        "move", "--from", server.base, "--cases", str(table(folder)), "--pathway", str(HOME / "small.yaml"),
        "--clinic", str(clinic(folder)), "--as-of", "2026-03-10", "--reason", "theatre closed", "--by", "Ruth Alderman",
        "--format", "json", "--html", str(folder / "day.html"),
    ]  # fmt: skip


def test_a_hundred_patients_killed_in_the_middle_and_run_again(closed, tmp_path, capsys):
    words = line(closed, tmp_path)
    command = [sys.executable, "-m", "waykeeper", *words]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    end = time.monotonic() + 240
    while time.monotonic() < end and child.poll() is None:
        moved = len(closed.search("Provenance", [("_count", "50")]))
        if moved >= PATIENTS // 4:
            break
        time.sleep(0.1)
    child.send_signal(signal.SIGKILL)
    child.wait()
    child.stdout.close()
    child.stderr.close()
    half = days(closed)
    assert child.returncode == -signal.SIGKILL and 0 < half[date(2026, 4, 8)] < PATIENTS
    assert set(half) == {date(2026, 3, 18), date(2026, 4, 8)} and not (tmp_path / "day.html").exists()

    assert main(words) == 0
    told = json.loads(capsys.readouterr().out)
    assert days(closed) == {date(2026, 4, 8): PATIENTS}
    statuses = Counter(p["status"] for p in told["plans"])
    assert statuses == {"moved before": half[date(2026, 4, 8)], "moved": half[date(2026, 3, 18)]}
    assert told["not_moved"] == []
    first = {name: told["plans"][0][name] for name in SAME}
    for plan in told["plans"]:  # whether moved before the kill or after it: the same is said
        assert {name: plan[name] for name in SAME} == first
        assert [(c["role"], c["by"], len(c["say"])) for c in plan["calls"]] == [
            (c["role"], c["by"], len(c["say"])) for c in told["plans"][0]["calls"]
        ]
    page = (tmp_path / "day.html").read_text("utf-8")
    assert page.count('<article class="card') == PATIENTS and f"{PATIENTS} patients" in page
    assert len(closed.search("Provenance", [("_count", "50")])) == PATIENTS  # nothing was done twice


def test_interrupted_by_a_person_says_what_was_done(tmp_path, monkeypatch, capsys):
    """Ctrl-C at the third patient: two are on the page, and the next run moves the rest."""
    from waykeeper.verbs.moving import Moving

    whole, calls = Moving.move, []

    def until_the_third(self, *args, **options):
        calls.append(args)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return whole(self, *args, **options)

    with running() as base:
        server = Server(base)
        for number in range(3):
            stands(server, someone(number))
        words = line(server, tmp_path)
        (tmp_path / "day.csv").write_text(
            "patient,surgery\n" + "".join(f"{someone(n)},{NEW}\n" for n in range(3)), "utf-8"
        )
        monkeypatch.setattr(Moving, "move", until_the_third)
        assert main(words) == 130
        out, err = capsys.readouterr()
        assert len(json.loads(out)["plans"]) == 2 and "run it again" in err
        assert (tmp_path / "day.html").read_text("utf-8").count("<article") == 2
        monkeypatch.setattr(Moving, "move", whole)
        assert main(words) == 0
        statuses = [p["status"] for p in json.loads(capsys.readouterr().out)["plans"]]
        assert statuses == ["moved before", "moved before", "moved"]
