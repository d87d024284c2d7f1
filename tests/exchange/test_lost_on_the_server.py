"""A server that does not look after references (FHIR R4 references.html leaves that to it) may hold half of a plan: it
is withdrawn like another, not refused for what it lost."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest
import requests

from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import read
from waykeeper.sandbox.work import Work

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.fixture
def bereft(one, monkeypatch):
    """The plan without the Tasks to which others refer (Task.partOf, Task.focus)."""
    server, identifier = one
    monkeypatch.setattr(Work, "finish", lambda self: None)  # where the sandbox looks after them
    held = [r for ref, r in plan_resources(server, identifier) if ref.startswith("Task/")]
    named = {named["reference"] for r in held for named in (*r.get("partOf", ()), r.get("focus") or {}) if named}
    tasks = [ref for ref in named if ref.startswith("Task/")]
    for ref in tasks:
        assert requests.delete(f"{server.base}/{ref}", timeout=10).status_code == 204
    assert tasks
    return server, identifier


def test_a_plan_that_lost_its_tasks_is_withdrawn(bereft):
    withdraw(*bereft, "infection", now=NOW, today=date(2026, 3, 2))
    plan, state = read(plan_resources(*bereft))
    assert state.plan_status == "revoked" and plan.withdrawn.startswith("infection")
