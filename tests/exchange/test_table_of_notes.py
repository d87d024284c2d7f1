"""A day's notes in a table: run again it writes nothing twice, broken off it says where, and no note is swallowed."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from merge.small import BLOOD, CALL, HOLD, LATEX, VISIT, compiled, new_identifier
from waykeeper.exchange import NoAnswerError, Server
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import plan_resources
from waykeeper.fhir import bundle, read
from waykeeper.findings import WaykeeperError, finding
from waykeeper.sandbox import running
from waykeeper.verbs import note_all

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
HEADER = "identifier,item,note,text,noted_on,pathway\n"


@pytest.fixture
def day(tmp_path):
    """`day(rows)` records them; `day.server`, `day.identifier` for a look at what stands."""
    with running() as url:
        server, identifier = Server(url), new_identifier()
        push(bundle(compiled(identifier)), server, now=NOW)

        def recorded(*rows, on="2026-03-01"):
            table = tmp_path / "day.csv"
            table.write_text(HEADER + "".join(f"{identifier},{row}\n" for row in rows), encoding="utf-8")
            return note_all(str(table), to=url, by="Nurse Park", on=on)

        recorded.server, recorded.identifier = server, identifier
        yield recorded


def of_kind(day, kind):
    return [r for _, r in plan_resources(day.server, day.identifier) if r["resourceType"] == kind]


def counts(day):
    return [len(of_kind(day, kind)) for kind in ("Communication", "MedicationStatement", "Encounter")]


ROWS = (
    f"{CALL},no-answer,rang,,",
    f"{CALL},no-answer,rang,,",  # she rang twice, and says so twice
    f"{CALL.item},no-answer,rang,,",  # and a third time, the item written shortly
    f"{CALL},contact,rang,,",
    f"{HOLD},taken,,,",
    f"{BLOOD},done,,,",
    f"{VISIT},done,,,",
    f"{LATEX},fact,yes,,",  # its line tells more behind what stood before
)


def test_a_table_that_is_run_again_writes_nothing_twice(day):
    assert not any(one.why for one in day(*ROWS))
    stood = plan_resources(day.server, day.identifier)
    assert counts(day) == [4, 1, 1]
    again = day(*ROWS)
    assert plan_resources(day.server, day.identifier) == stood and not any(one.why for one in again)
    assert all(one.before for one in again)
    day(*ROWS, on="2026-02-28")  # another day, other calls; what is done already is refused aloud
    assert counts(day) == [8, 2, 1]


def test_a_table_that_broke_off_says_where_and_goes_on(day, monkeypatch):
    old = Server._exchange

    def broken(self, method, *rest, stream=False):
        if method == "PUT":
            raise NoAnswerError(finding("WKX301", "no answer"))
        return old(self, method, *rest, stream=stream)

    with monkeypatch.context() as patched, pytest.raises(NoAnswerError) as lost:
        patched.setattr(Server, "_exchange", broken)
        day(*ROWS)
    (told,) = lost.value.findings
    assert told.position.line == 7 and "Run the same table again" in told.help and "name no day" not in told.help
    assert counts(day) == [4, 1, 0]
    day(*ROWS)
    assert counts(day) == [4, 1, 1]


def test_a_row_without_a_day_is_run_again_on_the_same_day(day, monkeypatch):
    def broken(self, *_, **__):
        raise NoAnswerError(finding("WKX301", "no answer"))

    with monkeypatch.context() as patched, pytest.raises(NoAnswerError) as lost:
        patched.setattr(Server, "_exchange", broken)
        day(*ROWS, on="")
    assert "name no day" in lost.value.findings[0].help


def test_a_call_that_was_entered_in_error_is_not_swallowed_when_the_table_runs_again(day):
    day(ROWS[0])
    (call,) = of_kind(day, "Communication")
    day.server.send("PUT", f"Communication/{call['id']}", {**call, "status": "entered-in-error"})
    (one,) = day(ROWS[0])
    assert one.said == "" and "was entered in error" in one.why[0].details and "words of its own" in one.why[0].help


def test_put_off_needs_its_own_day(day):
    with pytest.raises(WaykeeperError) as refused:
        day(f"{VISIT},snoozed,away,,", ROWS[0])
    assert [f.position.line for f in refused.value.findings] == [2] and "until which" in refused.value.findings[
        0
    ].details
    assert counts(day) == [0, 0, 0]
    day(f"{VISIT},snoozed,away,2026-03-20,")
    assert read(plan_resources(day.server, day.identifier))[1].items[VISIT].snoozed_until == date(2026, 3, 20)


def test_the_pathway_of_the_list_says_which_plan_is_meant(day):
    (right,) = day(f"{CALL},contact,,,small")
    (wrong,) = day(f"{CALL},contact,,,large")
    assert right.said and not wrong.said and "episode 1 and pathway large" in wrong.why[0].details
