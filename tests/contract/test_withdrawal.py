"""A surgery that was cancelled: every booking that stands for it is named, whoever made it, and none is cancelled."""

from datetime import UTC, date, datetime

import pytest

from contract.saved import saved
from contract.test_push import written
from merge.small import VISIT, instant, new_identifier
from merge.worlds import later
from waykeeper.cli.main import main
from waykeeper.exchange import Server
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import read

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
DAY = later(14)


@pytest.fixture
def booked(server):
    """A plan whose visit has a booking of another system, and our own proposal turned into a booking."""
    client, identifier = Server(server.base, sleep=lambda _: None), new_identifier()
    push(written(identifier), client, now=NOW)
    plan, state = read(plan_resources(client, identifier))
    parts = state.items[VISIT].references

    def made(day, **more):
        """An Appointment as a scheduler makes it; gives its reference."""
        resource = {
            "resourceType": "Appointment", "status": "booked", "start": instant(day), "end": instant(day, 10),
            "participant": [
                {"actor": {"reference": plan.patient.reference}, "status": "accepted"},
                {"actor": {"display": "Alder Quay West"}, "status": "accepted"},
            ],
            **more,
        }  # fmt: skip
        return client.send("POST", "Appointment", resource, headers={"Prefer": "return=representation"}).document["id"]

    linked = made(DAY, basedOn=[{"reference": parts["request"]}])
    made(date(2026, 2, 20), basedOn=[{"reference": parts["request"]}])  # over
    made(DAY, description="dentist", serviceType=[{"text": "dental check"}])  # of another service
    own = client.read(parts["appointment"])
    changed = {**own, "status": "booked", "start": instant(DAY, 14), "end": instant(DAY, 15)}
    assert client.send("PUT", parts["appointment"], changed).status == 200
    return client, identifier, f"Appointment/{linked}", parts["appointment"]


def test_each_booking_is_named_with_day_and_reference_and_stands(booked):
    client, identifier, theirs, ours = booked
    for dry_run in (True, False):
        told = withdraw(client, identifier, "surgery cancelled", by="Ann", dry_run=dry_run, now=NOW)
        assert [(b.reference, b.day, b.clock) for b in told.bookings if b.certainty == "linked"] == [
            (theirs, DAY, "09:00"), (ours, DAY, "14:00"),
        ]  # fmt: skip
    assert {client.read(ref)["status"] for ref in (theirs, ours)} == {"booked"}
    text = told.text()
    assert text.startswith(f"Robin Quill (...{identifier.value[-3:]}) | ") and "| WITHDRAWN\n" in text
    assert "why: surgery cancelled (Ann)" in text
    assert "FOR A PERSON TO CANCEL (none was cancelled): " in text
    for ref in (theirs, ours):
        line = next(line for line in text.splitlines() if ref in line)
        assert len(set(line.split(" | "))) == len(line.split(" | "))  # nothing is said twice
        assert text.count(ref) == 1 and told.json()["to_cancel"][0]["day"] == DAY.isoformat()
    assert len(text.splitlines()) < 20 < len(told.text(items=True).splitlines())


def test_a_second_run_says_that_it_was_withdrawn_before_and_names_the_bookings_again(booked, server, capsys):
    client, identifier, theirs, ours = booked
    withdraw(client, identifier, "surgery cancelled", by="Ann", now=NOW)
    who = f"{identifier.system}|{identifier.value}"
    words = ["withdraw", "--from", server.base, "--patient", who, "--reason", "said twice", "--as-of", "2026-03-02"]
    assert main([*words, "--by", "Bea"]) == 0
    out = capsys.readouterr().out
    assert "| ALREADY WITHDRAWN" in out and "why: surgery cancelled (Ann)\n" in out and "nothing to send" in out
    assert "Bea" not in out
    again = withdraw(client, identifier, "said twice", by="Bea", now=NOW).json()
    assert (again["reason"], again["by"]) == ("surgery cancelled", "Ann")
    assert theirs in out and ours in out


def test_the_worklist_of_a_withdrawn_plan_names_them_in_text_and_page(booked, server, capsys, tmp_path):
    client, identifier, theirs, ours = booked
    withdraw(client, identifier, "surgery cancelled", now=NOW)
    page = tmp_path / "list.html"
    found = saved(server.base, identifier, tmp_path)
    assert main(["gaps", "--from", found, "--as-of", "2026-03-02", "--html", str(page)]) in (0, 1)
    text, html = capsys.readouterr().out, page.read_text("utf-8")
    title = "Bookings of visits that are not needed any more"
    listed = "".join(text[text.index(title.upper()) :].split())  # as long lines are broken
    assert theirs in listed
    assert ours in listed, listed
    assert title in html and theirs in html and ours in html


def test_the_history_says_that_it_was_withdrawn_by_whom_and_why(booked, server, capsys):
    client, identifier, _, _ = booked
    withdraw(client, identifier, "surgery cancelled", by="Ann", now=NOW)
    assert main(["history", "--from", server.base, "--patient", f"{identifier.system}|{identifier.value}"]) == 0
    out = capsys.readouterr().out
    last = " ".join(out[out.rindex("version ") :].split())
    assert "THE PLAN IS WITHDRAWN by Ann: surgery cancelled" in last and " new" not in last
