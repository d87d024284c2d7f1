"""`waykeeper move` as a coordinator uses it: the demo's patient, a server, the page, the sheet, the calendar."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from icalendar import Calendar

from waykeeper import verbs
from waykeeper.cli.main import main
from waykeeper.pathway.library import folder
from waykeeper.sandbox import running

WHO = "https://alder-quay.example/mrn|AQ-1001"
HOLD = "hold/https://alder-quay.example/record-rows|AQ-1001-medicines-1"
BUNDLES = folder("sandbox_bundles")
TODAY = "2026-03-17"


@pytest.fixture
def url():
    with running(load=str(BUNDLES / "demo-left")) as base:
        yield base


def run(capsys, *words) -> tuple[int, str, str]:
    code = main(list(words))
    out, err = capsys.readouterr()
    return code, out, err


def move(url, *more):
    return ["move", "--from", url, "--patient", WHO, "--as-of", TODAY, "--reason", "theatre closed", *more]


def flat(text: str) -> str:
    return " ".join(text.split())


def test_text_json_and_page_say_the_same_and_the_sheet_names_the_one_it_replaces(url, capsys, tmp_path):
    verbs.note(HOLD, "answered", to=url, patient=WHO, by="Dr Reed", on="2026-03-02", days=2)
    files = [str(tmp_path / n) for n in ("a.html", "a.json", "s.html", "c.ics")]
    options = [w for pair in zip(("--html", "--json", "--sheet", "--ics"), files, strict=True) for w in pair]
    code, out, err = run(capsys, *move(url, "--surgery", "2026-04-08T07:30", "--by", "Ruth Alderman, RN", *options))
    assert code == 0, err
    told = json.loads((tmp_path / "a.json").read_text("utf-8"))["plans"][0]
    page = flat(re.sub(r"<[^>]+>", "", (tmp_path / "a.html").read_text("utf-8")).replace("&#39;", "'"))
    text = flat(out)
    for call in told["calls"]:
        assert call["to"] in text and call["by"] in text
        for sentence in call["say"]:
            said, _, by = flat(sentence).partition(" (By ")  # the day stands beside the medicine
            assert said in text and said in page, sentence
            assert by.removesuffix(".)") in text and by.removesuffix(".)") in page, sentence
    for row in [r for r in told["items"] if r["change"] != "unchanged"]:
        assert row["title"] in text and row["title"] in page
    assert f"THE SAME AS BEFORE: {sum(r['change'] == 'unchanged' for r in told['items'])}" in text
    for one in told["rebook"]:
        assert one["booked"][:10] in text and one["reason"] in page
    old, new = told["sheet_code_was"], told["sheet_code"]
    assert old != new and old in text and new in text
    sheet = (tmp_path / "s.html").read_text("utf-8")
    assert f"with the code {old}" in sheet and new in sheet and "Wednesday, March 18, 2026" in sheet
    medicine = next(m for m in told["medicines"] if m["item"] == HOLD)
    assert (medicine["need"], medicine["answered_before"], medicine["missed_days"]) == ("ask about restart", True, 2)

    events = Calendar.from_ical((tmp_path / "c.ics").read_bytes()).walk("VEVENT")
    assert {int(e["SEQUENCE"]) for e in events} == {int(events[0]["SEQUENCE"])} and int(events[0]["SEQUENCE"]) >= 1
    assert any(e["STATUS"] == "CANCELLED" for e in events)  # the answered pause of the old date
    kept = {str(e["UID"]): e["DTSTART"].dt for e in events if e["STATUS"] != "CANCELLED"}
    assert kept
    code, out, _ = run(capsys, "sheet", "--from", url, "--patient", WHO, "--as-of", TODAY, "--html", "-")
    assert code == 0 and f"with the code {old}" in out
    code, out, _ = run(capsys, "calendar", "--from", url, "--patient", WHO, "--as-of", TODAY, "--ics", "-")
    later = Calendar.from_ical(out).walk("VEVENT")
    assert int(later[0]["SEQUENCE"]) >= int(events[0]["SEQUENCE"])  # counted by the server's changes


def test_nothing_is_moved_where_its_page_could_not_be_written(url, capsys, tmp_path):
    for option in ("--html", "--json", "--sheet", "--ics"):
        code, out, err = run(capsys, *move(url, "--surgery", "2026-04-08T07:30", option, str(tmp_path / "no" / "x")))
        assert (code, out) == (2, "") and "WKC104" in err and "there is no folder" in err
    assert {row.surgery.isoformat() for row in verbs.gaps(url, as_of=TODAY).worklist.rows} == {"2026-03-18"}


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no device that is always full")
def test_where_a_disk_is_full_after_the_move_the_rest_is_told_and_that_it_was_moved(url, capsys, tmp_path):
    page = tmp_path / "move.html"
    full = move(url, "--surgery", "2026-04-08T07:30", "--sheet", "/dev/full", "--html", str(page))
    code, out, err = run(capsys, *full)
    assert code == 3 and "WKC104" in err and "The plan is moved." in err  # 3: run it again, as README.md says
    assert "2026-04-08" in out and "2026-04-08" in page.read_text("utf-8")


def test_moved_earlier_says_whose_pause_is_too_short(url, capsys):
    verbs.note(HOLD, "answered", to=url, patient=WHO, by="Dr Reed", on="2026-03-02", days=5)
    words = ["move", "--from", url, "--patient", WHO, "--surgery", "2026-03-16T07:30", "--as-of", "2026-03-13"]
    code, out, err = run(capsys, *words, "--format", "json")
    assert code == 0, err
    told = json.loads(out)["plans"][0]
    row = next(m for m in told["medicines"] if m["item"] == HOLD)
    assert (row["need"], row["possible_days"], row["missed_days"]) == ("cannot be met", 3, 5)
    assert row["earliest_surgery"] == "2026-03-18"  # yesterday's dose counts: 2026-03-12, and five days without
    roles = [c["role"] for c in told["calls"] if c["urgent"]]
    assert roles[:3] == ["patient", "prescriber", "surgeon"]  # the answer needs the last dose
    assert told["late"], "days before surgery that are over now are said"


def test_after_a_move_compile_and_push_go_on(url, capsys, tmp_path):
    assert run(capsys, *move(url, "--surgery", "2026-04-08T07:30"))[0] == 0
    plan = verbs.move(url, patient=WHO, as_of=TODAY).moved.new
    bundle = str(tmp_path / "plan.json")
    code, _, err = run(
        capsys, "compile", "total-ankle-replacement", "--clinic", "clinic-demo", "--from", url,
        "--patient-identifier", WHO, "--surgery", "2026-04-08T07:30", "--side", plan.side,
        "--anaesthesia", plan.anaesthesia, "--output", bundle,
    )  # fmt: skip
    assert code == 0, err
    code, out, err = run(capsys, "push", bundle, "--to", url)
    assert code == 0, err  # no guard: the day of the change is kept; what the bookings of later days prove is merged
    code, out, err = run(capsys, "push", bundle, "--to", url)
    assert code == 0 and "nothing to send" in out, (out, err)


def test_side_and_anaesthesia_are_corrected_without_another_date(url, capsys):
    code, out, err = run(capsys, *move(url, "--side", "right", "--anaesthesia", "spinal", "--format", "json"))
    assert code == 0, err
    told = json.loads(out)["plans"][0]
    assert {t["name"] for t in told["changed"]} >= {"side"} and told["surgery"] == told["surgery_was"]
    assert not any("now on" in s for c in told["calls"] for s in c["say"])
    code, out, err = run(capsys, "sheet", "--from", url, "--patient", WHO, "--as-of", TODAY, "--html", "-")
    assert f"Your plan changed. This sheet replaces the earlier sheet with the code {told['sheet_code_was']}." in out, (
        err
    )


def test_a_file_is_moved_into_a_file(capsys, tmp_path):
    made = tmp_path / "made.json"
    words = ["--record", str(BUNDLES / "demo-left" / "record.bundle.json"), "--as-of", TODAY, "-o", str(made)]
    source = str(BUNDLES / "demo-left" / "plan.bundle.json")
    code, out, err = run(capsys, "move", "--from", source, "--surgery", "2026-04-08T07:30", *words)
    assert code == 0, err
    assert "WOULD BE MOVED" in out
    assert run(capsys, "validate", str(made))[0] == 0
    assert verbs.explain("visit/six-week", bundle=str(made))[1].dates.target.day.isoformat() == "2026-05-20"
    assert "what people did is not in it" not in flat(out)


def test_a_file_is_moved_and_what_was_done_is_said_to_stay_behind(capsys, tmp_path, monkeypatch):
    """A Bundle to be pushed is the plan alone: the page says DONE AND STILL VALID, and that file has it open."""
    plan = json.loads((BUNDLES / "demo-left" / "plan.bundle.json").read_text())
    task = next(
        e["resource"] for e in plan["entry"] if e["resource"].get("description") == "First contact after the referral"
    )
    task |= {"status": "completed", "executionPeriod": {"end": "2026-02-02"}}
    monkeypatch.chdir(tmp_path)
    source, made = Path("done.json"), Path("made.json")
    source.write_text(json.dumps(plan))
    words = ["--record", str(BUNDLES / "demo-left" / "record.bundle.json"), "--as-of", TODAY, "-o", str(made)]
    code, out, err = run(capsys, "move", "--from", str(source), "--surgery", "2026-04-08T07:30", *words)
    assert code == 0, err
    assert "First contact after the referral: done Mon 2026-02-02" in flat(out)
    assert "what people did is not in it and stays in done.json (1 item)" in flat(out)
    tasks = [e["resource"] for e in json.loads(made.read_text())["entry"] if e["resource"]["resourceType"] == "Task"]
    assert {t["status"] for t in tasks} == {"requested"}


def test_withdrawn_with_a_reason_and_told_in_the_history(url, capsys):
    words = ["withdraw", "--from", url, "--patient", WHO, "--reason", "flood in theatre", "--by", "Ruth Alderman, RN"]
    code, out, err = run(capsys, *words, "--suspend", "--as-of", TODAY)
    assert code == 0 and "read back" in out, err
    code, out, err = run(capsys, "history", "--from", url, "--patient", WHO)
    last = flat(out[out.rindex("version ") :])
    assert "THE PLAN IS ON HOLD, another day is expected by Ruth Alderman, RN: flood in theatre" in last
    assert " new" not in last
    code, out, err = run(capsys, *move(url, "--surgery", "2026-04-08T07:30"))
    assert code == 0 and "MOVED" in out, err
    # Of a plan that is on hold no sheet is printed: a code of it is on no paper that could be thrown away.
    assert "sheet: no older one is valid" in flat(out) and "Throw away every older sheet." in flat(out)
    code, out, err = run(capsys, "sheet", "--from", url, "--patient", WHO, "--as-of", TODAY, "--html", "-")
    assert "replaces the sheet for surgery on Wednesday, March 18, 2026. Please throw away all older sheets." in out, (
        err
    )
    code, out, err = run(capsys, "history", "--from", url, "--patient", WHO, "--items")
    assert code == 0, err
    assert "withdrawal by Ruth Alderman, RN" in out and "why: flood in theatre" in flat(out)
    assert "surgery: Wed 2026-03-18 07:30 (given) -> Wed 2026-04-08 07:30 (given)" in flat(out)


def test_nothing_is_said_to_the_dead(url, capsys):
    from waykeeper.exchange import Server

    server = Server(url)
    ref, patient = server.search("Patient", [("identifier", WHO)])[0]
    server.send("PUT", ref, {**patient, "deceasedDateTime": "2026-03-10"})
    code, out, err = run(capsys, *move(url, "--surgery", "2026-04-08T07:30"))
    assert code == 2 and out == "" and "WKC207" in err
    words = ["withdraw", "--from", url, "--patient", WHO, "--reason", "died", "--as-of", TODAY]
    assert run(capsys, *words)[0] == 0
    code, _, err = run(capsys, "sheet", "--from", url, "--patient", WHO, "--html", "-")
    assert code == 2 and "WKO001" in err


def test_a_row_of_a_table_that_fails_is_said_in_the_text_and_on_the_error_stream(url, capsys, tmp_path):
    """Nothing but a footer and an exit code would leave nobody knowing who was not moved, and why."""
    day = tmp_path / "day.csv"
    day.write_text("patient,surgery\nhttps://alder-quay.example/mrn|AQ-9999,2026-04-08T07:30\n", encoding="utf-8")
    code, out, err = run(capsys, "move", "--from", url, "--cases", str(day), "--dry-run", "--as-of", TODAY)
    assert code != 0 and "1 patient: none moved, 1 not moved." in out
    assert "NOT MOVED: 1" in out and "WKX221" in out and "line 2" in out
    assert f"{day}:2:1: WKX221 error" in err and "AQ-9999" not in err + out


def test_a_number_that_is_her_old_one_is_hers(url, capsys, tmp_path):
    """Records were merged: the Patient says `old` of the number that the plan was made with."""
    record = json.loads((BUNDLES / "demo-left" / "record.bundle.json").read_text("utf-8"))
    patient = next(e["resource"] for e in record["entry"] if e["resource"]["resourceType"] == "Patient")
    patient["identifier"][0]["use"] = "old"
    patient["identifier"].append({"system": WHO.partition("|")[0], "value": "AQ-7777"})
    (tmp_path / "merged.json").write_text(json.dumps(record), "utf-8")
    options = ["--surgery", "2026-04-08T07:30", "--by", "R", "--record", str(tmp_path / "merged.json"), "--dry-run"]
    code, _, err = run(capsys, *move(url, *options))
    assert code == 0, err


def test_a_table_takes_each_record_from_a_folder_where_the_server_holds_none(capsys, tmp_path):
    """A closed theatre day on a server without medicine lists: --record was read for one patient only."""
    records, table = tmp_path / "records", tmp_path / "day.csv"
    records.mkdir()
    system = WHO.partition("|")[0]
    with running() as url:
        for name in ("AQ-1001", "AQ-2002"):
            text = (BUNDLES / "demo-left" / "record.bundle.json").read_text("utf-8").replace("AQ-1001", name)
            (records / f"{name}.json").write_text(text, "utf-8")
            plan = verbs.compile(
                "total-ankle-replacement", clinic="clinic-demo", patient=str(records / f"{name}.json"),
                surgery="2026-03-18T07:30", side="left", anaesthesia="general",
            )  # fmt: skip
            (tmp_path / "plan.json").write_text(json.dumps(plan.bundle), "utf-8")
            verbs.push(str(tmp_path / "plan.json"), to=url)
        (records / "AQ-2002.json").rename(tmp_path / "later.json")
        rows = "".join(f"{system}|{name},2026-04-08T07:30\n" for name in ("AQ-1001", "AQ-2002"))
        table.write_text("patient,surgery\n" + rows, "utf-8")
        moving = ["move", "--from", url, "--cases", str(table), "--reason", "closed", "--by", "R", "--as-of", TODAY]
        code, out, err = run(capsys, *moving)
        assert code != 0 and "NOT MOVED: 2" in flat(out) and err.count("WKC211") == 2
        code, out, err = run(capsys, *moving, "--record", str(records))
        assert code != 0 and "NOT MOVED: 1" in flat(out)
        assert f"{table}:3:1: WKX511 error: no record in {records} has this identifier" in err
        (tmp_path / "later.json").rename(records / "AQ-2002.json")
        code, out, err = run(capsys, *moving, "--record", str(records))
        assert (code, err) == (0, "") and "NOT MOVED" not in out
