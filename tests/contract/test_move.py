"""A move on both servers: one transaction, repeated without harm, with its reasons, and told again from the history."""

from datetime import UTC, date, datetime, timedelta

import pytest

from contract.test_faults import inside, refusal
from contract.test_push import codes, written
from exchange.faults import Fault, between
from merge.small import BLOOD, CALL, HOLD, READY, SURGERY, VISIT, WASH, compiled, instant, new_identifier
from merge.worlds import later
from waykeeper.exchange import NoAnswerError, Server
from waykeeper.exchange.moving import Mover
from waykeeper.exchange.noting import note
from waykeeper.exchange.pushing import PlanRefusedError, Why, push
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.versions import history
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import answers, read, read_all
from waykeeper.merge.difference import difference

NOW = datetime(2026, 3, 10, 18, tzinfo=UTC)
NEW = later(21)


def again(identifier, surgery=NEW, **options):
    """Compile as a move does, from what stands."""
    return lambda _old, state, _held: compiled(identifier, surgery, answers=answers(state), **options)


def mover(server):
    return Mover(server, NOW, Why("move", "Ruth Alderman, RN", "theatre closed"))


@pytest.fixture
def one(server):
    """A plan that stands, with things done and a hold answered."""
    client, identifier = Server(server.base, sleep=lambda _: None), new_identifier()
    push(written(identifier), client, now=NOW)
    note(client, identifier, str(BLOOD), "done", by="Lab", on=date(2026, 3, 9))
    note(client, identifier, str(WASH), "done", by="Robin Quill", on=date(2026, 3, 10))
    note(client, identifier, str(HOLD), "answered", by="Dr Reed", on=date(2026, 3, 2), days=3)
    return client, identifier


def words(moved):
    """Each item's change as the difference says it."""
    return {r.item: r.change for r in difference(moved.old, moved.decided.plan, moved.old_state, moved.decided)}


def test_a_move_is_one_transaction_and_says_the_same_when_it_is_repeated(one):
    server, identifier = one
    first = mover(server).move(identifier, again(identifier))
    assert first.sent and first.findings == ()
    told = words(first)
    assert (told[BLOOD], told[WASH], told[HOLD], told[CALL]) == ("valid", "again", "again", "moved")
    plan, state = read(plan_resources(server, identifier))
    assert plan.anchor("surgery").moment.day == NEW
    assert state.items[HOLD].round == 2 and state.items[HOLD].answer is None
    assert plan.item(HOLD).hold.missed_days == 3  # the number that was answered is proposed again
    before = {ref: r["meta"]["versionId"] for ref, r in plan_resources(server, identifier)}
    second = mover(server).move(identifier, again(identifier))
    assert not second.sent and second.earlier and words(second) == told
    assert second.old.anchor("surgery").moment.day == SURGERY
    assert {ref: r["meta"]["versionId"] for ref, r in plan_resources(server, identifier)} == before


def test_a_dry_run_says_what_the_move_does_and_sends_nothing(one):
    server, identifier = one
    before = {ref: r["meta"]["versionId"] for ref, r in plan_resources(server, identifier)}
    dry = mover(server).move(identifier, again(identifier), dry_run=True)
    assert {ref: r["meta"]["versionId"] for ref, r in plan_resources(server, identifier)} == before
    wet = mover(server).move(identifier, again(identifier))
    assert words(dry) == words(wet) and not dry.sent


def test_who_when_why_and_from_which_version(one):
    server, identifier = one
    root = read(plan_resources(server, identifier))[1].plan_reference
    version = server.read(root)["meta"]["versionId"]
    mover(server).move(identifier, again(identifier))
    proofs = [r for _, r in server.search("Provenance", [("target", root)])]
    move = next(p for p in proofs if p["activity"]["text"] == "move")
    assert move["reason"] == [{"text": "theatre closed"}]
    assert next(a["who"].get("display") for a in move["agent"]) == "Ruth Alderman, RN"
    revised = next(e for e in move["entity"] if e["role"] == "revision")
    assert revised["what"]["identifier"]["value"] == f"{root}/_history/{version}"
    assert len(move["target"]) > 10


def test_history_shows_the_versions_and_what_each_changed(one):
    server, identifier = one
    mover(server).move(identifier, again(identifier))
    mover(server).move(identifier, again(identifier, later(28)))
    found = history(server, identifier)
    assert [v.activity for v in found] == ["push", "move", "move"]
    days = [v.plan.anchor("surgery").moment.day for v in found]
    assert days == [SURGERY, NEW, later(28)]
    assert found[1].by == "Ruth Alderman, RN" and found[1].reason == "theatre closed"
    assert {t.name for t in found[1].turned} == {"surgery", "discharge"}
    changes = {r.item: r.change for r in found[1].rows}
    assert (changes[CALL], changes[HOLD], changes[WASH]) == ("moved", "again", "again")


def test_a_booking_is_never_touched_by_a_move(one):
    server, identifier = one
    held = plan_resources(server, identifier)
    request = read(held)[1].items[VISIT].references["request"]
    patient = next(ref for ref, r in held if r["resourceType"] == "Patient")
    made = {
        "resourceType": "Appointment", "status": "booked", "basedOn": [{"reference": request}],
        "start": instant(date(2026, 4, 1)), "end": instant(date(2026, 4, 1), 10), "comment": "Room 4",
        "participant": [{"actor": {"reference": patient}, "status": "accepted"}],
    }  # fmt: skip
    answer = server.send("POST", "Appointment", made, headers={"Prefer": "return=representation"})
    booked = f"Appointment/{answer.document['id']}"
    before = server.read(booked)
    mover(server).move(identifier, again(identifier))
    assert server.read(booked) == before
    request = server.read(request)
    assert request["occurrencePeriod"]["start"] == (NEW + timedelta(10)).isoformat()


def test_an_old_bundle_does_not_move_it_back(one):
    server, identifier = one
    mover(server).move(identifier, again(identifier))
    with pytest.raises(PlanRefusedError) as refused:
        push(written(identifier), server, now=NOW)
    assert "WKU101" in codes(refused)


def test_no_answer_on_the_way_and_run_again(one, server):
    """The transaction was applied and its answer was lost: the second run finds it, and says the same."""
    client, identifier = one
    told = words(mover(client).move(identifier, again(identifier), dry_run=True))
    with between(server.base) as proxy:
        proxy.faults.append(Fault(after=True, cut=True))
        with pytest.raises(NoAnswerError):
            mover(Server(proxy.base, sleep=lambda _: None)).move(identifier, again(identifier))
    assert words(mover(client).move(identifier, again(identifier))) == told
    assert read(plan_resources(client, identifier))[0].anchor("surgery").moment.day == NEW


def test_what_a_person_writes_between_reading_and_sending_is_kept(one):
    """The transaction is refused as stale; the plan is read and compiled again with what was written."""
    server, identifier = one
    compiled_from = []

    def meanwhile(old, state, held):
        if not compiled_from:
            note(server, identifier, str(CALL), "owner", by="Nurse Park", on=None, text="Nurse Park")
        compiled_from.append(state.items[CALL].owner)
        return again(identifier)(old, state, held)

    moved = mover(server).move(identifier, meanwhile)
    assert moved.sent and moved.findings == () and compiled_from == ["", "Nurse Park"]
    state = read(plan_resources(server, identifier))[1]
    assert state.items[CALL].owner == "Nurse Park"
    task = server.read(state.items[CALL].references["task"])
    assert task["restriction"]["period"]["end"] == (NEW - timedelta(7)).isoformat()


def test_cancelled_then_another_day(one):
    server, identifier = one
    withdraw(server, identifier, "flood in theatre", suspended=True, by="Ruth Alderman, RN", now=NOW)
    assert read(plan_resources(server, identifier))[1].plan_status == "on-hold"
    moved = mover(server).move(identifier, again(identifier))
    assert moved.sent and moved.findings == ()
    plan, state = read(plan_resources(server, identifier))
    assert state.plan_status == "active" and plan.withdrawn == "" and state.items[CALL].cls == "open"
    assert [v.activity for v in history(server, identifier)] == ["push", "withdrawal", "move"]


def test_a_revoked_plan_needs_a_word(one):
    server, identifier = one
    withdraw(server, identifier, "the patient decided against it", now=NOW)
    with pytest.raises(PlanRefusedError) as refused:
        mover(server).move(identifier, again(identifier))
    assert codes(refused) == ["WKU105"]
    assert mover(server).move(identifier, again(identifier), reinstate=True).sent
    assert read(plan_resources(server, identifier))[1].items[READY].cls == "open"


def test_a_revoked_plan_taken_up_again_on_its_own_day_is_whole_at_once(one):
    """The hold that was answered before counts for its gate in the same transaction, not in a second one."""
    server, identifier = one
    withdraw(server, identifier, "the patient decided against it", now=NOW)
    moved = mover(server).move(identifier, again(identifier, SURGERY), reinstate=True)
    assert moved.sent and moved.findings == ()


def test_the_second_joint_stays_where_it_is(one):
    server, identifier = one
    push(written(identifier, surgery=later(90), episode=2, side="right"), server, now=NOW)
    second = {ref: r["meta"]["versionId"] for ref, r in plan_resources(server, identifier)}
    mover(server).move(identifier, again(identifier))
    plans = {p.episode.number: p for p, _ in read_all(plan_resources(server, identifier))}
    assert plans[1].anchor("surgery").moment.day == NEW and plans[2].anchor("surgery").moment.day == later(90)
    third = {ref: r["meta"]["versionId"] for ref, r in plan_resources(server, identifier)}
    own = {s.references[part] for _, s in _states(server, identifier, 2) for part in s.references}
    assert own and all(second[ref] == third[ref] for ref in own)


def _states(server, identifier, number):
    return [
        (k, s) for p, st in read_all(plan_resources(server, identifier)) if p.episode.number == number
        for k, s in st.items.items()
    ]  # fmt: skip


def test_a_change_that_leaves_the_root_as_it_was_is_in_the_history_too(one):
    server, identifier = one
    words = (("title: Call the patient", "title: Call the patient at home"),)
    mover(server).move(identifier, again(identifier, SURGERY, changes=words))
    mover(server).move(identifier, again(identifier, SURGERY))
    found = history(server, identifier)
    assert [v.plan.item(CALL).title for v in found][-2:] == ["Call the patient at home", "Call the patient"]
    assert len(found) == 3


@pytest.mark.parametrize("answer", [
    {"change": inside(409, "conflict")}, {"change": inside(503, "transient")}, {"answer": refusal(409, "conflict")},
    {"answer": refusal(412, "conflict")},
], ids=["409 inside", "503 inside", "409", "412"])  # fmt: skip
def test_what_the_server_cannot_do_at_once_is_decided_and_sent_again(one, server, answer):
    """409, 412 and 503, of the whole or of an entry: FHIR R4, http.html (managing resource contention, transaction)."""
    direct, identifier = one
    with between(server.base) as proxy:
        client = Server(proxy.base, sleep=lambda _: None)
        proxy.faults.append(Fault(**answer))
        assert mover(client).move(identifier, again(identifier)).findings == ()
        assert read(plan_resources(direct, identifier))[0].anchor("surgery").moment.day == NEW
        proxy.faults.append(Fault(**answer))
        assert withdraw(client, identifier, "surgery cancelled", now=NOW).findings == ()
    assert read(plan_resources(direct, identifier))[0].withdrawn
