"""The worked case through files, the sandbox and the real server: the same verdicts, whichever way the facts came.

Surgery Wed 2026-03-18, as of Fri 2026-06-26, grace 7 days, booking lead 28 days before the window opens: two-week visit
attended on day 12, six-week visit a no-show and its window closed, three-month visit 8 days past its target and still
rescuable, six-month visit not to be listed. Windows and settings: the worked overdue case of the clinical check values
(clinic settings; published follow-up cadence TARVA, BMJ Open 2016;6:e012716).
"""

import json
from datetime import UTC, datetime, timedelta

import pytest

from golden.rewrite import BUNDLES
from waykeeper import verbs
from waykeeper.exchange import Server
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import plan_resources
from waykeeper.fhir import evidence, read_all
from waykeeper.gaps import worklist
from waykeeper.record import resources_of

CASE = BUNDLES / "demo-left"
AS_OF = "2026-06-26"
WANTED = {
    "visit/two-week": "attended",
    "visit/six-week": "missed",
    "visit/three-month": "overdue",
    "visit/six-month": "not-yet-due",
    "visit/twelve-month": "not-yet-due",
}


@pytest.fixture
def server(whole_server):
    """The list of a server's gaps is of everybody there: in the sandbox, of nobody else's patients."""
    return whole_server


def document(name, case=CASE):
    return json.loads((case / name).read_text("utf-8"))


def spoken(found, identifier="AQ-1001"):
    """Every row's word, dates and next action, by item."""
    rows = [r for r in found.rows if r.identifier.endswith(identifier)]
    return {r.item: (r.verdict, r.severity, str(r.window_start), str(r.target), str(r.window_end), r.by) for r in rows}


def test_the_worked_case_says_the_same_from_files_and_from_a_server(server):
    client = Server(server.base)
    client.bundle(document("record.bundle.json"))
    now = datetime.now(UTC)
    first = push(document("plan.bundle.json"), client, now=now)
    assert first.findings == ()
    client.bundle(document("bookings.bundle.json"))

    from_files = spoken(verbs.gaps(str(CASE), as_of=AS_OF).worklist)
    from_server = spoken(verbs.gaps(server.base, as_of=AS_OF).worklist)

    assert {k: from_server[k][0] for k in WANTED} == WANTED
    assert from_server == from_files


@pytest.mark.parametrize("name", ["leap-day", "clocks-back", "clocks-forward"])
def test_days_at_the_edges_of_the_calendar_give_the_same_verdicts_from_files_and_from_a_server(server, name):
    """Leap day, month ends clipped, both changes of the clocks: on every surgery-relative day that matters, each row's
    word, severity, window, target and day to act are the same whichever way the facts came."""
    case = BUNDLES / name
    client = Server(server.base)
    client.bundle(document("record.bundle.json", case))
    (plan, _), *_ = read_all(resources_of(document("plan.bundle.json", case)))
    assert push(document("plan.bundle.json", case), client, now=datetime.now(UTC)).findings == ()
    client.bundle(document("bookings.bundle.json", case))
    surgery = plan.anchor("surgery").moment.day
    mine = str(plan.patient.identifier)
    held = plan_resources(client, plan.patient.identifier)
    for offset in (-20, -1, 0, 18, 50, 110, 200, 400):
        day = surgery + timedelta(days=offset)
        from_files = spoken(verbs.gaps(str(case), as_of=day).worklist, mine)
        from_server = spoken(worklist(read_all(held), evidence(held, plan.zone), day), mine)
        assert len(from_files) == len(plan.items) + 1
        assert from_server == from_files, day


def test_a_booking_made_between_two_pushes_survives(server):
    client = Server(server.base)
    now = datetime.now(UTC)
    push(document("plan.bundle.json"), client, now=now)
    client.bundle(document("bookings.bundle.json"))
    before = dict(client.search("Appointment", [("identifier", "https://alder-quay.example/bookings|")]))
    assert before, "the clinic's bookings are on the server"

    push(document("plan.bundle.json"), client, now=now)
    again = push(document("plan.bundle.json"), client, now=now)

    after = dict(client.search("Appointment", [("identifier", "https://alder-quay.example/bookings|")]))
    assert after == before
    assert again.changes == ()
