"""What goes wrong once something was sent: it is told as that, nothing is written twice, and the same command heals.

Expected: the table of exit codes in /README.md, and `exchange/README.md` (Faults).
"""

import json
from datetime import UTC, date, datetime

import pytest

from contract.test_faults import JSON, no_trace, padded, refusal
from contract.test_move import again, mover
from contract.test_push import written
from exchange.faults import TRANSACTION, TRIAL, Fault, between
from merge.small import CALL, HOLD, VISIT, new_identifier
from waykeeper.exchange import BadAnswerError, NoAnswerError, Server
from waykeeper.exchange.issues import push_issues
from waykeeper.exchange.noting import note
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import evidence, read_all
from waykeeper.fhir.identity import identity
from waykeeper.findings import WaykeeperError
from waykeeper.gaps import worklist

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
LATE = date(2026, 3, 25)
PAGE = (200, "text/html", b"<p>Sign in", {})


@pytest.fixture
def plan(url):
    """A plan that stands, with an answer to its hold."""
    direct, identifier = Server(url), new_identifier()
    push(written(identifier), direct, now=NOW)
    note(direct, identifier, str(HOLD), "answered", by="Dr Reed", on=date(2026, 3, 2), days=3)
    return direct, identifier


def pushed(server, identifier):
    return push(written(identifier), server, now=NOW)


def moved(server, identifier):
    return mover(server).move(identifier, again(identifier))


def withdrawn(server, identifier):
    return withdraw(server, identifier, "cancelled", by="Ruth Alderman, RN", now=NOW, today=date(2026, 3, 10))


def gaps_written(server, identifier):
    held = plan_resources(server, identifier)
    ((plan, state),) = read_all(held)
    report = worklist([(plan, state)], evidence(held, plan.zone), LATE)
    return push_issues(server, (plan, state), report, now=NOW)


def versions(direct, identifier):
    return {ref: r["meta"]["versionId"] for ref, r in plan_resources(direct, identifier)}


def after_the_transaction(proxy, fault):
    """The fault waits until the transaction of the plan was answered."""
    take = proxy.take

    def taken(method, path, body):
        if method == "POST" and b'"type":"transaction"' in body[:200] and b"Trial: does" not in body:
            proxy.faults.append(fault)
            return None
        return take(method, path, body)

    proxy.take = taken


@pytest.mark.parametrize(
    ("work", "answer"), [(moved, PAGE), (withdrawn, refusal(401, "login")), (gaps_written, refusal(500))]
)
def test_what_was_carried_out_and_cannot_be_read_back_is_no_refusal(plan, work, answer):
    """An exit of 1 or 2 would say that nothing was done."""
    direct, identifier = plan
    before = versions(direct, identifier)
    with between(direct.base) as proxy:
        after_the_transaction(proxy, Fault("POST", "Patient/_search", answer=answer))
        with pytest.raises(NoAnswerError) as unseen:
            work(Server(proxy.base, sleep=lambda _: None), identifier)
    assert unseen.value.exit_code == 3
    assert unseen.value.findings[0].code == "WKX302" and len(unseen.value.findings) == 2
    assert "nothing is written twice" in unseen.value.findings[0].help
    after = versions(direct, identifier)
    assert after != before
    assert work(direct, identifier).findings == ()
    assert versions(direct, identifier) == after


def test_a_first_push_that_cannot_be_read_back_stands(url):
    direct, identifier = Server(url), new_identifier()
    with between(url) as proxy:
        after_the_transaction(proxy, Fault("POST", "Patient/_search", answer=refusal(401, "login")))
        with pytest.raises(NoAnswerError) as unseen:
            pushed(Server(proxy.base), identifier)
    assert [f.code for f in unseen.value.findings] == ["WKX302", "WKX202"]
    assert pushed(direct, identifier).changes == ()


@pytest.mark.parametrize("answer", [PAGE, (204, "", b"", {})])
def test_a_success_that_nobody_can_read_says_that_it_may_stand(plan, answer):
    direct, identifier = plan
    with between(direct.base) as proxy:
        proxy.faults.append(Fault(path=TRANSACTION, after=True, answer=answer))
        with pytest.raises(BadAnswerError) as refused:
            withdrawn(Server(proxy.base), identifier)
    assert [f.code for f in refused.value.findings] == ["WKX211"]
    assert "may have been carried out. Run it again" in str(refused.value)
    assert not withdrawn(direct, identifier).sent


def without_a_question(body):
    """A server that loses the new question about the medicine, and what leads to it."""
    document = json.loads(body)

    def new(entry):
        said = identity(entry["resource"])
        return said is not None and said.part == "confirm" and "ifMatch" not in entry["request"]

    gone = {e["fullUrl"] for e in document["entry"] if new(e)}

    def kept(part):
        if isinstance(part, list):
            return [one for one in map(kept, part) if one]
        if not isinstance(part, dict):
            return part
        if isinstance(part.get("reference"), str) and part["reference"] in gone:
            return None
        walked = {key: kept(one) for key, one in part.items()}
        return {key: one for key, one in walked.items() if one not in (None, {}, [])}

    document["entry"] = [kept(e) for e in document["entry"] if e.get("fullUrl") not in gone]
    assert gone
    return json.dumps(document).encode()


@pytest.mark.parametrize("change", [None, padded], ids=["an answer is missing", "every entry is answered"])
def test_what_a_move_loses_is_sent_again_and_nobody_is_asked_who_deleted_it(plan, change):
    direct, identifier = plan
    with between(direct.base) as proxy:
        proxy.faults.append(Fault(path=TRANSACTION, request=without_a_question, change=change))
        report = moved(Server(proxy.base), identifier)
    assert [(f.code, f.severity) for f in report.findings] == [("WKX213", "warning")]
    asked = [identity(r) for _, r in plan_resources(direct, identifier) if r["resourceType"] == "Task"]
    assert sorted(said.round for said in asked if said.part == "confirm") == [1, 2]
    assert not any(said.part == "conflict" for said in asked)
    assert not moved(direct, identifier).sent


def calls(direct, identifier):
    return [ref for ref, r in plan_resources(direct, identifier) if r["resourceType"] == "Communication"]


ONCE = {"500": refusal(500), "a page": PAGE, "nothing": (200, JSON, b"null", {})}


@pytest.mark.parametrize("answer", ONCE.values(), ids=ONCE)
@pytest.mark.parametrize("after", [True, False], ids=["carried out", "not carried out"])
def test_a_call_is_noted_once_whatever_is_answered(plan, answer, after):
    direct, identifier = plan
    with between(direct.base) as proxy:
        proxy.faults.append(Fault("POST", "/Communication", answer=answer, after=after))
        said = note(Server(proxy.base), identifier, str(CALL), "contact", by="Ruth Alderman, RN", on=date(2026, 3, 9))
    (ref,) = calls(direct, identifier)
    assert ref in said and "there before" not in said


@pytest.mark.parametrize("answer", ONCE.values(), ids=ONCE)
def test_a_call_that_nobody_confirms_is_not_told_as_noted(plan, answer):
    direct, identifier = plan
    with between(direct.base) as proxy:
        proxy.faults.append(Fault("POST", "/Communication", answer=answer, times=9))
        with pytest.raises(WaykeeperError) as unknown:
            note(Server(proxy.base), identifier, str(CALL), "contact", by="Ruth Alderman, RN", on=date(2026, 3, 9))
    assert "Run it again with the same day" in str(unknown.value)
    assert calls(direct, identifier) == []


@pytest.mark.parametrize("earlier", [0, 1, 2])
def test_a_trial_that_is_broken_off_leaves_no_trace(url, earlier):
    with between(url) as proxy:
        proxy.faults += [Fault(path=TRIAL) for _ in range(earlier)]
        proxy.faults.append(Fault(path=TRIAL, cut=True, after=True))
        with pytest.raises(WaykeeperError):
            pushed(Server(proxy.base), new_identifier())
    assert no_trace(Server(url))


def test_two_who_take_a_visit_in_hand_at_one_moment_both_stand(plan):
    """Measured on HAPI FHIR 8.8.0: of two conditional creations at once one is answered with 409 (HAPI-0823)."""
    direct, identifier = plan
    with between(direct.base) as proxy:
        proxy.faults.append(Fault("POST", "/Task", answer=refusal(409, "conflict")))
        said = note(Server(proxy.base), identifier, str(VISIT), "owner", by="Ruth Alderman, RN", on=None, text="Ruth")
    (ref,) = [name for name in versions(direct, identifier) if name in said]
    assert direct.read(ref)["owner"]["display"] == "Ruth"


def test_a_server_that_takes_no_bundle_of_this_size_is_asked_one_by_one(plan):
    """A limit for bundles (413) also meets the searches, which need no bundle."""
    direct, identifier = plan
    with between(direct.base) as proxy:
        proxy.faults.append(Fault(path="#batch", times=9, answer=refusal(413, "too-long")))
        assert plan_resources(Server(proxy.base), identifier) == plan_resources(direct, identifier)
