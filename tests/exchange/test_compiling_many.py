"""A theatre list becomes a plan a case, as compile makes it alone; what fails is listed, nothing is half."""

from __future__ import annotations

import errno
import json
import os
import shutil

import pytest

from waykeeper.cli.main import main
from waykeeper.findings import WaykeeperError
from waykeeper.pathway.library import folder
from waykeeper.sandbox import running
from waykeeper.verbs import compile as compile_one
from waykeeper.verbs import compiling_many
from waykeeper.verbs.compiling_many import CaseOutcome, compile_all, read_cases
from yaml_text import plain

BUNDLES = folder("sandbox_bundles")
CASES = plain((BUNDLES / "cases.yaml").read_text("utf-8"))
NAMES = ("demo-left", "leap-day", "clocks-back")
MRN = "https://alder-quay.example/mrn"


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    place = tmp_path_factory.mktemp("records")
    for name in NAMES:
        shutil.copy(str(BUNDLES / name / "record.bundle.json"), place / f"{name}.json")
    return str(place)


def listed(tmp_path, *more):
    rows = ["patient,surgery,side,anaesthesia,surgeon"]
    for name in NAMES:
        case = CASES[name]
        number = case["patient"].partition("|")[2]
        rows.append(f"{number},{case['surgery']},{case['side']},{case['anaesthesia']},Dr A")
    path = tmp_path / "list.csv"
    path.write_text("\n".join([*rows, *more]) + "\n")
    return str(path)


def alone(name, records):
    case = CASES[name]
    made = compile_one(
        "total-ankle-replacement", clinic="clinic-demo", patient=f"{records}/{name}.json", surgery=case["surgery"],
        side=case["side"], anaesthesia=case["anaesthesia"], patient_identifier=case["patient"],
    )  # fmt: skip
    return made.bundle


def compiled(tmp_path, records, *more, output="out", jobs=1, **options):
    return compile_all(
        "total-ankle-replacement", clinic="clinic-demo", cases=listed(tmp_path, *more), patient=records,
        output=str(tmp_path / output), jobs=jobs, **options,
    )  # fmt: skip


def test_two_processes_make_what_compile_makes_alone(tmp_path, records):
    heard = []
    report = compiled(tmp_path, records, jobs=2, reported=heard.append)
    assert [o.failed for o in report.outcomes] == [False] * 3 and list(report.outcomes) == heard
    made = [json.loads((tmp_path / "out" / o.file).read_text()) for o in report.outcomes]
    assert made == [json.loads(json.dumps(alone(name, records))) for name in NAMES]
    assert (tmp_path / "out").stat().st_mode & 0o777 == 0o700


def test_a_failing_case_is_listed_and_the_rest_goes_on(tmp_path, records):
    report = compiled(tmp_path, records, "AQ-9999,2026-03-18,left,spinal,", "AQ-1001,2026-13-01,left,spinal,")
    codes = [[f.code for f in o.findings if f.severity == "error"] for o in report.outcomes]
    assert codes == [["WKX513"], [], [], ["WKX511"], ["WKX513"]]
    assert len(list((tmp_path / "out").iterdir())) == 2


def test_ndjson_has_a_line_a_case_in_the_order_of_the_list(tmp_path, records):
    compiled(tmp_path, records, output="plans.ndjson")
    lines = (tmp_path / "plans.ndjson").read_text().splitlines()
    assert [json.loads(line) for line in lines] == [json.loads(json.dumps(alone(name, records))) for name in NAMES]


@pytest.mark.parametrize("output", ["out", "plans.ndjson"])
def test_where_nothing_compiles_nothing_is_there(output, tmp_path, records):
    (tmp_path / "list.csv").write_text("patient,surgery\nAQ-9999,2026-03-18\n")
    report = compile_all(
        "total-ankle-replacement", clinic="clinic-demo", cases=str(tmp_path / "list.csv"), patient=records,
        output=str(tmp_path / output), jobs=1,
    )  # fmt: skip
    assert len(report.failed) == 1 and sorted(p.name for p in tmp_path.iterdir()) == ["list.csv"]


def test_an_interruption_leaves_nothing_half(tmp_path, records):
    def stop(_):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        compiled(tmp_path, records, reported=stop)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["list.csv"]


def test_an_older_ndjson_stands_until_the_new_one_is_whole(tmp_path, records):
    (tmp_path / "plans.ndjson").write_text("older")
    with pytest.raises(KeyboardInterrupt):
        compiled(tmp_path, records, output="plans.ndjson", reported=lambda _: (_ for _ in ()).throw(KeyboardInterrupt))
    assert (tmp_path / "plans.ndjson").read_text() == "older"


@pytest.mark.parametrize("jobs", [1, 2])
def test_records_of_a_server(tmp_path, jobs):
    with running(load=str(BUNDLES / "demo-left")) as url:
        (tmp_path / "list.csv").write_text(
            "patient,surgery,side\nAQ-1001,2026-03-18T07:30,left\nAQ-1,2026-03-18,left\n"
        )
        report = compile_all(
            "total-ankle-replacement", clinic="clinic-demo", cases=str(tmp_path / "list.csv"), from_=url,
            output=str(tmp_path / "out"), jobs=jobs,
        )  # fmt: skip
    assert [[f.code for f in o.findings if f.severity == "error"] for o in report.outcomes] == [[], ["WKX221"]]


FOREIGN = """
mapping: a foreign list
zone: America/Chicago
systems: {patient: https://alder-quay.example/mrn}
cases:
  delimiter: semicolon
  date: "%d.%m.%Y"
  time: "%H.%M"
  columns: {patient: Nr, surgery: Tag, time: Zeit, side: Seite, anaesthesia: Narkose}
  side: {li: left, re: right}
  anaesthesia: {ITN: general, SPA: spinal}
"""


def test_a_foreign_list_by_its_mapping(tmp_path):
    (tmp_path / "m.yaml").write_text(FOREIGN)
    path = tmp_path / "list.csv"
    path.write_text("Nr;Name;Tag;Zeit;Seite;Narkose\nAQ-1;X;18.03.2026;07.30;Li;ITN\nAQ-2;Y;19.03.2026;;re;SPA\n")
    one, two = read_cases(str(path), "", str(tmp_path / "m.yaml"))
    assert (one.patient, one.surgery, one.side, one.anaesthesia) == (
        f"{MRN}|AQ-1",
        "2026-03-18T07:30",
        "left",
        "general",
    )
    assert (two.surgery, two.side, two.anaesthesia) == ("2026-03-19", "right", "spinal")


def test_a_word_that_the_mapping_does_not_know_is_a_failed_case(tmp_path):
    (tmp_path / "m.yaml").write_text(FOREIGN)
    path = tmp_path / "list.csv"
    path.write_text("Nr;Tag;Zeit;Seite;Narkose\nAQ-1;18.03.2026;07.30;beidseits;ITN\nAQ-2;18/03/2026;;re;SPA\n")
    made = read_cases(str(path), "", str(tmp_path / "m.yaml"))
    assert all(isinstance(one, CaseOutcome) for one in made)
    assert [[(f.code, f.position.line, f.position.column) for f in one.findings] for one in made] == [
        [("WKX510", 2, 23)], [("WKX510", 3, 6)],
    ]  # fmt: skip


def test_the_output_is_looked_at_before_anything_is_compiled(tmp_path, records):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "older.json").write_text("{}")
    heard = []
    with pytest.raises(WaykeeperError, match="WKX512"):
        compiled(tmp_path, records, reported=heard.append)
    assert heard == []


def test_what_is_in_doubt_of_a_case_is_said_with_its_line(tmp_path, records, capsys):
    mine = shutil.copytree(records, tmp_path / "records")
    record = mine / f"{NAMES[0]}.json"
    document = json.loads(record.read_text("utf-8"))
    document["entry"] = [e for e in document["entry"] if not e["resource"]["resourceType"].startswith("Medication")]
    record.write_text(json.dumps(document), "utf-8")
    output, given = str(tmp_path / "out"), ["--cases", listed(tmp_path), "--patient", str(mine)]
    main(["compile", "total-ankle-replacement", "--clinic", "clinic-demo", *given, "--output", output, "--jobs", "1"])
    said = capsys.readouterr().err.splitlines()
    (doubt,) = [line for line in said if "WKM304" in line]
    assert doubt.startswith(f"{tmp_path / 'list.csv'}:2:1: WKM304 warning: the record holds no medicine list")
    assert str(record) in doubt
    assert said[-1].endswith("on those that were compiled") and "0 warnings" not in said[-1]


@pytest.mark.parametrize(("link", "place"), [("plans.ndjson", "kept.ndjson"), ("plans", "kept")])
def test_a_link_in_the_output_s_place_stands(link, place, tmp_path, records):
    (tmp_path / "kept").mkdir()
    (tmp_path / link).symlink_to(tmp_path / place)
    compiled(tmp_path, records, output=link)
    assert (tmp_path / link).is_symlink()
    made = tmp_path / place
    assert len(list(made.iterdir()) if made.is_dir() else made.read_text("utf-8").splitlines()) == len(NAMES)


def test_a_disk_of_its_own_in_the_output_s_place_takes_the_files(tmp_path, records, monkeypatch):
    """A volume of a container cannot give way to another folder: all was compiled, and thrown away at the end."""
    (tmp_path / "out").mkdir()
    disks = {str(tmp_path / "out")}
    monkeypatch.setattr(compiling_many.os.path, "ismount", lambda path: str(path) in disks)
    monkeypatch.setattr(compiling_many.Path, "rmdir", lambda path: pytest.fail(f"{path} is a disk"))
    report = compiled(tmp_path, records)
    assert sorted(one.name for one in (tmp_path / "out").iterdir()) == sorted(o.file for o in report.outcomes)


@pytest.mark.parametrize("output", ["out", "out.ndjson"])
def test_what_cannot_be_put_in_its_place_at_the_end_is_told_with_the_reason(output, tmp_path, monkeypatch):
    (tmp_path / "made").mkdir()

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(compiling_many.Path, "replace", full)
    with pytest.raises(WaykeeperError, match=r"WKC104.*no space left on device"):
        compiling_many._settle(str(tmp_path / "made"), str(tmp_path / output), [])


def test_a_pipe_in_the_output_s_place_is_refused_before_anything_is_compiled(tmp_path, records):
    os.mkfifo(tmp_path / "pipe.ndjson")
    with pytest.raises(WaykeeperError, match="it is a device or a pipe") as refused:
        compiled(tmp_path, records, output="pipe.ndjson", reported=pytest.fail)
    assert [f.code for f in refused.value.findings] == ["WKX512"]
    assert (tmp_path / "pipe.ndjson").is_fifo()


def test_no_plan_is_made_for_an_operation_that_is_called_off(tmp_path, records):
    """It was compiled like the others: the column was not read. A row for the new date is no second one."""
    (tmp_path / "list.csv").write_text(
        "patient,surgery,side,anaesthesia,status\n"
        "AQ-1001,2026-03-11,left,spinal,Cancelled\nAQ-1001,2026-03-18,left,spinal,Booked\n"
    )
    report = compile_all(
        "total-ankle-replacement", clinic="clinic-demo", cases=str(tmp_path / "list.csv"), patient=records,
        output=str(tmp_path / "out"), jobs=1,
    )  # fmt: skip
    assert [o.failed for o in report.outcomes] == [True, False]
    assert [f.code for f in report.outcomes[0].findings] == ["WKX514"] and report.outcomes[0].findings[
        0
    ].position.line == 2
    assert len(list((tmp_path / "out").iterdir())) == 1
