"""`waykeeper validate` through the command: every kind of input, every form of output, baselines, processes."""

from __future__ import annotations

import gzip
import io
import json
from pathlib import Path
from types import SimpleNamespace
from xml.etree import ElementTree as ET

import jsonschema
import pytest

from waykeeper.cli.main import main
from waykeeper.validate import validate
from waykeeper.verbs import validating

GOOD = {"resourceType": "Patient", "id": "p"}
BAD = {"resourceType": "Patient", "id": "q", "gender": "banana"}
# The schema that OASIS publishes, as the npm package @microsoft/jest-sarif 1.0.0-beta.0 (MIT) carries it.
SARIF_SCHEMA = json.loads((Path(__file__).parent / "sarif-2.1.0-rtm.5.json").read_text("utf-8"))


@pytest.fixture
def run(tmp_path, monkeypatch, capfd):
    """Lay out files (name -> text or bytes), run the command in their folder, give exit code, stdout and stderr."""

    def command(*words, stdin=b"", **files):
        for name, content in files.items():
            target = tmp_path / name
            target.write_bytes(content if isinstance(content, bytes) else content.encode())
        monkeypatch.chdir(tmp_path)
        monkeypatch.setattr("sys.stdin", SimpleNamespace(buffer=io.BufferedReader(io.BytesIO(stdin))))
        code = main(["validate", *words])
        said = capfd.readouterr()
        return SimpleNamespace(code=code, out=said.out, err=said.err, folder=tmp_path)

    return command


def lines(*resources):
    """NDJSON of some resources."""
    return "".join(json.dumps(one) + "\n" for one in resources)


def places(out):
    """Code by place of each line of the text report."""
    return [(line.partition(": ")[0], line.partition(": ")[2][:6]) for line in out.splitlines()]


def test_a_good_file(run):
    done = run("a.json", **{"a.json": json.dumps(GOOD)})
    assert (done.code, done.out, done.err) == (0, "", "1 resource: no findings\n")


def test_a_file_with_a_fault(run):
    done = run("a.json", **{"a.json": json.dumps(BAD)})
    assert done.code == 1
    assert places(done.out) == [("a.json:1:40", "WKV301")]
    assert done.err == "1 resource: 1 error\n"


@pytest.mark.parametrize("name", ["a.ndjson", "a.ndjson.gz"])
def test_ndjson_plain_and_packed(run, name):
    text = lines(GOOD, BAD, GOOD, BAD).encode()
    done = run(name, **{name: gzip.compress(text) if name.endswith(".gz") else text})
    assert places(done.out) == [(f"{name}:2:40", "WKV301"), (f"{name}:4:40", "WKV301")]
    assert done.err == "4 resources: 2 errors\n"


def test_a_packed_resource(run):
    done = run("a.json.gz", **{"a.json.gz": gzip.compress(json.dumps(BAD).encode())})
    assert places(done.out) == [("a.json.gz:1:40", "WKV301")]


def test_a_folder_in_the_order_of_names_and_what_is_no_fhir_file_is_left_alone(run):
    (run("x.json", **{"x.json": "{}"}).folder / "deep").mkdir()
    (Path.cwd() / "deep" / "b.json").write_text(json.dumps(BAD))
    (Path.cwd() / "deep" / "a.ndjson").write_text(lines(BAD))
    (Path.cwd() / "deep" / "read.me").write_text("not FHIR")
    done = run("deep")
    assert [place for place, _ in places(done.out)] == ["deep/a.ndjson:1:40", "deep/b.json:1:40"]


@pytest.mark.parametrize(
    ("given", "found", "count"),
    [
        (json.dumps(BAD).encode(), ["(standard input):1:40"], 1),
        (json.dumps(BAD, indent=1).encode(), ["(standard input):4:2"], 1),
        (lines(GOOD, BAD).encode(), ["(standard input):2:40"], 2),
        (("\n" + lines(GOOD) + "\n" + lines(BAD)).encode(), ["(standard input):4:40"], 2),
        (gzip.compress(lines(GOOD, BAD).encode()), ["(standard input):2:40"], 2),
        (gzip.compress(json.dumps(BAD).encode()), ["(standard input):1:40"], 1),
        (b"", ["(standard input)"], 1),
        (b"{", ["(standard input):1:2"], 1),
        (b"{\n{", ["(standard input):2:1"], 1),
    ],
    ids=["one", "indented", "ndjson", "blank lines", "packed ndjson", "packed", "empty", "cut off", "two cut off"],
)
def test_standard_input(run, given, found, count):
    done = run("-", stdin=given)
    assert [place for place, _ in places(done.out)] == found
    assert done.err.startswith(f"{count} resource")


def test_every_report_in_one_run(run):
    done = run(
        "a.json", "b.json", "--format", "github", "--json", "r.json", "--junit", "r.xml", "--sarif", "r.sarif",
        **{"a.json": json.dumps(BAD), "b.json": json.dumps(GOOD)},
    )  # fmt: skip
    assert done.code == 1
    assert done.out.startswith("::error file=a.json,line=1,col=40,title=WKV301::code 'banana'")
    report = json.loads((done.folder / "r.json").read_text())
    assert [(r["file"], r["valid"]) for r in report["resources"]] == [("a.json", False), ("b.json", True)]
    suites = ET.parse(done.folder / "r.xml").getroot()
    assert (suites.get("tests"), suites.get("failures")) == ("2", "1")
    sarif = json.loads((done.folder / "r.sarif").read_text())
    jsonschema.Draft4Validator(SARIF_SCHEMA, format_checker=jsonschema.FormatChecker()).validate(sarif)
    assert [r["ruleId"] for r in sarif["runs"][0]["results"]] == ["WKV301"]


def test_sarif_of_nothing_found_and_of_every_example_of_the_catalogue_fits_the_schema():
    from waykeeper.findings import catalogue
    from waykeeper.report import validation
    from waykeeper.validate import check_json

    made = [check_json(json.dumps(GOOD), file="ä b%.json")]
    for entry in catalogue().values():
        if entry.code.startswith("WKV") and isinstance(entry.raises, str | dict):
            text = entry.raises if isinstance(entry.raises, str) else json.dumps(entry.raises)
            made.append(check_json(text, file=f"sub folder/{entry.code}.json", line=3))
    checker = jsonschema.Draft4Validator(SARIF_SCHEMA, format_checker=jsonschema.FormatChecker())
    for checked in (made[:1], made):
        checker.validate(json.loads(validation.sarif(checked)))
    assert len(json.loads(validation.sarif(made))["runs"][0]["tool"]["driver"]["rules"]) > 40


def test_the_sarif_schema_refuses_what_is_no_sarif():
    wrong = {"version": "2.1.0", "runs": [{"tool": {"driver": {}}}]}
    assert not jsonschema.Draft4Validator(SARIF_SCHEMA).is_valid(wrong)


@pytest.mark.parametrize(("resource", "issues"), [(BAD, 1), (GOOD, 1)])
def test_an_operation_outcome_on_standard_output(run, resource, issues):
    done = run("a.json", "--format", "operation-outcome", **{"a.json": json.dumps(resource)})
    outcome = json.loads(done.out)
    assert [f for f in validate(outcome) if f.severity == "error"] == []
    assert len(outcome["issue"]) == issues
    assert outcome["issue"][0]["severity"] == ("error" if resource is BAD else "information")


def test_a_baseline_is_written_and_used(run):
    first = run("a.json", "--write-baseline", "known.json", **{"a.json": json.dumps(BAD)})
    assert first.code == 1
    second = run("a.json", "--baseline", "known.json")
    assert (second.code, second.out) == (0, "")
    assert second.err == "1 resource: no findings; 1 finding of the baseline left out\n"
    third = run("a.json", "--baseline", "known.json", **{"a.json": json.dumps({**BAD, "active": "x"})})
    assert [code for _, code in places(third.out)] == ["WKV201"]
    fourth = run("a.json", "--baseline", "known.json", **{"a.json": json.dumps(GOOD)})
    assert fourth.err.endswith("0 findings of the baseline left out, 1 of it did not occur\n")


def test_stricter_findings_can_be_left_out_and_warnings_can_fail(run):
    text = json.dumps({**GOOD, "extension": [{"url": "http://example.org/x", "valueString": "y"}]})
    assert run("a.json", **{"a.json": text}).code == 0
    assert run("a.json", "--fail-level", "warning").code == 1
    assert run("a.json", "--fail-level", "warning", "--specification-only").code == 0


def test_a_package_of_profiles(run):
    folder = run("a.json", **{"a.json": json.dumps(GOOD)}).folder / "package"
    folder.mkdir()
    elements = [{"id": "Patient", "path": "Patient"}, {"id": "Patient.name", "path": "Patient.name", "min": 1}]
    profile = {"resourceType": "StructureDefinition", "url": "http://example.org/p", "type": "Patient"}
    (folder / "StructureDefinition-p.json").write_text(json.dumps({**profile, "snapshot": {"element": elements}}))
    (folder / "package.json").write_text('{"name": "example.package", "version": "1.0.0"}')
    (folder / ".index.json").write_text('{"index-version": 1, "files": []}')
    done = run("a.json", "--profile", "package")
    assert (done.code, [code for _, code in places(done.out)]) == (1, ["WKV803"])


def test_processes_find_in_the_same_order_what_one_finds(run, monkeypatch):
    many = [BAD if number % 7 == 0 else {**GOOD, "id": f"p{number}"} for number in range(400)]
    monkeypatch.setattr(validating, "CHUNK", 2000)
    text = lines(*many)
    alone = run(
        "a.ndjson", "b.ndjson.gz", "--jobs", "1", **{"a.ndjson": text, "b.ndjson.gz": gzip.compress(text.encode())}
    )
    together = run("a.ndjson", "b.ndjson.gz", "--jobs", "2")
    assert together.out == alone.out
    assert len(alone.out.splitlines()) == 2 * 58
    assert together.err == alone.err == "800 resources: 116 errors\n"


def test_a_line_that_no_memory_should_hold_is_refused(run, monkeypatch):
    monkeypatch.setattr(validating.files, "LARGEST", 100)
    done = run("a.ndjson", **{"a.ndjson": "x" * 300})
    assert done.code == 2
    assert "WKC101 error: the file is larger than" in done.err


@pytest.mark.parametrize("jobs", ["0", "-1"])
def test_no_processes_are_no_number_of_jobs(run, jobs):
    done = run("a.json", "--jobs", jobs, **{"a.json": json.dumps(GOOD)})
    assert done.code == 2
    assert done.err == f"WKC201 error: --jobs is {jobs}, it counts from 1. Write --jobs 1, or leave it out.\n"


def test_what_stands_before_a_damaged_file_is_said_all_the_same(run):
    done = run(".", **{"a.json": json.dumps(BAD), "b.json.gz": gzip.compress(json.dumps(GOOD).encode())[:-6]})
    assert done.code == 2 and "b.json.gz: WKC101" in done.err
    assert done.out.startswith("a.json:1:40: WKV301")
