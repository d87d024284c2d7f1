"""`note plan/plan completed`: what waits for a decision is refused, what is open needs a reason, twice is once."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from merge.small import BLOOD, CALL, HOLD, VISIT, WEIGHT, compiled, new_identifier
from waykeeper.exchange import Server
from waykeeper.exchange.completing import complete
from waykeeper.exchange.noting import note
from waykeeper.exchange.pushing import PlanRefusedError, push
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import bundle, evidence, read
from waykeeper.findings import WaykeeperError
from waykeeper.gaps import worklist
from waykeeper.plan.model import Completion
from waykeeper.timing.model import Standing
from waykeeper.validate import validate

BY, WHY = "Ruth Alderman, RN", "well, by telephone"
PUSHED = datetime(2026, 3, 1, 12, tzinfo=UTC)
RUNS, OVER = datetime(2026, 5, 1, 12, tzinfo=UTC), datetime(2026, 11, 1, 12, tzinfo=UTC)


def operated(identifier):
    """The plan of an operation that the record proves."""
    made = compiled(identifier)
    return replace(made, anchors=tuple(replace(a, standing=Standing.RECORDED) for a in made.anchors))


@pytest.fixture
def one(url):
    server, identifier = Server(url), new_identifier()
    push(bundle(operated(identifier)), server, now=PUSHED)
    return server, identifier


def refused(one, text="", now=OVER):
    held = plan_resources(*one)
    with pytest.raises(WaykeeperError) as met:
        complete(*one, by=BY, text=text, now=now)
    (said,) = met.value.findings
    assert said.code == "WKX240" and plan_resources(*one) == held
    return said.details


def decided(one):
    note(*one, str(HOLD), "answered", by="Dr. Ines Tarrant", on=date(2026, 3, 1), decision="continue")
    note(*one, str(WEIGHT), "released", by="Dr. Ines Tarrant", on=date(2026, 4, 30))


def test_what_it_is_refused_for(one):
    assert "the plan runs until 2026-06-" in refused(one, WHY, RUNS)
    waiting = refused(one, WHY)
    assert f"{WEIGHT} (release-due), {HOLD} (never-answered): waiting for a decision" in waiting
    decided(one)
    assert f"{VISIT} (missed)" in (said := refused(one)) and "not done or not recorded" in said
    assert refused(one, "  ") == said
    with pytest.raises(WaykeeperError, match="fits the plan as a whole"):
        note(*one, str(CALL), "completed", by=BY, on=None)


def test_a_reason_lets_go_what_is_open_and_says_it(one):
    server, identifier = one
    decided(one)
    note(*one, str(BLOOD), "done", by=BY, on=date(2026, 3, 2))
    said = complete(*one, by=BY, on=date(2026, 10, 30), text=WHY, now=OVER)
    assert said.startswith("plan/plan: completed by Ruth Alderman, RN on 2026-10-30 for Robin Quill, ...")
    assert f"{VISIT} (missed)" in said and str(BLOOD) not in said
    held = plan_resources(*one)
    plan, state = read(held)
    assert state.completed == Completion(date(2026, 10, 30), BY, WHY)
    assert [i.key for i in plan.items] == [i.key for i in operated(identifier).items]
    assert not [r for _, r in held if r["resourceType"] != "Patient" for f in validate(r) if f.severity == "error"]
    (proof,) = [r for _, r in server.search("Provenance", [("target", state.plan_reference)])
                if r["activity"]["text"] == "completion"]  # fmt: skip
    assert proof["agent"][0]["who"]["display"] == BY and proof["reason"] == [{"text": WHY}]


def test_twice_is_once_and_a_push_is_refused(one):
    decided(one)
    complete(*one, by=BY, text=WHY, now=OVER)
    held = plan_resources(*one)
    assert "as it was noted before" in note(*one, "plan/plan", "completed", by="Ann", on=None, text="again")
    assert "completed by Ruth Alderman, RN on 2026-11-01" in complete(*one, by="Ann", now=OVER)
    with pytest.raises(PlanRefusedError, match="WKU109"):
        push(bundle(operated(one[1])), one[0], now=OVER)
    assert plan_resources(*one) == held


def test_who_writes_at_the_same_moment_is_read_first(one, monkeypatch):
    server, _ = one
    decided(one)
    sent, send = [], server.bundle

    def between(transaction):
        if transaction["type"] != "transaction":
            return send(transaction)
        sent.append(transaction)
        if len(sent) == 1:
            note(Server(server.base), one[1], str(CALL), "done", by="Ann", on=date(2026, 3, 11))
        return send(transaction)

    monkeypatch.setattr(server, "bundle", between)
    said = complete(*one, by=BY, text=WHY, now=OVER)
    assert len(sent) == 2 and str(CALL) not in said
    call = next(own for key, own in read(plan_resources(*one))[1].items.items() if key == CALL)
    assert (call.status, call.done_on) == ("completed", date(2026, 3, 11)), "nobody's work is lost"


def test_what_becomes_known_after_it_is_recorded_with_its_day(one):
    decided(one)
    complete(*one, by=BY, text=WHY, now=OVER)
    note(*one, str(CALL), "done", by="Ann", on=date(2026, 3, 11))
    note(*one, str(VISIT), "done", by="Ann", on=date(2026, 4, 1))
    held = plan_resources(*one)
    plan, state = read(held)
    assert (state.items[CALL].status, state.items[CALL].done_on) == ("completed", date(2026, 3, 11))
    said = {r.item: r.verdict for r in worklist([(plan, state)], evidence(held, plan.zone), OVER.date()).rows}
    assert (said[str(VISIT)], said["plan/plan"]) == ("attended", "completed")
    with pytest.raises(WaykeeperError, match="cancelled already"):
        note(*one, str(BLOOD), "owner", by="Ann", on=None, text="Ann")


def test_set_back_to_active_each_step_can_be_noted_and_it_can_be_completed_again(one):
    decided(one)
    complete(*one, by=BY, text=WHY, now=OVER)
    held = plan_resources(*one)
    ref = read(held)[1].plan_reference
    one[0].send("PUT", ref, {**dict(held)[ref], "status": "active"})
    assert f"{VISIT} (missed)" in refused(one)
    note(*one, str(CALL), "done", by="Ann", on=date(2026, 3, 11))
    note(*one, str(BLOOD), "closed", by="Ann", on=date(2026, 10, 30), text="done elsewhere")
    note(*one, str(VISIT), "closed", by="Ann", on=date(2026, 10, 30), text="seen elsewhere")
    state = read(plan_resources(*one))[1]
    assert (state.items[CALL].status, state.items[CALL].done_on) == ("completed", date(2026, 3, 11))
    assert [state.items[key].closed_because for key in (BLOOD, VISIT)] == ["done elsewhere", "seen elsewhere"]
    said = complete(*one, by=BY, text="nothing more", now=OVER)
    assert str(CALL) not in said and str(BLOOD) not in said
    assert read(plan_resources(*one))[1].completed == Completion(OVER.date(), BY, "nothing more")


def test_a_withdrawal_says_that_it_was_completed(one):
    decided(one)
    complete(*one, by=BY, text=WHY, now=OVER)
    assert "| ALREADY COMPLETED\n" in withdraw(*one, "moved away", now=OVER).text()
