"""A bulk export split by patient gives the same report as the whole, whatever the order of its lines."""

from __future__ import annotations

import gzip
import sys
from datetime import date
from pathlib import Path

import orjson
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

from bulk_folder import write

from waykeeper import verbs
from waykeeper.exchange.partition import bulk_files, partition, patient_of, resources
from waykeeper.findings import WaykeeperError
from waykeeper.verbs import comparing
from waykeeper.verbs.caseload import caseload

PATIENTS = 12


@pytest.fixture(scope="module")
def export(tmp_path_factory):
    folder = tmp_path_factory.mktemp("export")
    write(folder, PATIENTS)
    return folder


def test_each_line_goes_to_its_patients_part_and_none_is_lost(export, tmp_path):
    parts = partition(bulk_files(str(export)), tmp_path, 5)
    read = [line for file in bulk_files(str(export)) for line in file.read_bytes().splitlines()]
    written = [line for file in parts.files for line in file.read_bytes().splitlines()]
    assert sorted(read) == sorted(written)
    assert parts.lines == len(read)
    where = {}
    for file in parts.files:
        for _, resource in resources(file):
            where.setdefault(patient_of(resource, {}), set()).add(file)
    assert len(where) == PATIENTS
    assert all(len(files) == 1 for files in where.values())


def test_the_report_of_many_parts_is_that_of_the_whole(export):
    whole = verbs.gaps(str(export), as_of="2026-06-26")
    split = caseload(bulk_files(str(export)), date(2026, 6, 26), part=100_000)
    assert len(split.parts.files) > 3
    assert split.count == len(whole.plans) == PATIENTS
    assert split.worklist == whole.worklist


def test_a_large_folder_is_read_that_way(export, monkeypatch):
    whole = verbs.gaps(str(export), as_of="2026-06-26", phase="")
    monkeypatch.setattr(comparing, "LARGE", 1)
    large = verbs.gaps(str(export), as_of="2026-06-26")
    assert large.worklist == whole.worklist
    assert large.evidence == () and len(large.plans) == 1
    with pytest.raises(WaykeeperError, match="no plan"):
        verbs.gaps(str(_only(export, "Patient")), as_of="2026-06-26")


def _only(export, kind):
    folder = export.parent / f"only-{kind}"
    folder.mkdir(exist_ok=True)
    (folder / f"{kind}.ndjson").write_bytes((export / f"{kind}.ndjson").read_bytes())
    return folder


def test_a_patient_named_by_identifier_is_found():
    known = {"https://clinic.example/mrn|1": "Patient/9"}
    named = {"identifier": {"system": "https://clinic.example/mrn", "value": "1"}}
    assert patient_of({"resourceType": "Appointment", "participant": [{"actor": named}]}, known) == "Patient/9"
    assert patient_of({"resourceType": "Encounter", "subject": {"reference": "https://x.example/Patient/4"}}, {}) == (
        "Patient/4"
    )
    assert patient_of({"resourceType": "Location"}, known) == ""


def test_only_folders_of_ndjson_are_bulk(export, tmp_path):
    assert bulk_files(str(export))
    (tmp_path / "a.ndjson").write_text("{}")
    (tmp_path / "plan.json").write_text("{}")
    assert bulk_files(str(tmp_path)) == []
    assert bulk_files(str(tmp_path / "a.ndjson")) == []


@pytest.mark.parametrize(("line", "code"), [(b"{", "WKC102"), (b"[1]", "WKC103"), (b'{"id": "1"}', "WKC103")])
def test_a_line_that_cannot_be_read_is_named(tmp_path, line, code):
    with gzip.open(tmp_path / "a.ndjson.gz", "wb") as out:
        out.write(orjson.dumps({"resourceType": "Patient", "id": "1"}) + b"\n" + line + b"\n")
    into = tmp_path / "parts"
    into.mkdir()
    with pytest.raises(WaykeeperError) as raised:
        partition(bulk_files(str(tmp_path)), into, 2)
    assert raised.value.findings[0].code == code
    assert raised.value.findings[0].position.line == 2
