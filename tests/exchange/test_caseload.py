"""A push of many patients: never two of one at once, a ledger to go on from, what fails does not keep the others."""

from __future__ import annotations

import json
import os
import threading
from collections import Counter

import pytest

from exchange.many_patients import expected, holdings, plan, write_folder, write_ndjson
from waykeeper.exchange import Server, caseload
from waykeeper.exchange.caseload import Caseload, Errors, load, parcels
from waykeeper.exchange.errors import BadAnswerError, CannotSendError, NoAnswerError
from waykeeper.exchange.ledger import Ledger, NotKeptError
from waykeeper.findings import WaykeeperError, finding
from waykeeper.sandbox import running


class Told:
    """What `push` gives back, as far as it is looked at."""

    def __init__(self, sent=True):
        self.sent, self.changes, self.decisions, self.conflicts, self.findings = sent, (), (), (), ()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Six plans of five patients: the last is another plan (episode day) of the first patient."""
    place = tmp_path_factory.mktemp("plans")
    write_folder(place, 5)
    (place / "again.json").write_text(json.dumps(plan(0, day="2026-03-25")))
    return str(place)


def pushed(folder, monkeypatch, push, jobs=3, **more):
    monkeypatch.setattr(caseload, "push", push)
    heard = []
    work = Caseload(object, "http://127.0.0.1/fhir", jobs=jobs, reported=heard.append, **more)
    return work.push(parcels([folder])), heard


def who(bundle):
    return next(e["resource"]["identifier"][0]["value"] for e in bundle["entry"] if "Patient" in e["fullUrl"] or
                e["resource"]["resourceType"] == "Patient")  # fmt: skip


def test_never_two_of_one_patient_and_never_more_than_asked(folder, monkeypatch):
    lock, now, seen, most = threading.Lock(), Counter(), [], []
    barrier = threading.Barrier(3, timeout=20)

    def push(bundle, server, **_):
        name = who(bundle)
        with lock:
            now[name] += 1
            seen.append((name, now[name]))
            most.append(sum(now.values()))
        if len(seen) <= 3:
            barrier.wait()  # three are under way at the same time, or this fails
        with lock:
            now[name] -= 1
        return Told()

    report, heard = pushed(folder, monkeypatch, push)
    assert report.counts == {"sent": 6} and len(heard) == 6
    assert max(n for _, n in seen) == 1 and max(most) == 3


def refuse(bundle, server, **_):
    if who(bundle) == "MANY-0002":
        raise BadAnswerError(finding("WKX201", "transaction: 422, no"), 422, {"resourceType": "OperationOutcome"})
    return Told()


def test_one_that_is_refused_does_not_keep_the_others(folder, monkeypatch, tmp_path):
    report, _ = pushed(folder, monkeypatch, refuse, errors_to=str(tmp_path / "err"))
    assert report.counts == {"sent": 5, "failed": 1} and report.exit_code == 1
    (bundle,), (answer,) = (list((tmp_path / "err" / d).iterdir()) for d in ("bundles", "outcomes"))
    assert who(json.loads(bundle.read_text())) == "MANY-0002" and bundle.name == answer.name
    assert json.loads(answer.read_text())["resourceType"] == "OperationOutcome"
    assert (tmp_path / "err").stat().st_mode & 0o777 == 0o700 and bundle.stat().st_mode & 0o777 == 0o600


def test_what_went_through_is_taken_out_of_the_errors(folder, monkeypatch, tmp_path):
    errors = str(tmp_path / "err")
    pushed(folder, monkeypatch, refuse, errors_to=errors)
    report, _ = pushed(folder, monkeypatch, lambda *_, **__: Told(), errors_to=errors)
    assert report.exit_code == 0
    assert [list((tmp_path / "err" / d).iterdir()) for d in ("bundles", "outcomes")] == [[], []]


def test_the_errors_can_be_pushed_again_from_where_they_lie(folder, monkeypatch, tmp_path):
    pushed(folder, monkeypatch, refuse, errors_to=str(tmp_path / "err"))
    again = str(tmp_path / "err" / "bundles")
    report, _ = pushed(again, monkeypatch, lambda *_, **__: Told(), errors_to=str(tmp_path / "err"))
    assert report.counts == {"sent": 1}


def test_three_without_an_answer_end_it(folder, monkeypatch):
    def silent(*_, **__):
        raise NoAnswerError(finding("WKX301", "no answer"))

    report, _ = pushed(folder, monkeypatch, silent, jobs=1)
    assert report.counts == {"unknown": 3} and report.left == 3 and report.exit_code == 3
    assert [f.code for f in report.stopped] == ["WKX504"]


@pytest.mark.parametrize("error", [
    CannotSendError(finding("WKX103", "cannot be reached")), BadAnswerError(finding("WKX202", "401"), 401),
])  # fmt: skip
def test_what_would_hit_every_plan_ends_it_at_once(error, folder, monkeypatch):
    def never(*_, **__):
        raise error

    report, _ = pushed(folder, monkeypatch, never, jobs=1)
    assert sum(report.counts.values()) == 1 and report.left == 5 and report.stopped == error.findings


def test_a_bug_or_an_interruption_keeps_what_was_under_way(folder, monkeypatch, tmp_path):
    """Two work; one is interrupted; what the other became stands in the ledger."""
    ledger = Ledger(str(tmp_path / "l"), "s", "t")
    began = threading.Event()

    def push(bundle, server, **_):
        if who(bundle) == "MANY-0000":
            began.wait(20)
            raise RuntimeError("bug")
        began.set()
        return Told()

    with pytest.raises(RuntimeError):
        pushed(folder, monkeypatch, push, jobs=2, ledger=ledger)
    assert len(ledger.done()) >= 1


# the ledger


def test_a_run_that_did_not_end_is_gone_on_with_and_one_that_ended_is_not(folder, monkeypatch, tmp_path):
    calls = []

    def push(bundle, server, **more):
        calls.append(who(bundle))
        return refuse(bundle, server)

    def run(push):
        ledger = Ledger(str(tmp_path / "l"), "s", "t")
        try:
            return pushed(folder, monkeypatch, push, ledger=ledger)[0], ledger.resumed
        finally:
            ledger.close()

    first, resumed = run(push)
    assert (first.counts, resumed) == ({"sent": 5, "failed": 1}, False)
    calls.clear()
    second, resumed = run(push)
    assert (second.counts, second.before, resumed, calls) == ({"failed": 1}, 5, True, ["MANY-0002"])
    third, _ = run(lambda *_, **__: Told())
    assert (third.counts, third.before) == ({"sent": 1}, 5)
    fourth, resumed = run(lambda *_, **__: Told(sent=False))
    assert (fourth.counts, fourth.before, resumed) == ({"unchanged": 6}, 0, False)


def test_a_plan_that_was_compiled_again_is_pushed_again(folder, monkeypatch, tmp_path):
    one = Ledger(str(tmp_path / "l"), "s", "t")
    pushed(folder, monkeypatch, refuse, ledger=one)
    one.close()
    other = tmp_path / "new"
    write_folder(other, 5, day="2026-04-01")
    ledger = Ledger(str(tmp_path / "l"), "s", "t")
    report, _ = pushed(str(other), monkeypatch, refuse, ledger=ledger)
    assert report.before == 0 and sum(report.counts.values()) == 5


def test_a_pipe_is_no_ledger(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(WaykeeperError, match="it is a device or a pipe"):
        Ledger(str(tmp_path / "pipe"), "s", "t")


def test_another_server_is_another_run(tmp_path):
    for server in ("a", "b"):
        ledger = Ledger(str(tmp_path / "l"), server, "t")
        assert not ledger.resumed and not ledger.done()
        ledger.record("d", "p", "sent", "", "t")
        ledger.close()


def test_two_pushes_do_not_share_a_ledger(tmp_path):
    first = Ledger(str(tmp_path / "l"), "s", "t")
    with pytest.raises(WaykeeperError, match=r"WKX501 .*another push uses it"):
        Ledger(str(tmp_path / "l"), "s", "t")
    first.close()
    Ledger(str(tmp_path / "l"), "s", "t").close()


def test_somebody_elses_database_is_not_written_to(tmp_path):
    import sqlite3

    path = tmp_path / "theirs"
    with sqlite3.connect(path) as theirs:
        theirs.execute("CREATE TABLE plan (x)")
    theirs.close()
    before = path.read_bytes()
    with pytest.raises(WaykeeperError, match=r"WKX501 .*no ledger of a push"):
        Ledger(str(path), "s", "t")
    assert path.read_bytes() == before
    (tmp_path / "text").write_text("hello, this is no database at all")
    with pytest.raises(WaykeeperError, match="WKX501"):
        Ledger(str(tmp_path / "text"), "s", "t")


def test_the_ledger_names_no_patient(folder, monkeypatch, tmp_path):
    ledger = Ledger(str(tmp_path / "l"), "s", "t")
    pushed(folder, monkeypatch, refuse, ledger=ledger)
    ledger.close()
    assert b"MANY-0" not in (tmp_path / "l").read_bytes() and (tmp_path / "l").stat().st_mode & 0o777 == 0o600


# parcels


def test_ndjson_is_read_line_by_line_and_again_by_its_place(tmp_path):
    write_ndjson(tmp_path / "a.ndjson", 3)
    found = list(parcels([str(tmp_path / "a.ndjson")]))
    assert [p.place.rpartition(":")[2] for p in found] == ["1", "2", "3"]
    assert [who(load(p)) for p in reversed(found)] == ["MANY-0002", "MANY-0001", "MANY-0000"]


@pytest.mark.parametrize(("text", "code"), [
    ("{", "WKC102"), ("[]", "WKC210"), ("{}", "WKC210"), ('{"resourceType": "Patient"}', "WKC210"),
    ("\udcff", "WKC102"),
    ('{"resourceType": "Bundle", "entry": 3}', "WKC210"), ('{"resourceType": "Bundle", "entry": [3]}', "WKC210"),
    ('{"resourceType": "Bundle", "entry": [{"resource": {"resourceType": "CarePlan", "extension": 3}}]}', "WKC210"),
])  # fmt: skip
def test_what_is_no_plan_is_an_outcome_of_its_own(text, code, tmp_path, monkeypatch):
    write_folder(tmp_path, 1)
    (tmp_path / "bad.json").write_bytes(text.encode("utf-8", "surrogateescape"))
    report, heard = pushed(str(tmp_path), monkeypatch, lambda *_, **__: Told())
    assert report.counts == {"sent": 1, "unreadable": 1} and report.exit_code == 1
    assert [f.code for one in heard for f in one.findings] == [code]


def test_a_file_that_changes_meanwhile_is_not_sent(tmp_path):
    write_folder(tmp_path, 1)
    (one,) = parcels([str(tmp_path)])
    (tmp_path / "0000.json").write_text(json.dumps(plan(1)))
    with pytest.raises(WaykeeperError, match="WKX502"):
        load(one)


def test_errors_never_remove_what_they_were_read_from(tmp_path):
    write_folder(tmp_path, 1)
    (one,) = parcels([str(tmp_path)])
    Errors(str(tmp_path / "err")).keep(one, caseload.Outcome(one.place, one.name, "sent"))
    assert (tmp_path / "0000.json").exists()


# against a server


def test_pushed_twice_to_the_sandbox_each_is_there_once(tmp_path):
    write_folder(tmp_path / "p", 3)
    with running() as url:
        for word in ("sent", "unchanged"):
            work = Caseload(lambda: Server(url), url, jobs=2)
            assert work.push(parcels([str(tmp_path / "p")])).counts == {word: 3}
        assert holdings(url) == expected([plan(n) for n in range(3)])


def test_a_dry_run_sends_nothing(tmp_path):
    write_folder(tmp_path / "p", 2)
    with running() as url:
        report = Caseload(lambda: Server(url), url, jobs=2, dry_run=True).push(parcels([str(tmp_path / "p")]))
        assert report.counts == {"sent": 2} and not holdings(url)


def test_a_ledger_on_a_full_disk_says_that_what_was_sent_stands(tmp_path):
    """As SQLite itself says it of a database that may not grow (PRAGMA max_page_count)."""
    ledger = Ledger(str(tmp_path / "push.ledger"), "https://fhir.example/r4", "2026-03-01T12:00:00Z")
    ledger._db.execute("PRAGMA max_page_count = 1")
    with pytest.raises(NotKeptError) as refused:
        for number in range(1000):
            ledger.record(f"{number:064}", "plans.ndjson", "sent", "x" * 500, "2026-03-01T12:00:00Z")
    ledger.close()
    found = refused.value.findings[0]
    assert (found.code, refused.value.exit_code) == ("WKX501", 3)
    assert "full; what was sent stands" in found.details and "run it again" in found.help
