"""What is noted is written once, also where the answer is lost on the way and the note is run again."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from merge.small import BLOOD, CALL, HOLD, LATEX, READY, VISIT, compiled, new_identifier
from merge.worlds import later
from waykeeper.exchange import NoAnswerError, Server
from waykeeper.exchange.moving import Mover
from waykeeper.exchange.noting import note
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import answers, bundle
from waykeeper.findings import WaykeeperError, finding
from waykeeper.sandbox import running

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
DAY = date(2026, 3, 1)


class Losing(Server):
    """A connection that loses the answer to what was written, so many times; the server carries it out."""

    lose = 0
    gave_up = ()  # statuses that a gateway answers with, although the server has carried it out

    def _exchange(self, method, url, data, headers, *, stream=False):
        answer = super()._exchange(method, url, data, headers, stream=stream)
        writes = method == "PUT" or (method == "POST" and "_search" not in url and not url.endswith("/fhir"))
        if writes and self.lose:
            self.lose -= 1
            raise NoAnswerError(finding("WKX301", "no answer"))
        if writes and self.gave_up:
            answer.status_code, answer._content = self.gave_up[0], b""
            self.gave_up = self.gave_up[1:]
        return answer


@pytest.fixture
def one():
    with running() as url:
        server, identifier = Losing(url, sleep=lambda _: None), new_identifier()
        push(bundle(compiled(identifier)), server, now=NOW)
        yield server, identifier


def of_kind(server, identifier, kind):
    return [r for _, r in plan_resources(server, identifier) if r["resourceType"] == kind]


@pytest.mark.parametrize(
    ("item", "what", "kind"),
    [(CALL, "no-answer", "Communication"), (CALL, "contact", "Communication"), (HOLD, "taken", "MedicationStatement")],
)
@pytest.mark.parametrize("times", [1, 2])
def test_what_is_about_an_item_is_there_once(one, item, what, kind, times):
    server, identifier = one
    server.lose = times
    said = note(server, identifier, str(item), what, by="Nurse Park", on=DAY, text="rang twice")
    made = of_kind(server, identifier, kind)
    assert len(made) == 1 and f"{kind}/{made[0]['id']}" in said
    again = note(server, identifier, str(item), what, by="Nurse Park", on=DAY, text="rang twice")
    assert len(of_kind(server, identifier, kind)) == 1  # as after a command that was killed and is run again
    assert "which was there before" in again and "add --text" in again
    note(server, identifier, str(item), what, by="Nurse Park", on=DAY, text="rang in the evening")
    assert len(of_kind(server, identifier, kind)) == 2


@pytest.mark.parametrize("status", [408, 502, 504])
def test_a_call_is_there_once_where_what_stands_before_the_server_gave_up_waiting(one, status):
    server, identifier = one
    server.gave_up = (status, status)
    note(server, identifier, str(CALL), "no-answer", by="Nurse Park", on=DAY)
    assert server.gave_up == () and len(of_kind(server, identifier, "Communication")) == 1
    server.gave_up = (status,) * 9
    with pytest.raises(NoAnswerError) as lost:
        note(server, identifier, str(CALL), "no-answer", by="Nurse Park", on=DAY)
    server.gave_up = ()
    assert lost.value.exit_code == 3 and "Run it again with the same day" in lost.value.findings[0].help


def test_a_visit_that_was_kept_is_noted_once(one):
    server, identifier = one
    said = [note(server, identifier, str(VISIT), "done", by="Nurse Park", on=DAY, text="in town") for _ in (1, 2)]
    assert said[1] == f"{said[0]}: as it was noted before" and len(of_kind(server, identifier, "Encounter")) == 1
    for other in ({"on": date(2026, 2, 28)}, {"by": "Nurse Kim"}, {"text": "at home"}):
        with pytest.raises(WaykeeperError) as refused:
            note(server, identifier, str(VISIT), "done", **{"by": "Nurse Park", "on": DAY, "text": "in town"} | other)
        said, ref = refused.value.findings[0], f"Encounter/{of_kind(server, identifier, 'Encounter')[0]['id']}"
        assert "is recorded as kept already, on 2026-03-01" in said.details
        assert f"set {ref} to entered-in-error" in said.help


def test_nothing_is_updated_of_which_the_server_gives_no_version(one, monkeypatch):
    """An If-Match of nothing is ignored by lenient servers: what somebody else just wrote would be undone."""
    server, identifier = one
    asked = Losing._at_home

    def unversioned(self, response, what):
        answer = asked(self, response, what)
        text = re.sub(r'"versionId": "[^"]*",? ?', "", json.dumps(answer.document))
        return replace(answer, document=json.loads(text))

    monkeypatch.setattr(Losing, "_at_home", unversioned)
    for item in (BLOOD, VISIT):
        with pytest.raises(WaykeeperError) as refused:
            note(server, identifier, str(item), "done", by="Nurse Park", on=DAY)
        assert refused.value.findings[0].code == "WKX112" and "without a version" in refused.value.findings[0].details
    monkeypatch.undo()
    assert not [r for _, r in plan_resources(server, identifier) if r.get("status") == "completed"]


def test_a_note_that_the_server_only_took_is_not_told_as_written(one):
    """RFC 9110, 15.3.3: accepted is not carried out."""
    server, identifier = one
    server.gave_up = (202,)
    with pytest.raises(NoAnswerError) as unknown:
        note(server, identifier, str(BLOOD), "done", by="Nurse Park", on=DAY)
    assert unknown.value.exit_code == 3 and "Wait until the server" in unknown.value.findings[0].help
    assert note(server, identifier, str(BLOOD), "done", by="Nurse Park", on=DAY).endswith(": as it was noted before")


@pytest.mark.parametrize(("item", "what"), [(BLOOD, "done"), (READY, "released"), (BLOOD, "owner")])
def test_what_is_done_already_says_when_and_what_corrects_it(one, item, what):
    server, identifier = one
    note(server, identifier, str(item), "released" if item is READY else "done", by="Nurse Park", on=DAY)
    ref = next(r for r, x in plan_resources(server, identifier) if x.get("status") == "completed")
    with pytest.raises(WaykeeperError) as refused:
        note(server, identifier, str(item), what, by="Nurse Kim", on=date(2026, 2, 28), text="Kim")
    (said,) = refused.value.findings
    assert f"is completed already, on 2026-03-01 ({ref})" in said.details
    assert said.help.startswith(f"If that is wrong, correct {ref} on the server")


def test_a_visit_that_was_recorded_as_kept_in_error_can_be_recorded_again(one):
    server, identifier = one
    note(server, identifier, str(VISIT), "done", by="Nurse Park", on=DAY)
    wrong = of_kind(server, identifier, "Encounter")[0]
    theirs = [{"system": "https://alder-quay.example/encounter", "value": "E-7"}, *wrong["identifier"]]
    server.send("PUT", f"Encounter/{wrong['id']}", {**wrong, "status": "entered-in-error", "identifier": theirs})
    said = note(server, identifier, str(VISIT), "done", by="Nurse Kim", on=date(2026, 2, 28))
    (made,) = of_kind(server, identifier, "Encounter")
    assert said.startswith("visit/two-week: done by Nurse Kim on 2026-02-28 for ") and made["id"] == wrong["id"]
    assert (made["status"], made["period"]["start"], made["identifier"]) == ("finished", "2026-02-28", theirs)


def test_where_no_answer_comes_at_all_it_says_to_look_first(one):
    server, identifier = one
    server.lose = 9
    with pytest.raises(NoAnswerError) as lost:
        note(server, identifier, str(CALL), "no-answer", by="Nurse Park", on=DAY)
    server.lose = 0
    assert lost.value.exit_code == 3 and "Run it again with the same day" in lost.value.findings[0].help
    assert len(of_kind(server, identifier, "Communication")) == 1


@pytest.mark.parametrize(
    ("item", "what", "options"),
    [
        (BLOOD, "done", {"text": "all normal"}),
        (READY, "released", {}),
        (HOLD, "answered", {"days": 4}),
        (HOLD, "answered", {"decision": "continue"}),
        (HOLD, "answered", {}),
        (LATEX, "fact", {"text": "no"}),
    ],
)
def test_a_note_that_was_lost_is_run_again(one, item, what, options):
    server, identifier = one
    server.lose = 1
    with pytest.raises(NoAnswerError):
        note(server, identifier, str(item), what, by="Dr Reed", on=DAY, **options)
    stood = plan_resources(server, identifier)
    said = note(server, identifier, str(item), what, by="Dr Reed", on=DAY, **options)
    assert ": as it was noted before" in said and plan_resources(server, identifier) == stood


@pytest.mark.parametrize(
    "other", [{"by": "Dr Stone"}, {"on": date(2026, 2, 28)}, {"days": 5}, {"days": None, "decision": "continue"}]
)
def test_another_note_about_what_is_done_is_refused(one, other):
    server, identifier = one
    said = {"by": "Dr Reed", "on": DAY, "days": 4}
    note(server, identifier, str(HOLD), "answered", **said)
    with pytest.raises(WaykeeperError) as refused:
        note(server, identifier, str(HOLD), "answered", **said | other)
    assert refused.value.findings[0].code == "WKX240" and "already" in refused.value.findings[0].details


def test_a_note_on_a_withdrawn_plan_names_the_plan_in_force(one):
    server, identifier = one
    withdraw(server, identifier, "surgery cancelled", now=NOW)
    with pytest.raises(WaykeeperError) as refused:
        note(server, identifier, str(BLOOD), "done", by="Lab", on=DAY)
    assert "the plan was withdrawn (surgery cancelled)" in refused.value.findings[0].details
    assert "--episode" not in refused.value.findings[0].help
    push(bundle(compiled(identifier, later(30), episode=2)), server, now=NOW)
    with pytest.raises(WaykeeperError) as refused:
        note(server, identifier, str(BLOOD), "done", by="Lab", on=DAY)
    assert "Add --episode 2" in refused.value.findings[0].help
    said = note(server, identifier, str(BLOOD), "done", by="Lab", on=DAY, episode=2)
    # whose it is and which operation: the number, or the episode, may be a slip
    day = later(30).isoformat()
    assert f" for Robin Quill, ...{identifier.value[-3:]}, surgery {day} (Task/" in said


def test_a_withdrawal_takes_back_what_somebody_has_in_hand(one):
    server, identifier = one
    note(server, identifier, str(HOLD), "owner", by="Nurse Park", on=DAY, text="Nurse Park")
    in_hand = next(r for r in of_kind(server, identifier, "Task") if r["code"].get("text") == "Have in hand")
    assert in_hand["status"] == "accepted"
    told = withdraw(server, identifier, "surgery cancelled", now=NOW)
    assert told.sent and told.findings == ()
    after = server.read(f"Task/{in_hand['id']}")
    assert after["status"] == "cancelled" and after["owner"] == in_hand["owner"]
    assert not withdraw(server, identifier, "said twice", now=NOW).sent


class Together(Server):
    """Another nurse notes the same moment: after this one has read, before this one writes."""

    other = None

    def _exchange(self, method, url, data, headers, *, stream=False):
        writes = method == "PUT" or (method == "POST" and b'"batch"' not in (data or b"") and "_search" not in url)
        if writes and self.other:
            other, self.other = self.other, None
            other()
        return super()._exchange(method, url, data, headers, stream=stream)


def together(one, item, what, mine, theirs):
    server, identifier = one
    me = Together(server.base, sleep=lambda _: None)
    me.other = lambda: note(server, identifier, str(item), what, by="Nurse Kim", on=DAY, **theirs)
    return note(me, identifier, str(item), what, by="Nurse Park", on=DAY, **mine)


def test_what_two_take_in_hand_at_the_same_moment_is_noted_of_both(one):
    server, identifier = one
    together(one, VISIT, "owner", {"text": "Nurse Park"}, {"text": "Nurse Kim"})
    (task,) = [r for r in of_kind(server, identifier, "Task") if r["code"].get("text") == "Have in hand"]
    assert task["owner"] == {"display": "Nurse Park"}  # who wrote last
    assert [(n["authorString"], n["text"]) for n in task["note"]] == [
        ("Nurse Kim", "Owner: Nurse Kim"), ("Nurse Park", "Owner: Nurse Park"),
    ]  # fmt: skip


def test_a_visit_that_two_note_at_the_same_moment_was_kept_once(one):
    server, identifier = one
    with pytest.raises(WaykeeperError) as told:
        together(one, VISIT, "done", {}, {})
    assert "is recorded as kept already" in told.value.findings[0].details
    assert len(of_kind(server, identifier, "Encounter")) == 1


def test_a_visit_whose_request_is_done_already_is_kept_once_too(one):
    """Nothing is updated then that could be stale: the creation alone must not double."""
    server, identifier = one
    (ref, request) = next(
        (r, x) for r, x in plan_resources(server, identifier)
        if x["resourceType"] == "ServiceRequest" and not x.get("doNotPerform")
    )  # fmt: skip
    server.send("PUT", ref, {**request, "status": "completed"})
    with pytest.raises(WaykeeperError) as told:
        together(one, VISIT, "done", {"text": "wound dry"}, {})
    assert "is recorded as kept already" in told.value.findings[0].details
    assert len(of_kind(server, identifier, "Encounter")) == 1


def test_a_dose_of_another_round_is_another_dose(one):
    """A hold that is asked again has a resource of its own, and what is noted for it is read from there."""
    server, identifier = one
    note(server, identifier, str(HOLD), "answered", by="Dr Reed", on=DAY, days=3)
    taken = {"by": "Nurse Park", "on": date(2026, 2, 28)}
    first = note(server, identifier, str(HOLD), "taken", **taken)
    Mover(server, NOW).move(identifier, lambda _old, s, _held: compiled(identifier, later(21), answers=answers(s)))
    again = note(server, identifier, str(HOLD), "taken", **taken)
    assert len(of_kind(server, identifier, "MedicationStatement")) == 2 and "there before" not in first + again


def test_a_closing_and_what_takes_it_back_are_each_written_once_though_their_words_are_the_same(one):
    """A task that failed has ended and is still asked about, so that a note that is run again must know its own."""
    server, identifier = one
    ref, task = next(
        (ref, r) for ref, r in plan_resources(server, identifier) if r.get("description") == "Call the patient"
    )
    server.send("PUT", ref, {**task, "status": "failed"})
    said = [
        note(server, identifier, str(CALL), what, by="Nurse Park", on=DAY, text="as she wished")
        for what in ("closed", "closed", "reopened", "reopened", "closed")
    ]
    assert ["as it was noted before" in line for line in said] == [False, True, False, True, False]
