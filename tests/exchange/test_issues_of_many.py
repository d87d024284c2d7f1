"""The gaps of many plans are written to a server that is read as a whole, not once more for each plan."""

from collections import Counter

import pytest

from exchange.many_patients import plan
from waykeeper import verbs
from waykeeper.exchange import Server
from waykeeper.sandbox import running

COUNT = 5


@pytest.fixture
def server():
    """A sandbox with the plans of several patients."""
    with running() as base:
        for number in range(COUNT):
            with Server(base) as client:
                client.bundle(plan(number))
        yield base


@pytest.fixture
def asked(monkeypatch):
    """How many requests of each method were sent to it."""
    found = Counter()
    plain = Server._exchange

    def counted(self, method, url, *given, **more):
        found[method] += 1
        return plain(self, method, url, *given, **more)

    monkeypatch.setattr(Server, "_exchange", counted)
    return found


def total(asked, do):
    """The requests of one call, and what it returned."""
    asked.clear()
    found = do()
    return sum(asked.values()), found


def test_plans_of_which_nothing_changed_ask_nothing_more(server, asked):
    day = "2026-02-02"
    first = verbs.issues(to=server, as_of=day)
    assert len(first) == COUNT
    assert all(one.changes and one.sent and not one.findings for one in first)
    reading, _ = total(asked, lambda: verbs.gaps(server, as_of=day))
    again, reports = total(asked, lambda: verbs.issues(to=server, as_of=day))
    assert [d for one in reports for d in one.changes] == []
    assert reading < again <= 2 * reading  # the report's own reading, and one for what it is written over


def test_a_person_who_takes_up_a_task_meanwhile_keeps_it(server):
    verbs.issues(to=server, as_of="2026-02-02")
    to_come = verbs.issues(to=server, as_of="2026-03-10", dry_run=True)
    task = next(d.reference for d in to_come[-1].changes if d.kind == "Task" and d.word == "close")

    def taken_up(report):
        """After the first plan was sent: all were read by then, and the last one is still to be sent."""
        if report.decisions != to_come[0].decisions:
            return
        with Server(server) as client:
            client.send("PUT", task, {**client.read(task), "status": "in-progress"})

    reports = verbs.issues(to=server, as_of="2026-03-10", reported=taken_up)
    assert {d.reference: d.word for d in reports[-1].decisions}[task] == "keep"
    with Server(server) as client:
        assert client.read(task)["status"] == "in-progress"
