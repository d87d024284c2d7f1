"""A server that says that it holds results back: the list is not whole, and nothing is taken for deleted."""

import csv
import json
from contextlib import contextmanager
from pathlib import Path

import pytest

import waykeeper
from exchange.faults import Fault, between
from waykeeper.cli.main import main
from waykeeper.exchange.matches import matches
from waykeeper.findings import WaykeeperError
from waykeeper.pathway.shelf import folder
from waykeeper.report.not_whole import NOT_WHOLE
from waykeeper.sandbox import running
from waykeeper.verbs import comparing

BUNDLES = folder("sandbox_bundles") / "demo-left"
PLAN, RECORD = str(BUNDLES / "plan.bundle.json"), str(BUNDLES / "record.bundle.json")
WHO = "https://alder-quay.example/mrn|AQ-1001"
DAY = "2026-06-26"
HIDDEN = {"severity": "warning", "code": "suppressed", "diagnostics": "some results withheld: consent"}


def holding_back(*kinds, issue=HIDDEN):
    """Each search set without these types, and with an outcome that says so where it had one of them."""

    def walk(part):
        entries = part.get("entry") or []
        for entry in entries:
            if (entry.get("resource") or {}).get("resourceType") == "Bundle":
                walk(entry["resource"])
        if part.get("type") == "searchset" and any(_kind(e) in kinds for e in entries):
            outcome = {"resourceType": "OperationOutcome", "issue": [issue]}
            said = {"resource": outcome, "search": {"mode": "outcome"}}
            part["entry"] = [*(e for e in entries if _kind(e) not in kinds), said]
            part.pop("total", None)

    def change(body):
        document = json.loads(body) if body else None
        if isinstance(document, dict):
            walk(document)
        return json.dumps(document).encode() if body else body

    return change


def _kind(entry):
    return (entry.get("resource") or {}).get("resourceType")


@pytest.fixture(scope="module")
def url():
    """The invented patient's plan and bookings on a server; no test writes to it."""
    with running(load=str(BUNDLES)) as found:
        waykeeper.push(PLAN, to=found)
        yield found


@pytest.fixture
def behind(url):
    """The same server by an address at which each answer is changed."""

    @contextmanager
    def changed(change):
        with between(url) as proxy:
            proxy.faults += [Fault(method, "", times=10**6, change=change) for method in ("GET", "POST")]
            yield proxy.base

    return changed


@pytest.mark.parametrize("kind", ["Encounter", "Appointment", "Task", "Procedure"])
def test_the_list_says_that_it_is_not_whole(kind, behind, url):
    with behind(holding_back(kind)) as base:
        found = waykeeper.gaps(base, as_of=DAY)
        whole = waykeeper.gaps(url, as_of=DAY)
    said = [f.details for f in found.findings if f.code == "WKC225"]
    assert said == [f"search of {kind}: some results withheld: consent"]
    assert any("some results withheld: consent" in one for one in found.worklist.lacking)
    assert whole.worklist.lacking == ()


def test_every_form_of_the_list_and_the_exit_code_say_it(tmp_path, capsys, behind):
    page, table, data = tmp_path / "list.html", tmp_path / "list.csv", tmp_path / "list.json"
    with behind(holding_back("Encounter")) as base:
        given = ["gaps", "--from", base, "--as-of", DAY]
        assert main([*given, "--html", str(page), "--csv", str(table), "--json", str(data)]) == 1
    told = capsys.readouterr()
    assert NOT_WHOLE.upper() in told.out and "WKC225 error: search of Encounter: some results withheld" in told.err
    assert NOT_WHOLE in page.read_text("utf-8")
    with table.open(encoding="utf-8-sig", newline="") as stream:
        assert next(csv.DictReader(stream))["patient"] == NOT_WHOLE
    assert "some results withheld" in json.loads(data.read_text("utf-8"))["lacking"][0]


def test_where_no_plan_was_given_the_reason_is_said(behind):
    with behind(holding_back("CarePlan")) as base, pytest.raises(WaykeeperError, match=r"WKC225 .*withheld"):
        waykeeper.gaps(base, as_of=DAY)


WRITES = {
    "push": lambda to, dry: waykeeper.push(PLAN, to=to, dry_run=dry),
    "move": lambda to, dry: waykeeper.move(
        from_=to, patient=WHO, surgery="2026-04-15T07:30", reason="theatre closed", by="R. Alderman", record=RECORD,
        dry_run=dry,
    ),
    "withdraw": lambda to, dry: waykeeper.withdraw(
        from_=to, patient=WHO, reason="surgery cancelled", by="R. Alderman", dry_run=dry
    ),
    "issues": lambda to, dry: waykeeper.issues(to=to, as_of=DAY, dry_run=dry),
    "note": lambda to, _: waykeeper.note(
        "task/authorisation", "done", to=to, patient=WHO, by="R. Alderman", on="2026-02-20"
    ),
}  # fmt: skip


@pytest.mark.parametrize("dry", [True, False], ids=["dry", "for good"])
@pytest.mark.parametrize("kind", ["Task", "Appointment", "CarePlan"])
@pytest.mark.parametrize("name", WRITES)
def test_nothing_is_written_by_who_was_not_given_everything(name, kind, dry, behind, url):
    with behind(holding_back(kind)) as base:
        before = json.dumps(_everything(url), sort_keys=True)
        with pytest.raises(WaykeeperError, match=r"WK(X217|C225) .*some results withheld: consent"):
            WRITES[name](base, dry)
        assert json.dumps(_everything(url), sort_keys=True) == before


def _everything(url):
    from waykeeper.exchange import Server
    from waykeeper.exchange.reading import plan_resources

    return sorted(plan_resources(Server(url), None), key=lambda pair: pair[0])


def test_what_is_no_matter_of_results_makes_no_noise(behind):
    harmless = {"severity": "warning", "code": "informational", "diagnostics": "the index was slow"}

    def change(body):
        document = json.loads(body) if body else {}
        for entry in document.get("entry") or ():
            page = entry.get("resource") or {}
            if page.get("type") == "searchset":
                outcome = {"resourceType": "OperationOutcome", "issue": [harmless]}
                page["entry"] = [*(page.get("entry") or ()), {"resource": outcome, "search": {"mode": "outcome"}}]
        return json.dumps(document).encode() if body else body

    with behind(change) as base:
        assert waykeeper.gaps(base, as_of=DAY).worklist.lacking == ()
        assert [one.changes for one in waykeeper.push(PLAN, to=base)] == [()]


def test_an_outcome_beside_the_answer_to_one_search_of_a_batch_counts_too(behind):
    """FHIR R4, Bundle.entry.response.outcome: hints and warnings about the outcome."""

    def change(body):
        document = json.loads(body) if body else {}
        for entry in document.get("entry") or ():
            if (entry.get("resource") or {}).get("type") == "searchset":
                entry["response"]["outcome"] = {"resourceType": "OperationOutcome", "issue": [HIDDEN]}
        return json.dumps(document).encode() if body else body

    with behind(change) as base:
        assert waykeeper.gaps(base, as_of=DAY).worklist.lacking
        with pytest.raises(WaykeeperError, match="WKX217"):
            waykeeper.push(PLAN, to=base, dry_run=True)


def test_the_answer_to_a_search_in_a_file_is_read_the_same(tmp_path):
    outcome = {"resourceType": "OperationOutcome", "issue": [HIDDEN]}
    page = {"resourceType": "Bundle", "type": "searchset", "entry": [{"resource": outcome}]}
    path = tmp_path / "bookings.json"
    path.write_text(json.dumps(page))
    found = waykeeper.gaps(PLAN, str(path), as_of=DAY)
    assert [f.code for f in found.findings] == ["WKC225"] and len(found.worklist.lacking) == 1


@pytest.mark.parametrize("large", [False, True])
@pytest.mark.parametrize(
    ("file", "code", "severity", "whole"),
    [
        ("errors-1.outcomes", "not-found", "error", False),  # whatever is an error there left something out
        ("errors-1.outcomes", "incomplete", "information", False),
        ("errors-1.outcomes", "informational", "information", True),
        ("OperationOutcome-1.ndjson", "suppressed", "warning", False),  # the file of another exporter
    ],
)
def test_what_an_export_left_out_makes_the_list_not_whole(tmp_path, monkeypatch, large, file, code, severity, whole):
    """Bulk Data Access 2.0, `error` of the manifest: OperationOutcomes of what could not be exported."""
    monkeypatch.setattr(comparing, "LARGE", 1 if large else comparing.LARGE)
    resources = [e["resource"] for e in json.loads(Path(PLAN).read_text())["entry"]]
    (tmp_path / "all.ndjson").write_text("".join(json.dumps(r) + "\n" for r in resources))
    issue = {"severity": severity, "code": code, "diagnostics": "Appointment: index broken"}
    outcome = {"resourceType": "OperationOutcome", "issue": [issue]}
    (tmp_path / file).write_text(json.dumps(outcome) + "\n")
    found = waykeeper.gaps(str(tmp_path), as_of=DAY)
    assert (found.evidence == ()) or not large
    assert [f.code for f in found.findings if f.code == "WKC225"] == ([] if whole else ["WKC225"])
    assert len(found.worklist.lacking) == (0 if whole else 1)
    assert whole or "index broken" in found.worklist.lacking[0]


@pytest.mark.parametrize("large", [False, True])
@pytest.mark.parametrize(
    ("state", "whole"), [('{"done": true}', True), ('{"done": false}', False), ("{", False), (None, True)]
)
def test_an_export_that_was_broken_off_makes_the_list_not_whole(tmp_path, monkeypatch, large, state, whole):
    monkeypatch.setattr(comparing, "LARGE", 1 if large else comparing.LARGE)
    resources = [e["resource"] for e in json.loads(Path(PLAN).read_text())["entry"]]
    (tmp_path / "all.ndjson").write_text("".join(json.dumps(r) + "\n" for r in resources))
    if state:
        (tmp_path / "export.state").write_text(state)
    found = waykeeper.gaps(str(tmp_path), as_of=DAY)
    assert [f.code for f in found.findings if f.code == "WKC225"] == ([] if whole else ["WKC225"])
    assert whole or "not finished" in found.worklist.lacking[0]


def test_what_an_export_left_out_is_told_of_a_record_read_from_it(tmp_path, capsys):
    record = [e["resource"] for e in json.loads(Path(RECORD).read_text())["entry"]]
    (tmp_path / "all.ndjson").write_text("".join(json.dumps(r) + "\n" for r in record))
    issue = {"severity": "error", "code": "exception", "diagnostics": "MedicationStatement: index broken"}
    (tmp_path / "errors-1.outcomes").write_text(json.dumps({"resourceType": "OperationOutcome", "issue": [issue]}))
    given = ["--clinic", "clinic-demo", "--surgery", "2026-03-18T07:30", "--side", "left", "--output", "-"]
    assert main(["compile", "total-ankle-replacement", "--patient", str(tmp_path), *given]) == 0
    assert "WKR108" in (said := capsys.readouterr().err) and "index broken" in said


UNREADABLE = {"resource": {"resourceType": "Device", "id": "d1", "identifier": "x"}, "search": {"mode": "match"}}
SAID = {"resource": {"resourceType": "OperationOutcome", "issue": [HIDDEN]}, "search": {"mode": "outcome"}}


def losing(kind, lost, total=None, short=""):
    """Each search set with a match of `kind` gets `lost`; each with one of `short` gives one match of so many."""

    def walk(part):
        entries = part.get("entry") or []
        for entry in entries:
            if (entry.get("resource") or {}).get("resourceType") == "Bundle":
                walk(entry["resource"])
        if part.get("type") != "searchset":
            return
        kinds = {_kind(e) for e in entries}
        if short in kinds:
            part |= {"total": total, "entry": entries[:1], "link": []}
        if kind in kinds:
            part["entry"] = [*part["entry"], lost]

    def change(body):
        document = json.loads(body) if body else None
        if isinstance(document, dict):
            walk(document)
        return json.dumps(document).encode() if body else body

    return change


@pytest.mark.parametrize(("lost", "code"), [(UNREADABLE, "WKX219"), (SAID, "WKC225")])
def test_what_an_earlier_search_lost_does_not_explain_that_a_later_one_was_cut_short(lost, code, behind):
    with behind(losing("CarePlan", lost)) as base:
        assert code in [f.code for f in waykeeper.gaps(base, as_of=DAY).findings], "alone it is told, and the list made"
    with (
        behind(losing("CarePlan", lost, total=5000, short="Task")) as base,
        pytest.raises(WaykeeperError, match=r"WKX217 .*search of Task: 5000 matches, 1 of them given"),
    ):
        waykeeper.gaps(base, as_of=DAY)


def test_what_nobody_can_read_was_given_and_explains_no_shortage_of_its_own_search():
    page = {"type": "searchset", "total": 3, "entry": [UNREADABLE, UNREADABLE]}
    with pytest.raises(WaykeeperError, match=r"WKX217 .*3 matches, 2 of them given"):
        matches([page], "search of Device", lacking=[])
    lacking = []
    assert matches([{**page, "total": 2}], "search of Device", lacking=lacking) == {}
    assert [one.code for one in lacking] == ["WKX219", "WKX219"]
    assert matches([{**page, "entry": [SAID]}], "search of Device", lacking=lacking) == {}, "held back, as it says"
    assert [one.code for one in lacking] == ["WKX219", "WKX219", "WKC225"]
