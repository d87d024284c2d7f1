"""A server that drops the identifiers of calls, doses and visits: a table of notes run again doubles none of them."""

import json
from datetime import UTC, datetime

import pytest

from exchange.faults import Fault, between
from merge.small import CALL, HOLD, VISIT, compiled, new_identifier
from waykeeper.exchange import Server
from waykeeper.exchange.noted_before import noted_before
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import plan_resources
from waykeeper.fhir import bundle
from waykeeper.sandbox import running
from waykeeper.verbs import note_all

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
HEADER = "identifier,item,note,text,noted_on\n"
ROWS = (
    f"{CALL},no-answer,rang,2026-02-27",
    f"{CALL},no-answer,rang,2026-02-27",  # she rang twice
    f"{CALL},contact,rang,2026-02-27",
    f"{HOLD},taken,,2026-02-28",
    f"{VISIT},done,,2026-02-28",
)
NOTED = ("Communication", "MedicationStatement", "Encounter")


def nameless(body: bytes) -> bytes:
    """The request as the server keeps it: without the identifiers of what is noted."""
    document = json.loads(body)
    held = [document, *(e.get("resource") or {} for e in document.get("entry") or ())]
    for one in held:
        if one.get("resourceType") in NOTED:
            one.pop("identifier", None)
    return json.dumps(document).encode()


@pytest.fixture
def day(tmp_path):
    with running() as url, between(url) as proxy:
        server, identifier = Server(url), new_identifier()
        push(bundle(compiled(identifier)), server, now=NOW)
        for path in ("/Communication", "/MedicationStatement", "#transaction"):
            proxy.faults.append(Fault("POST", path, times=99, request=nameless))

        def recorded(*rows):
            table = tmp_path / "day.csv"
            table.write_text(HEADER + "".join(f"{identifier},{row}\n" for row in rows), encoding="utf-8")
            return note_all(str(table), to=proxy.base, by="Nurse Park", on="2026-03-01")

        recorded.noted = lambda: [(r, x) for r, x in plan_resources(server, identifier) if x["resourceType"] in NOTED]
        recorded.put = lambda ref, resource: server.send("PUT", ref, resource)
        yield recorded


def test_a_table_that_is_run_again_writes_nothing_twice(day):
    assert not any(one.why for one in day(*ROWS))
    stood = day.noted()
    assert len(stood) == 5 and not any("identifier" in r for _, r in stood)
    again = day(*ROWS)
    assert day.noted() == stood and not any(one.why for one in again)
    assert all(one.before for one in again)
    day(*ROWS, ROWS[0])  # a third call
    assert len(day.noted()) == 6


def test_what_was_entered_in_error_is_not_written_again_without_a_word(day):
    day(ROWS[2])
    ((ref, call),) = day.noted()
    day.put(ref, {**call, "status": "entered-in-error"})
    (told,) = day(ROWS[2])
    assert "entered in error" in told.why[0].details and len(day.noted()) == 1


def test_what_kept_its_name_is_never_taken_for_another():
    named = {"resourceType": "Communication", "id": "1", "status": "completed", "sent": "2026-02-27",
             "identifier": [{"system": "https://alder-quay.example/identifier/note", "value": "x"}]}  # fmt: skip
    said = {k: v for k, v in named.items() if k not in ("id", "identifier")}
    assert noted_before([("Communication/1", named)], said, 1) is None
    lost = {k: v for k, v in named.items() if k != "identifier"}
    assert noted_before([("Communication/1", lost)], said, 1) is not None
    assert noted_before([("Communication/1", lost)], said, 2) is None
    assert noted_before([("Communication/1", lost)], {**said, "sent": "2026-02-26"}, 1) is None
