"""The day's work is kept for every kind of item: whose it is, until when it is put off, why it was closed."""

from __future__ import annotations

import csv
import json
from datetime import date

import pytest

from contract.saved import saved
from contract.test_medicine_list import pushed  # noqa: F401 - the fixture
from waykeeper.cli.main import main
from waykeeper.exchange import Server
from waykeeper.exchange.reading import plan_resources
from waykeeper.fhir import read

BY = ["--by", "R. Alder"]


@pytest.fixture
def note(pushed, capsys):  # noqa: F811 - the fixture
    base, identifier = pushed

    def noted(item, what, *more):
        code = main(
            ["note", item, what, "--to", base, "--patient", f"{identifier.system}|{identifier.value}", *BY, *more]
        )
        said = capsys.readouterr()
        return code, said.out + said.err

    return noted


def standing(pushed):  # noqa: F811
    """The state of each item by its name."""
    base, identifier = pushed
    _, state = read(plan_resources(Server(base), identifier))
    return {str(key): one for key, one in state.items.items()}


def stands(pushed, name):  # noqa: F811
    return standing(pushed)[name]


def kept(one):
    return one.owner, one.snoozed_until, one.closed_because, one.closed_by, one.closed_on


EACH_KIND = ("visit/six-week", "goal/moves-safely", "task/consent", "question/works_for_pay")


def test_owner_snooze_and_closing_are_read_back_and_a_closing_is_taken_back(pushed, note):  # noqa: F811
    before = standing(pushed)
    for name in EACH_KIND:
        assert note(name, "owner", "--text", "K. Barlow", "--on", "2026-03-02")[0] == 0
        assert note(name, "snoozed", "--on", "2026-03-05")[0] == 0
        code, said = note(name, "closed", "--text", "seen elsewhere", "--on", "2026-03-06")
        assert (code, f"{name}: closed by R. Alder on 2026-03-06" in said) == (0, True)
    after = standing(pushed)
    for name in EACH_KIND:
        one, was = after[name], before[name]
        assert kept(one) == ("K. Barlow", date(2026, 3, 5), "seen elsewhere", "R. Alder", date(2026, 3, 6)), name
        assert (one.status, one.cls, one.references) == (was.status, was.cls, was.references), name
        assert note(name, "reopened", "--text", "it was another patient", "--on", "2026-03-07")[0] == 0
    again = standing(pushed)
    assert {name: kept(again[name]) for name in EACH_KIND} == dict.fromkeys(
        EACH_KIND, ("K. Barlow", date(2026, 3, 5), "", "", None)
    )


def test_what_came_after_a_closing_puts_the_row_on_the_list_until_it_is_closed_again(pushed, note, capsys, tmp_path):  # noqa: F811
    def six_week(day):
        assert main(["gaps", "--from", saved(*pushed, tmp_path), "--as-of", day, "--format", "json"]) == 0
        rows = json.loads(capsys.readouterr().out)["rows"]
        return next(r for r in rows if r["item"] == "visit/six-week" and _of(r, pushed))

    assert note("visit/six-week", "closed", "--text", "will call after the holiday", "--on", "2026-03-30")[0] == 0
    before, after = six_week("2026-04-02"), six_week("2026-05-10")
    assert (before["verdict"], before["closed"]) == ("to-book", True)
    assert (after["verdict"], after["closed"]) == ("missed", False)
    assert "Closed by R. Alder on Mon 2026-03-30 (will call after the holiday)" in after["reason"]
    assert note("visit/six-week", "closed", "--text", "went to another hospital", "--on", "2026-05-10")[0] == 0
    again = six_week("2026-05-11")
    assert (again["verdict"], again["closed"], again["closed_because"]) == ("missed", True, "went to another hospital")


def test_a_second_push_leaves_what_was_kept(pushed, note, capsys):  # noqa: F811
    base, _ = pushed
    assert note("visit/six-week", "closed", "--text", "abroad", "--on", "2026-03-06")[0] == 0
    assert main(["push", "plan.json", "--to", base]) == 0
    assert "nothing to send" in capsys.readouterr().out
    assert stands(pushed, "visit/six-week").closed_because == "abroad"


def test_what_waits_for_a_decision_is_not_closed(pushed, note):  # noqa: F811
    identifier = pushed[1]
    hold = f"hold/https://alder-quay.example/record-rows|{identifier.value}-medicines-1"
    for name, remedy in ((hold, "(answered)"), ("gate/ready-for-surgery", "(released)"),
                         ("restriction/non-weight-bearing", "(released)")):  # fmt: skip
        code, said = note(name, "closed", "--text", "no answer", "--on", "2026-03-10")
        assert (code, "waits for a decision" in said, remedy in said) == (2, True, True), said
    assert note(hold, "owner", "--text", "K. Barlow", "--on", "2026-03-02")[0] == 0
    assert kept(stands(pushed, hold))[:3] == ("K. Barlow", None, "")


def test_putting_off_past_the_last_day_is_told(pushed, note):  # noqa: F811
    _, said = note("visit/six-week", "snoozed", "--on", "2026-06-01")
    assert "stands on the list from 2026-05-06 on all the same" in said
    _, said = note("visit/six-week", "snoozed", "--on", "2026-05-01")
    assert "all the same" not in said


def test_a_visit_recorded_as_kept_is_attended(pushed, note, capsys, tmp_path):  # noqa: F811
    assert note("visit/six-week", "done", "--on", "2026-04-29", "--text", "at the clinic in town")[0] == 0
    assert main(["gaps", "--from", saved(*pushed, tmp_path), "--as-of", "2026-05-10", "--format", "json"]) == 0
    rows = json.loads(capsys.readouterr().out)["rows"]
    mine = next(r for r in rows if r["item"] == "visit/six-week" and r["patient"] and _of(r, pushed))
    assert (mine["verdict"], mine["certainty"], mine["evidence_day"]) == ("attended", "linked", "2026-04-29")
    assert stands(pushed, "visit/six-week").status == "completed"
    code, said = note("visit/six-week", "done", "--on", "2026-04-30")
    assert (code, "is recorded as kept already" in said) == (2, True)


def _of(row, pushed):  # noqa: F811
    return row["identifier"].endswith(pushed[1].value)


def test_a_day_of_notes_out_of_the_lists_own_spreadsheet(pushed, tmp_path, capsys):  # noqa: F811
    """The list as CSV, three columns added, two rows filled: the rows without a note are passed over."""
    base, identifier = pushed
    assert main(["gaps", "--from", saved(*pushed, tmp_path), "--as-of", "2026-03-10", "--csv", "list.csv"]) == 0
    with (tmp_path / "list.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = [r for r in csv.DictReader(file) if r["identifier"].endswith(identifier.value)]
    noted = {
        "task/blood-tests": {"note": "done", "noted_on": "2026-03-09"},
        "visit/joint-class": {"note": "closed", "text": "read the booklet at home"},
    }
    with (tmp_path / "day.csv").open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, [*rows[0], "note", "noted_on", "text"])
        writer.writeheader()
        writer.writerows(
            [{**r, **noted.get(r["item"], {})} for r in rows] + [{**rows[0], "item": "task/x", "note": "done"}]
        )
    capsys.readouterr()
    assert main(["note", "--cases", "day.csv", "--to", base, "--by", "R. Alder", "--on", "2026-03-10"]) == 1
    said = capsys.readouterr()
    assert "2 notes written, 1 refused" in said.out
    assert f"day.csv:{len(rows) + 2}:1: WKX221 error: no item 'task/x' in the plan" in said.err
    assert main(["note", "--cases", "day.csv", "--to", base, "--by", "R. Alder", "--on", "2026-03-10"]) == 1
    assert "1 note written, 1 there before, 1 refused" in capsys.readouterr().out
    assert stands(pushed, "task/blood-tests").done_on == date(2026, 3, 9)
    assert kept(stands(pushed, "visit/joint-class"))[2:] == ("read the booklet at home", "R. Alder", date(2026, 3, 10))
