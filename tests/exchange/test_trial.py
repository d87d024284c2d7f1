"""What a trial of a server leaves and touches: nothing but itself, whatever the server ignores of what it is asked.

A server may ignore a parameter of a search that it does not know (FHIR R4, http://hl7.org/fhir/R4/search.html#errors:
"servers SHOULD ignore unknown or unsupported parameters"), and need not hold to `Prefer: handling=strict`.
"""

import re
from datetime import timedelta

import pytest

from waykeeper.exchange import Server
from waykeeper.exchange import trial as trials
from waykeeper.exchange.trial import SYSTEM, trial
from waykeeper.sandbox import running

OTHERS = {"resourceType": "Task", "status": "requested", "intent": "order", "description": "Bring the chart"}


class Ignoring(Server):
    """A server that searches Tasks by no identifier; `creates`: it looks for none in a conditional creation either,
    and gives each id itself."""

    creates = False

    def _exchange(self, method, url, data, headers, *, stream=False):
        if method == "GET" and "/Task?" in url:
            url = f"{url.partition('?')[0]}?_count=100"
        if data and self.creates:
            data = data.replace(rb'"ifMatch":"W/\"0\""', rb'"ifMatch":"W/\"99\""')
            data = re.sub(rb'"ifNoneExist":"[^"]*"', b'"ifNoneExist":"status=requested"', data)
        return super()._exchange(method, url, data, headers, stream=stream)


@pytest.fixture
def url():
    with running() as base:
        yield base


def tasks(url):
    return {task.get("description"): task["meta"]["versionId"] for _, task in Server(url).search("Task", [])}


def test_the_tasks_of_others_stand_where_a_search_gives_more_than_was_asked_for(url):
    for number in range(3):
        Server(url).send("POST", "Task", {**OTHERS, "description": str(number)})
    assert trial(Ignoring(url)).whole
    assert tasks(url) == {"0": "1", "1": "1", "2": "1"}


def test_what_a_conditional_creation_finds_is_neither_changed_nor_taken_back(url):
    Server(url).send("POST", "Task", OTHERS)
    server = Ignoring(url)
    server.creates = True
    assert "somebody else" in trial(server).transactions
    assert tasks(url) == {"Bring the chart": "1"}


def test_a_trial_whose_run_was_killed_is_taken_back_by_a_later_one(url, monkeypatch):
    left = {**OTHERS, "description": "left", "identifier": [{"system": SYSTEM, "value": "1"}]}
    Server(url).send("POST", "Task", left)
    Server(url).send("POST", "Task", OTHERS)
    trial(Server(url))
    assert set(tasks(url)) == {"left", "Bring the chart"}  # it may be under way
    monkeypatch.setattr(trials, "LONG_AGO", timedelta(0))
    trial(Server(url))
    assert set(tasks(url)) == {"Bring the chart"}
