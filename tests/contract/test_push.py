"""A push as the command does it: guards, notes of people, two at once, faults on the way; on both servers."""

import json
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime

import pytest

from exchange.faults import Fault, between
from merge.small import BLOOD, CALL, HOLD, LATEX, MRN, READY, compiled, new_identifier, patient
from merge.worlds import later
from waykeeper.exchange import BadAnswerError, Server
from waykeeper.exchange.capabilities import capabilities, lacking
from waykeeper.exchange.noting import note
from waykeeper.exchange.pushing import PlanRefusedError, push
from waykeeper.exchange.reading import patients, plan_resources
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import answers, bundle, read
from waykeeper.findings import WaykeeperError
from waykeeper.plan.model import Identifier

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
PARTS = 22


def written(identifier, **options):
    """The bundle as `compile` writes it to a file."""
    return json.loads(json.dumps(bundle(compiled(identifier, **options))))


def recompiled(server, identifier, **options):
    """As `compile --from` does."""
    _, state = read(plan_resources(server, identifier))
    return written(identifier, answers=answers(state), **options)


def codes(caught):
    return [f.code for f in caught.value.findings]


@pytest.fixture
def one(server):
    """A client, and an identifier that the server does not know."""
    return Server(server.base, sleep=lambda _: None), new_identifier()


def test_push_creates_the_patient_and_the_plan_once(one):
    server, identifier = one
    first = push(written(identifier), server, now=NOW)
    assert first.sent and first.findings == () and len(first.changes) == PARTS
    held = plan_resources(server, identifier)
    assert sum(r["resourceType"] == "Patient" for _, r in held) == 1
    plan, state = read(held)
    assert {i.key for i in plan.items} == {i.key for i in compiled(identifier).items} == set(state.items)
    before = {ref: r["meta"]["versionId"] for ref, r in held}
    second = push(written(identifier), server, now=NOW)
    assert not second.sent and second.changes == () and "nothing to send" in second.text()
    assert {ref: r["meta"]["versionId"] for ref, r in plan_resources(server, identifier)} == before


def test_provenance_only_where_something_changed(one):
    server, identifier = one
    push(written(identifier), server, now=NOW)
    held = plan_resources(server, identifier)
    root = next(ref for ref, r in held if r["resourceType"] == "CarePlan" and "partOf" not in r)
    assert len(server.search("Provenance", [("target", root)])) == 1
    push(written(identifier), server, now=NOW)
    assert len(server.search("Provenance", [("target", root)])) == 1


def test_dry_run_sends_nothing(one):
    server, identifier = one
    report = push(written(identifier), server, dry_run=True, now=NOW)
    assert len(report.changes) == PARTS and not report.sent
    assert "create     task/call [task]" in report.text()
    assert report.json()["decisions"][0].keys() >= {"item", "part", "decision", "groups", "reason"}
    assert plan_resources(server, identifier) == []


def test_what_people_note_comes_back(one):
    server, identifier = one
    push(written(identifier), server, now=NOW)
    note(server, identifier, str(CALL), "done", by="Nurse Park", on=date(2026, 3, 10), text="reached her")
    note(server, identifier, str(HOLD), "answered", by="Dr Reed", on=date(2026, 3, 2), days=4, text="kidney")
    note(server, identifier, "latex_allergy", "fact", by="Nurse Park", on=date(2026, 3, 3), text="no")
    note(server, identifier, str(CALL), "contact", by="Nurse Park", on=date(2026, 3, 9), text="left a message")
    note(server, identifier, str(BLOOD), "owner", by="Nurse Park", on=None, text="Nurse Park")
    _, state = read(plan_resources(server, identifier))
    called, hold = state.items[CALL], state.items[HOLD]
    assert (called.status, called.done_on, called.by) == ("completed", date(2026, 3, 10), "Nurse Park")
    assert [c.text for c in called.contacts] == ["left a message"]
    assert hold.answer is not None
    assert (hold.answer.decision, hold.answer.missed_days, hold.answer.by) == ("hold", 4, "Dr Reed")
    assert hold.answer.on == date(2026, 3, 2) and hold.answer.text == "kidney"
    assert state.items[LATEX].fact_answer == "no" and state.items[BLOOD].owner == "Nurse Park"
    with pytest.raises(PlanRefusedError) as refused:  # the old bundle knows nothing of all this
        push(written(identifier), server, now=NOW)
    assert codes(refused) == ["WKU102"] and refused.value.exit_code == 1
    report = push(recompiled(server, identifier), server, now=NOW)
    assert report.findings == () and report.sent
    _, state = read(plan_resources(server, identifier))
    stop = state.items[HOLD].references["stop"]
    assert server.read(stop)["restriction"]["period"]["end"] == "2026-03-13"
    note(server, identifier, str(HOLD), "stopped", by="Robin Quill", on=date(2026, 3, 13))
    assert server.read(stop)["status"] == "completed"
    note(server, identifier, str(HOLD), "taken", by="Robin Quill", on=date(2026, 3, 13))
    assert read(plan_resources(server, identifier))[1].items[HOLD].last_taken.day == date(2026, 3, 13)


def test_gate_becomes_ready_and_a_person_releases_it(one):
    server, identifier = one
    push(written(identifier), server, now=NOW)
    note(server, identifier, str(BLOOD), "done", by="Lab", on=date(2026, 3, 1))
    note(server, identifier, str(HOLD), "answered", by="Dr Reed", on=date(2026, 3, 1))
    push(recompiled(server, identifier), server, now=NOW)
    assert read(plan_resources(server, identifier))[1].items[READY].status == "ready"
    note(server, identifier, "ready", "released", by="Dr Stone", on=date(2026, 3, 11))
    assert read(plan_resources(server, identifier))[1].items[READY].done_on == date(2026, 3, 11)


@pytest.mark.parametrize(
    ("item", "what", "options"),
    [
        ("call", "released", {}),
        ("ready", "answered", {}),
        ("latex_allergy", "fact", {"text": "maybe"}),
        (str(HOLD), "answered", {"days": -1}),
        (str(HOLD), "answered", {"days": 3, "decision": "continue"}),
        ("call", "owner", {}),
    ],
)
def test_notes_that_do_not_fit(server, item, what, options):
    client, identifier = Server(server.base), new_identifier()
    push(written(identifier), client, now=NOW)
    with pytest.raises(WaykeeperError) as refused:
        note(client, identifier, item, what, by="Nurse Park", on=None, **options)
    assert codes(refused) == ["WKX240"]


def test_note_of_an_unknown_item_names_the_nearest(one):
    server, identifier = one
    push(written(identifier), server, now=NOW)
    with pytest.raises(BadAnswerError) as refused:
        note(server, identifier, "task/cal", "done", by="Nurse Park", on=None)
    assert "task/call" in refused.value.findings[0].help


@pytest.mark.parametrize(
    "changed",
    [
        {"surgery": later(21)},
        {"changes": (("version: 1.0.0", "version: 1.1.0"),)},
    ],
)
def test_only_a_move_changes_what_the_plan_stands_on(one, changed):
    server, identifier = one
    push(written(identifier), server, now=NOW)
    with pytest.raises(PlanRefusedError) as refused:
        push(written(identifier, **changed), server, now=NOW)
    assert set(codes(refused)) == {"WKU101"}
    assert push(written(identifier), server, now=NOW).changes == ()


def test_another_live_plan_of_the_same_person_is_refused(one):
    server, identifier = one
    push(written(identifier), server, now=NOW)
    ref, resource = next((ref, r) for ref, r in plan_resources(server, identifier) if r["resourceType"] == "Patient")
    second = Identifier(MRN, identifier.value + "-merged")
    merged = {**resource, "identifier": [*resource["identifier"], {"system": second.system, "value": second.value}]}
    assert server.send("PUT", ref, merged).status == 200
    with pytest.raises(PlanRefusedError) as refused:
        push(written(second), server, now=NOW)
    assert codes(refused) == ["WKU103"]


def test_two_patients_with_one_identifier(one):
    """Also where one of them says that the other replaces it (FHIR R4, Patient.link): the message tells which."""
    server, identifier = one
    for _ in range(2):
        assert server.send("POST", "Patient", patient(identifier)).status == 201
    with pytest.raises(BadAnswerError) as refused:
        push(written(identifier), server, now=NOW)
    assert codes(refused) == ["WKX220"]
    (old, resource), (stays, _) = patients(server, identifier)
    link = {"type": "replaced-by", "other": {"reference": stays}}
    assert server.send("PUT", old, {**resource, "link": [link]}).status == 200
    with pytest.raises(BadAnswerError) as refused:
        push(written(identifier), server, now=NOW)
    assert codes(refused) == ["WKX220"]
    assert f"{old} (replaced by {stays})" in refused.value.findings[0].details


def without_label(document):
    made = json.loads(json.dumps(document))
    for entry in made["entry"]:
        if entry["resource"]["resourceType"] == "Patient":
            entry["resource"].pop("meta", None)
    return made


def test_a_patient_without_label_never_reaches_a_test_server(one):
    server, identifier = one
    with pytest.raises(PlanRefusedError) as refused:
        push(without_label(written(identifier)), server, now=NOW)
    assert codes(refused) == ["WKX110"]
    with pytest.raises(PlanRefusedError):  # a slip of the word that allows patients allows none
        push(without_label(written(identifier)), Server(server.base, kind="Test"), now=NOW)
    assert plan_resources(server, identifier) == []


def test_what_the_plan_refers_to_must_be_there(one):
    server, identifier = one
    document = json.loads(
        json.dumps(written(identifier)).replace(
            "MedicationRequest?identifier=https://alder-quay.example/orders|rx-1", "MedicationRequest/not-there"
        )
    )
    with pytest.raises(PlanRefusedError) as refused:
        push(document, server, now=NOW)
    assert codes(refused) == ["WKX111"] and "MedicationRequest/not-there" in str(refused.value)
    assert plan_resources(server, identifier) == []


def test_two_pushes_at_once(server):
    identifier = new_identifier()
    document = written(identifier)
    with ThreadPoolExecutor(2) as pool:
        waiting = [pool.submit(push, document, Server(server.base), now=NOW) for _ in range(2)]
        problems = [one.exception() for one in waiting]
    assert any(problem is None for problem in problems)
    assert all(problem is None or isinstance(problem, BadAnswerError) for problem in problems)
    client = Server(server.base)
    assert push(document, client, now=NOW).changes == ()
    held = [r for _, r in plan_resources(client, identifier) if r["resourceType"] != "Patient"]
    assert len(held) == PARTS and len({r["identifier"][0]["value"] for r in held}) == PARTS


def test_a_nurse_writes_between_read_and_write(server):
    identifier = new_identifier()
    push(written(identifier), Server(server.base), now=NOW)
    direct = Server(server.base)
    note(direct, identifier, str(HOLD), "answered", by="Dr Reed", on=date(2026, 3, 2), days=4)
    document = recompiled(direct, identifier)
    with between(server.base) as proxy:

        def nurse_first(body):
            _edit(direct, identifier, "hold", {"note": [{"text": "seen by the pharmacist"}]})
            return body

        proxy.faults.append(Fault(request=nurse_first))
        report = push(document, Server(proxy.base, sleep=lambda _: None), now=NOW)
    assert report.sent and report.findings == ()
    _, state = read(plan_resources(direct, identifier))
    hold = direct.read(state.items[HOLD].references["hold"])
    assert hold["note"] == [{"text": "seen by the pharmacist"}]
    assert "stop" in state.items[HOLD].references


def _edit(server, identifier, part, fields):
    _, state = read(plan_resources(server, identifier))
    ref = state.items[HOLD].references[part]
    assert server.send("PUT", ref, {**server.read(ref), **fields}).status == 200


def test_withdraw_lists_what_people_must_do(one):
    server, identifier = one
    push(written(identifier), server, now=NOW)
    report = withdraw(server, identifier, "surgery cancelled", now=NOW)
    assert report.sent and report.findings == ()
    plan, state = read(plan_resources(server, identifier))
    assert (state.plan_status, plan.withdrawn) == ("revoked", "surgery cancelled")
    assert {s.cls for k, s in state.items.items()} == {"withdrawn"}
    assert withdraw(server, identifier, "surgery cancelled", now=NOW).changes == ()
    with pytest.raises(PlanRefusedError) as refused:
        push(written(identifier), server, now=NOW)
    assert "WKU105" in codes(refused)
    again = push(recompiled(server, identifier), server, take={"plan": "ours"}, now=NOW)
    assert again.findings == () and again.conflicts == ()
    assert read(plan_resources(server, identifier))[1].plan_status == "active"


def test_what_the_server_can_do_is_found_out_without_a_trace(server):
    client = Server(server.base)
    found = {ability.name: ability for ability in capabilities(client)}
    assert lacking(tuple(found.values())) == ()
    assert (found["our extensions survive"].can, found["our extensions survive"].how) == ("yes", "probed")
    assert {a.can for a in found.values() if a.required} == {"yes"}
    assert found["ids of ours, without overwriting"].can == ("yes" if server.name == "real" else "no")
    trials = client.search("Task", [("status", "draft"), ("code", "review")])
    assert [ref for ref, r in trials if str(r["code"].get("text")).startswith("Trial")] == []


def test_taking_a_side_of_an_unknown_item_is_refused(one):
    server, identifier = one
    with pytest.raises(WaykeeperError) as refused:
        push(written(identifier), server, take={"task/cal": "ours"}, dry_run=True, now=NOW)
    assert codes(refused) == ["WKX221"] and "task/call" in refused.value.findings[0].help


@pytest.mark.parametrize("number", ["943 476 5919", "12,34", "A&B=1", "A+B", "Ünï", "a|b"])
def test_a_patient_is_found_again_whatever_the_number_holds(server, number):
    client, identifier = Server(server.base), Identifier(MRN, f"{number} {new_identifier().value}")
    assert push(written(identifier), client, now=NOW).findings == ()
    assert push(written(identifier), client, now=NOW).changes == ()
    assert read(plan_resources(client, identifier))[0].patient.identifier == identifier
