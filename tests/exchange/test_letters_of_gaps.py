"""Letters and call scripts of chosen rows: one entry a plan, none for a patient who died or withdrew."""

from __future__ import annotations

import errno
import json
import stat

import pytest

from waykeeper import verbs
from waykeeper.cli.main import main
from waykeeper.exchange import files
from waykeeper.pathway.library import folder
from waykeeper.verbs import comparing

CASE = folder("sandbox_bundles") / "demo-left"
AS_OF = "2026-06-26"
FILES = ("record", "plan")


def test_a_letter_and_a_call_for_who_missed_a_visit():
    (one,) = verbs.letters(str(CASE), as_of=AS_OF)
    assert "Maren Wintergale" in one.letter
    assert "Maren Wintergale" in one.call
    assert one.language == "en"


@pytest.mark.parametrize(("as_of", "invited"), [("2026-03-05", True), ("2026-03-18", True), ("2026-03-19", False)])
def test_nobody_is_invited_to_the_class_before_an_operation_whose_day_is_over(as_of, invited):
    """The class and the laboratory visit prepare for surgery on Wed 2026-03-18; after it `we want to find a new day`
    would be a riddle to the patient."""
    unbooked = [str(CASE / f"{name}.bundle.json") for name in FILES]
    letter = " ".join(one.letter for one in verbs.letters(*unbooked, as_of=as_of))
    assert ("Come to the class" in letter, "Come for your blood test" in letter) == (invited, invited)


@pytest.mark.parametrize(("kind", "letter", "call"), [("letter", True, False), ("call", False, True)])
def test_one_kind_alone(kind, letter, call):
    (one,) = verbs.letters(str(CASE), as_of=AS_OF, kind=kind)
    assert (bool(one.letter), bool(one.call)) == (letter, call)


def test_rows_that_the_filters_leave():
    assert verbs.letters(str(CASE), as_of=AS_OF, owner="Ruth Alderman") == ()
    (one,) = verbs.letters(str(CASE), as_of=AS_OF, phase="last-two-weeks")
    assert one.letter == ""
    assert [f.code for f in one.why] == ["WKO008"]


def test_nothing_for_the_dead(tmp_path):
    record = json.loads((CASE / "record.bundle.json").read_text("utf-8"))
    plan = json.loads((CASE / "plan.bundle.json").read_text("utf-8"))
    for entry in [*record["entry"], *plan["entry"]]:
        if entry["resource"]["resourceType"] == "Patient":
            entry["resource"]["deceasedDateTime"] = "2026-06-20"
    (tmp_path / "record.json").write_text(json.dumps(record))
    (tmp_path / "plan.json").write_text(json.dumps(plan))
    found = verbs.letters(str(tmp_path), as_of=AS_OF)
    assert all(one.letter == one.call == "" for one in found)
    assert {f.code for one in found for f in one.why} <= {"WKO001"}


def test_every_patient_of_a_large_export_gets_a_letter(tmp_path, monkeypatch):
    """A report of a large folder keeps one plan of each pathway only: the others' letters were left out."""
    number = "https://alder-quay.example/mrn"
    for name in ("demo-left", "warfarin-right"):
        held = [json.loads((folder("sandbox_bundles") / name / f"{f}.bundle.json").read_text("utf-8")) for f in FILES]
        lines = [json.dumps(e["resource"]) for bundle in held for e in bundle["entry"]]
        (tmp_path / f"{name}.ndjson").write_text("\n".join(lines))
    whole = verbs.letters(str(tmp_path), as_of=AS_OF)
    monkeypatch.setattr(comparing, "LARGE", 1)
    large = verbs.letters(str(tmp_path), as_of=AS_OF)
    assert len(whole) == 2 and [str(one.plan.patient.identifier) for one in large] == [
        str(one.plan.patient.identifier) for one in whole
    ]
    assert all(str(one.plan.patient.identifier).startswith(number) for one in large)


def test_a_filter_that_fits_nobody_is_said(tmp_path, capsys):
    """`No gap, so no letter` for a name that is written otherwise looked like good news."""
    given = ["letters", "--from", str(CASE), "--as-of", AS_OF, "--owner", "Ruht Alderman", "-o", str(tmp_path / "l")]
    assert main(given) == 0
    assert "WKC221 warning: --owner is 'Ruht Alderman', whom no row names" in capsys.readouterr().err


def test_bookings_that_cannot_be_read_are_said(tmp_path, capsys):
    (tmp_path / "b.csv").write_text("who,day,state\nAQ-1001,soon,x\n")
    (tmp_path / "m.yaml").write_text(
        "mapping: m\nzone: America/Chicago\nsystems: {patient: 'https://alder-quay.example/mrn'}\nstatus: {x: booked}\n"
        "csv: {date: '%Y-%m-%d', columns: {patient: who, date: day, status: state}}\n"
    )
    given = ["letters", "--from", str(CASE), "--from", str(tmp_path / "b.csv"), "--mapping", str(tmp_path / "m.yaml")]
    assert main([*given, "--as-of", AS_OF, "-o", str(tmp_path / "l")]) == 1
    assert str(tmp_path / "b.csv") in capsys.readouterr().err


def test_a_run_that_was_broken_off_goes_on_in_its_folder(tmp_path, monkeypatch, capsys):
    """It had to be emptied by hand. What is not what this run writes still stands and is refused."""
    folder = tmp_path / "letters"
    given = ["letters", "--from", str(CASE), "--as-of", AS_OF, "-o", str(folder)]
    monkeypatch.setattr(files, "_replace", _full_after(1))
    assert main(given) == 2  # one page of two could be written: neither is there
    assert "letters: WKC104 error: cannot write: no space left on device" in capsys.readouterr().err
    assert list(folder.iterdir()) == []
    monkeypatch.undo()
    assert main(given) == 0
    whole = {one.name: one.read_bytes() for one in folder.iterdir()}
    assert sorted(whole) == ["001-call.html", "001-letter.html"]
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(one.stat().st_mode) for one in folder.iterdir()} == {0o600}
    (folder / "001-call.html").unlink()  # killed between the two
    assert main(given) == 0
    assert {one.name: one.read_bytes() for one in folder.iterdir()} == whole
    (folder / "001-letter.html").write_text("of another day")
    assert main(given) == 2
    assert "WKC222 error: the folder holds letters of another run" in capsys.readouterr().err
    assert (folder / "001-letter.html").read_text() == "of another day"


def _full_after(number):
    """A disk that is full after so many files."""
    left, write = iter(range(number)), files._replace

    def replace(target, content):
        if next(left, None) is None:
            raise OSError(errno.ENOSPC, "No space left on device")
        write(target, content)

    return replace
