"""A bulk export split by patient gives the same report as the whole, whatever the order of its lines."""

from __future__ import annotations

import errno
import gzip
import os
import pickle
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date
from pathlib import Path

import orjson
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))

from bulk_folder import write

from waykeeper import verbs
from waykeeper.exchange import partition as partitioning
from waykeeper.exchange.errors import BadAnswerError
from waykeeper.exchange.partition import bulk_files, check, partition, resources
from waykeeper.exchange.sorted_on_disk import write_run
from waykeeper.fhir.patients import persons_of
from waykeeper.findings import Position, WaykeeperError, finding
from waykeeper.verbs import caseload as splitting
from waykeeper.verbs import comparing
from waykeeper.verbs.caseload import caseload

PATIENTS = 12
BUNDLES = Path(__file__).parents[2] / "sandbox_bundles"


@pytest.fixture(scope="module")
def export(tmp_path_factory):
    folder = tmp_path_factory.mktemp("export")
    write(folder, PATIENTS)
    return folder


def test_each_line_goes_to_its_patients_part_and_none_is_lost(export, tmp_path):
    parts = partition(bulk_files(str(export)), tmp_path, 5)
    read = [line for file in bulk_files(str(export)) for line in file.read_bytes().splitlines()]
    written = [line for part in parts.files for file in part for line in file.read_bytes().splitlines()]
    assert sorted(read) == sorted(written)
    assert parts.lines == len(read)
    where = {}
    for part in parts.files:
        for _, resource in resources(part):
            where.setdefault(whose(resource), set()).add(part)
    assert len(where) == PATIENTS
    assert all(len(files) == 1 for files in where.values())


def test_the_report_of_many_parts_is_that_of_the_whole(export):
    whole = verbs.gaps(str(export), as_of="2026-06-26")
    split = caseload(bulk_files(str(export)), date(2026, 6, 26), part=100_000)
    assert len(split.parts.files) > 3
    assert split.count == len(whole.plans) == PATIENTS
    assert read(split.worklist) == whole.worklist


def test_a_large_folder_is_read_that_way(export, monkeypatch):
    whole = verbs.gaps(str(export), as_of="2026-06-26", phase="")
    monkeypatch.setattr(comparing, "LARGE", 1)
    large = verbs.gaps(str(export), as_of="2026-06-26")
    assert read(large.worklist) == whole.worklist
    assert large.evidence == () and len(large.plans) == 1
    with pytest.raises(WaykeeperError, match="no plan"):
        verbs.gaps(str(_only(export, "Patient")), as_of="2026-06-26")


def read(report):
    """A report whose rows and appointments are read from disk as one that holds them."""
    rows, placed = tuple(report.rows), tuple(report.appointments)
    assert (len(report.rows), len(report.appointments)) == (len(rows), len(placed))
    return replace(report, rows=rows, appointments=placed)


def _only(export, kind):
    folder = export.parent / f"only-{kind}"
    folder.mkdir(exist_ok=True)
    (folder / f"{kind}.ndjson").write_bytes((export / f"{kind}.ndjson").read_bytes())
    return folder


MRN = {"system": "https://alder-quay.example/patients", "value": "000003"}


def changed(export, folder, kind, change, *more):
    """The export with each resource of a type as a function gives it (None: left out), and further resources."""
    folder.mkdir()
    for file in bulk_files(str(export)):
        lines = [orjson.loads(line) for line in file.read_bytes().splitlines()]
        kept = [change(r) if r["resourceType"] == kind else r for r in lines]
        written = b"".join(orjson.dumps(r) + b"\n" for r in kept if r is not None)
        (folder / file.name).write_bytes(written)
    if more:
        (folder / "More.ndjson").write_bytes(b"".join(orjson.dumps(r) + b"\n" for r in more))
    return folder


def about(resource, number):
    """Whether a booking or request is one of this patient's."""
    return f'"Patient/{number}"' in orjson.dumps(resource).decode()


def renamed(resource, old, new):
    """The resource with one reference to a patient as another."""
    return orjson.loads(orjson.dumps(resource).replace(f'"Patient/{old}"'.encode(), orjson.dumps(new)))


def named_by(resource, *, reference=""):
    """A booking of patient 3 that names her by her identifier, and by this reference where one is given."""
    if not about(resource, "000003"):
        return resource
    said = {"identifier": MRN} | ({"reference": reference} if reference else {"type": "Patient"})
    actors = [p if "Patient" not in str(p["actor"]) else {**p, "actor": said} for p in resource["participant"]]
    return resource | {"participant": actors}


# What an export may do to the bookings (or Patients) of one patient, and what else it may hold.
MESSY = {
    "two Patients with one identifier": (
        "Appointment", lambda r: renamed(r, "000003", "Patient/twin"),
        [{"resourceType": "Patient", "id": "twin", "identifier": [MRN]}],
    ),
    "another reference, and her identifier": (
        "Appointment", lambda r: named_by(r, reference="Patient/elsewhere"), [],
    ),
    "her identifier only": ("Appointment", named_by, []),
    "no Patients at all": ("Patient", lambda _: None, []),
    "a Patient twice": (
        "Appointment", lambda r: r, [{"resourceType": "Patient", "id": "000003", "identifier": [MRN]}],
    ),
    "a class": (
        "Appointment", lambda r: r,
        [{
            "resourceType": "Appointment", "id": "class", "status": "booked", "start": "2026-07-01T10:00:00-05:00",
            "end": "2026-07-01T11:00:00-05:00", "description": "Wound check",
            "participant": [{"actor": {"reference": f"Patient/{n:06}"}, "status": "accepted"} for n in (1, 3, 5, 99)],
        }],
    ),
}  # fmt: skip
BY_NUMBER = {"actor": {"type": "Patient", "identifier": {**MRN, "value": "000007"}}, "status": "accepted"}
A_CLASS = MESSY["a class"][2][0]
MESSY["a class, one by her number"] = (
    "Appointment", lambda r: r, [A_CLASS | {"participant": [A_CLASS["participant"][0], BY_NUMBER]}],
)  # fmt: skip


@pytest.mark.parametrize("mess", MESSY)
def test_a_messy_export_split_says_what_it_says_whole(export, tmp_path, mess):
    kind, change, more = MESSY[mess]
    folder = changed(export, tmp_path / "export", kind, change, *more)
    whole = verbs.gaps(str(folder), as_of="2026-06-26").worklist
    split = caseload(bulk_files(str(folder)), date(2026, 6, 26), part=60_000, jobs=1)
    assert len(split.parts.files) > 5
    assert read(split.worklist) == whole
    if not mess.startswith("a "):  # each of these bookings is found as it was before
        assert whole.rows == verbs.gaps(str(export), as_of="2026-06-26").worklist.rows


def test_an_export_split_in_two_processes_is_that_of_one(export, tmp_path):
    """Also where only the files of both together show that names matter: two Patients with one number."""
    twin = orjson.dumps({"resourceType": "Patient", "id": "twin", "identifier": [MRN]})
    for more in ("", "Zz.ndjson"):
        folder = changed(export, tmp_path / f"export{more}", "none", lambda r: r)
        if more:
            (folder / more).write_bytes(twin + b"\n")
        found = []
        for name, pool in (("alone", None), ("two", ThreadPoolExecutor(1))):
            into = tmp_path / f"{name}{more}"
            into.mkdir()
            parts = partition(bulk_files(str(folder)), into, 5, pool)
            files = len({file for part in parts.files for file in part})
            assert files == (10 if pool and not more else 5)
            found.append((parts.lines, parts.bytes, [resources(part) for part in parts.files]))
        assert found[0] == found[1]


# In a process of its own, as a part is compared: the collector sees what every thread of a process leaves.
CYCLES = """
import gc, sys
from datetime import date
from pathlib import Path
from waykeeper.verbs.caseload import _part
part = [Path(file) for file in sys.argv[1:]]
compared = _part(part, [], date(2026, 6, 26))  # what is kept for good is made now
gc.collect()
gc.disable()
again = _part(part, [], date(2026, 6, 26))
print(gc.collect(), again == compared, again.rows.count)
"""


def test_a_part_leaves_no_cycles_for_the_collector(export, tmp_path):
    kind, change, more = MESSY["a class"]
    folder = changed(export, tmp_path / "export", kind, change, *more)
    into = tmp_path / "parts"
    into.mkdir()
    (part,) = partition(bulk_files(str(folder)), into, 1).files
    run = subprocess.run([sys.executable, "-c", CYCLES, *map(str, part)], capture_output=True, text=True, check=False)
    assert (run.stdout, run.stderr) == (f"0 True {11 * PATIENTS}\n", "")


def whose(resource):
    """The patient whom a resource of the benchmark's export is or names."""
    (person,) = persons_of(f"{resource['resourceType']}/{resource['id']}", resource)
    return person[0]


@pytest.mark.parametrize(
    ("resource", "persons"),
    [
        ({"resourceType": "Appointment", "participant": [{"actor": {"identifier": MRN, "type": "Patient"}}]},
         ((f"{MRN['system']}|{MRN['value']}",),)),
        ({"resourceType": "Encounter", "subject": {"reference": "https://x.example/Patient/4"}}, (("Patient/4",),)),
        ({"resourceType": "Location"}, ()),
    ],
)  # fmt: skip
def test_whom_a_resource_names(resource, persons):
    assert persons_of("", resource) == persons


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


_P = '"subject":{"reference":"Patient/1"'  # stands for P in the lines
PLAIN = [
    ('{"resourceType":"Encounter",P}}', "Patient/1"),
    ('{"resourceType":"Encounter",P,"display":"Patient/1"}}', "Patient/1"),
    ('{"resourceType":"Task","for":{"reference":"Patient/1"},"focus":{"reference":"Patient/1"}}', "Patient/1"),
    # what is not said plainly is parsed
    ('{"resourceType":"Encounter",P},"partOf":{"reference":"Patient/2"}}', ""),
    ('{"resourceType":"Task","for":{"identifier":{"value":"9"}},"focus":{"reference":"Patient/2"}}', ""),
    ('{"resourceType":"Encounter","contained":[{"resourceType":"Encounter",P}}]}', ""),
    ('{"resourceType":"Provenance",P}}', ""),
    ('{"id":"1","resourceType":"Encounter",P}}', ""),
    ('{"resourceType":"Appointment","participant":[{"actor":{"reference":"Patient/1"}},{"actor":{}}]}', ""),
    ('{"resourceType":"Encounter","subject":{"reference":"Patient/1/_history/2"}}', ""),
    ('{"resourceType":"Encounter","subject": {"reference": "Patient/1"}}', ""),
    ('{"resourceType":"Encounter","subject":{"reference":"https://x.example/Patient/1"}}', ""),
    ('{"resourceType":"Encounter","type":[{"text":"\\"subject\\":{\\"reference\\":\\"Patient/1\\""}]}', ""),
]


def test_bundles_in_lines_are_the_resources_that_they_hold(tmp_path):
    """As `compile --cases` writes them: a plan a line, with references that are good inside the Bundle only."""
    folder = tmp_path / "export"
    folder.mkdir()
    plans = [(BUNDLES / name / "plan.bundle.json").read_bytes() for name in ("demo-left", "knee-left", "leap-day")]
    (folder / "plans.ndjson").write_bytes(b"".join(orjson.dumps(orjson.loads(plan)) + b"\n" for plan in plans))
    whole = verbs.gaps(str(folder), as_of="2026-06-26")
    split = caseload(bulk_files(str(folder)), date(2026, 6, 26), part=100_000, jobs=1)
    assert len(split.parts.files) > 3 and split.count == len(whole.plans) == 3
    assert read(split.worklist) == whole.worklist


def test_a_mark_of_the_byte_order_at_the_beginning_of_each_file_is_no_part_of_a_line(export, tmp_path):
    folder = changed(export, tmp_path / "export", "none", lambda r: r)
    for file in bulk_files(str(folder)):
        file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes())
    split = caseload(bulk_files(str(folder)), date(2026, 6, 26), part=60_000, jobs=1)
    assert read(split.worklist) == verbs.gaps(str(export), as_of="2026-06-26").worklist


@pytest.mark.parametrize(("line", "said"), PLAIN)
def test_only_a_line_that_says_plainly_whose_it_is_is_not_parsed(line, said):
    line = line.replace("P}", _P + "}").replace("P,", _P + ",")
    assert partitioning._named_plainly(line.encode()).decode() == said
    persons = persons_of("", orjson.loads(line))
    assert said == "" or persons == ((said,),)


def test_what_a_line_says_plainly_is_what_it_says_parsed(export):
    lines = [line for file in bulk_files(str(export)) for line in file.read_bytes().splitlines()]
    plain = [(said, line) for line in lines if (said := partitioning._named_plainly(line))]
    assert len(plain) == len(lines) - PATIENTS  # all but the Patients themselves
    assert all(said.decode() == whose(orjson.loads(line)) for said, line in plain)


def test_a_line_that_breaks_off_behind_its_patient_is_named(export, tmp_path):
    broken = tmp_path / "broken"
    broken.mkdir()
    for file in bulk_files(str(export)):
        (broken / file.name).write_bytes(file.read_bytes())
    with (broken / "Encounter.ndjson").open("ab") as out:
        out.write(b'{"resourceType":"Encounter","id":"e","subject":{"reference":"Patient/1"},"per\n')
    last = len((broken / "Encounter.ndjson").read_bytes().splitlines())
    for read in (check, lambda files: caseload(files, date(2026, 6, 26))):
        with pytest.raises(WaykeeperError) as raised:
            read(bulk_files(str(broken)))
        (found,) = raised.value.findings
        assert (found.code, found.position.line) == ("WKC102", last)


@pytest.mark.parametrize("jobs", [1, 2])
@pytest.mark.parametrize(
    ("kind", "more", "said"),
    [
        ("ServiceRequest", {"identifier": "x"}, "ServiceRequest.identifier is a text, a list is wanted"),
        ("Appointment", {"participant": [None]}, "Appointment.participant[0] is null, an object is wanted"),
        ("Patient", {"name": "x"}, "Patient.name is a text, a list is wanted"),
    ],
)
def test_a_resource_that_nobody_can_read_is_named_with_its_line(export, tmp_path, kind, more, said, jobs):
    found = [orjson.loads(line) for file in bulk_files(str(export)) for line in file.read_bytes().splitlines()]
    last = [r["id"] for r in found if r["resourceType"] == kind][-1]
    folder = changed(export, tmp_path / "changed", kind, lambda r: r | more if r["id"] == last else r)
    with pytest.raises(WaykeeperError) as refused:
        caseload(bulk_files(str(folder)), date(2026, 6, 26), part=100_000, jobs=jobs)
    (one,) = refused.value.findings
    line = Path(one.position.file).read_bytes().splitlines()[one.position.line - 1]
    assert one.code == "WKX219" and one.details.endswith(said) and orjson.loads(line)["id"] == last
    assert f"{kind}/{last}" in one.details


def test_no_room_to_split_into_is_said_with_what_to_do(export, tmp_path, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    for broken in (partitioning._split, write_run):  # while the export is split, and while its rows are written
        with monkeypatch.context() as patched:
            patched.setattr("tempfile.tempdir", str(tmp_path))
            patched.setattr(f"{broken.__module__}.{broken.__name__}", full)
            if broken is write_run:
                patched.setattr(splitting, "write_run", full)
            with pytest.raises(WaykeeperError, match=r"no space left.*TMPDIR") as raised:
                caseload(bulk_files(str(export)), date(2026, 6, 26), jobs=1)
        (found,) = raised.value.findings
        assert (found.code, found.position.file) == ("WKC104", str(tmp_path))
        assert list(tmp_path.iterdir()) == []


def test_what_stops_a_process_reaches_the_one_that_waits_for_it_whole():
    where = finding("WKC102", "not JSON", Position("a.ndjson", 7))
    for error in (WaykeeperError(where), BadAnswerError(where, 412, {"resourceType": "OperationOutcome"})):
        came = pickle.loads(pickle.dumps(error))
        assert type(came) is type(error) and str(came) == str(error) and vars(came) == vars(error)
        assert came.findings == (where,)


def test_of_several_versions_the_newest_counts(export, tmp_path):
    changed = tmp_path / "changed"
    changed.mkdir()
    for file in bulk_files(str(export)):
        (changed / file.name).write_bytes(file.read_bytes())
    booked = [orjson.loads(line) for line in (export / "Appointment.ndjson").read_bytes().splitlines()]
    later = [
        one | {"status": "noshow", "meta": {"lastUpdated": "2026-06-01T10:00:00Z"}}
        for one in booked
        if one["status"] == "booked"
    ]
    assert later
    (changed / "Later.ndjson").write_bytes(b"\n".join(map(orjson.dumps, later)) + b"\n")
    whole = verbs.gaps(str(changed), as_of="2026-06-26")
    split = caseload(bulk_files(str(changed)), date(2026, 6, 26), part=100_000, jobs=1)
    assert read(split.worklist) == whole.worklist
    assert "booked" not in {place.status for place in split.worklist.appointments}


def ordered(product, **more):
    """An order of warfarin as one that points at its Medication."""

    def change(resource):
        if "warfarin" not in str(resource.get("medicationCodeableConcept")):
            return resource
        kept = {k: v for k, v in resource.items() if k != "medicationCodeableConcept"}
        return kept | {"medicationReference": {"reference": product}} | more

    return change


LATER = {"meta": {"lastUpdated": "2026-06-01T10:00:00Z"}}
OTHER = {"code": {"text": "dabigatran 150 mg oral capsule"}}
PRODUCTS = {
    "another medicine": ("Medication/17", [{"id": "17", **OTHER}], "dabigatran"),
    "the same medicine": ("Medication/17", [{"id": "17", "code": {"text": "warfarin 5 mg"}}], ""),
    "by an address": ("https://ehr.example/r4/Medication/17/_history/2", [{"id": "17", **OTHER}], "dabigatran"),
    "the later version": ("Medication/17", [{"id": "17", **OTHER, **LATER}, {"id": "17"}], "dabigatran"),
    "of what it is made": (
        "Medication/17",
        [
            {"id": "17", "ingredient": [{"itemReference": {"reference": "Substance/3"}}]},
            {"resourceType": "Substance", "id": "3", "code": {"text": "apixaban"}},
        ],
        "apixaban",
    ),
    "one that is nobody's": ("Medication/17", [{"id": "18", **OTHER}], None),
}


@pytest.mark.parametrize(("case", "jobs"), [*((case, 1) for case in PRODUCTS), ("another medicine", 2)])
def test_an_order_is_compared_by_its_medication_in_whichever_part_it_is_read(tmp_path, case, jobs):
    """A Medication has no patient (FHIR R4, patient compartment: it is in none), and is in a file of its own.

    The patient of each Bundle has two references in it: its line is one part's all the same.
    """
    product, held, told = PRODUCTS[case]
    folder = tmp_path / "export"
    folder.mkdir()
    change = ordered(product)
    bundles = []
    for name in ("warfarin-right", "leap-day"):
        entries = [
            entry | {"resource": change(entry["resource"])}
            for file in ("plan", "record")
            for entry in orjson.loads((BUNDLES / name / f"{file}.bundle.json").read_bytes())["entry"]
            if entry["resource"]["resourceType"] in ("CarePlan", "MedicationRequest", "MedicationStatement", "Patient")
        ]
        bundles.append(orjson.dumps({"resourceType": "Bundle", "type": "collection", "entry": entries}))
    (folder / "Plans.ndjson").write_bytes(b"\n".join(bundles) + b"\n")
    lines = [orjson.dumps({"resourceType": "Medication"} | one) for one in held]
    (folder / "AMedication.ndjson").write_bytes(b"\n".join(lines) + b"\n")
    whole = verbs.gaps(str(folder), as_of="2026-08-20")
    asked = [row.reason for row in whole.worklist.rows if "in the plan: warfarin" in row.reason]
    assert told is None or ((told in "".join(asked)) and bool(asked) == bool(told))
    split = caseload(bulk_files(str(folder)), date(2026, 8, 20), part=20_000, jobs=jobs)
    assert len(split.parts.files) > 3
    assert read(split.worklist) == whole.worklist
