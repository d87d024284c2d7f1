"""A withdrawn plan and, beside it, the new one of the same operation: whoever names the old one hears of the other.

`--episode` is 1 where nobody gives it, and the plan in force is the second.
"""

from datetime import UTC, date, datetime

import pytest

from merge.small import HOLD, compiled
from waykeeper.exchange.noting import note
from waykeeper.exchange.pushing import push
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import bundle
from waykeeper.findings import WaykeeperError
from waykeeper.verbs import calendar, sheet

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
TODAY, NEW_DAY = date(2026, 3, 10), date(2026, 4, 1)
SECOND = "Add --episode 2: that plan is in force."


@pytest.fixture
def two(one):
    server, identifier = one
    note(server, identifier, str(HOLD), "answered", by="Dr. Ines Tarrant", on=date(2026, 3, 1), days=3)
    withdraw(server, identifier, "infection", now=NOW, today=TODAY)
    push(bundle(compiled(identifier, NEW_DAY, episode=2)), server, now=NOW)
    return one


def test_an_answer_for_the_new_plan_is_not_sent_to_the_old_one_as_a_correction(two):
    with pytest.raises(WaykeeperError) as refused:
        note(*two, str(HOLD), "answered", by="Dr. Ines Tarrant", on=TODAY, days=2)
    (said,) = refused.value.findings
    assert said.help.startswith(SECOND)
    assert "answered" in note(*two, str(HOLD), "answered", by="Dr. Ines Tarrant", on=TODAY, days=2, episode=2)


def test_withdrawn_already_says_which_plan_is_still_in_force(two):
    """Of a patient who died it said `ALREADY WITHDRAWN` and nothing else, and the calls went on."""
    told = withdraw(*two, "died", now=NOW, today=TODAY)
    (line,) = [x for x in told.text().splitlines() if x.startswith("STILL IN FORCE")]
    assert "episode 2, surgery Wed 2026-04-01" in line and "--episode 2" in line
    (still,) = told.json()["still_in_force"]
    assert (still["episode"], still["surgery"]) == (2, "2026-04-01")
    assert "STILL IN FORCE" not in withdraw(*two, "died", now=NOW, today=TODAY, episode=2).text()


@pytest.mark.parametrize("made", [sheet, calendar])
def test_nothing_is_printed_of_the_old_one_and_the_new_one_is_named(two, made):
    server, identifier = two
    given = {"from_": server.base, "patient": str(identifier), "as_of": "2026-03-10"}
    with pytest.raises(WaykeeperError) as refused:
        made(**given)
    (said,) = refused.value.findings
    assert (said.code, said.help) == ("WKO002", SECOND)
    assert made(**given, episode=2)
