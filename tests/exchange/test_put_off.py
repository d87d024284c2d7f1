"""A surgery that is put off is called so, by the command as by the worklist: the plan is on hold and not over."""

from __future__ import annotations

from datetime import UTC, datetime

from waykeeper.exchange.withdrawing import withdraw

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
PUT_OFF = "PUT OFF, another day is expected"


def said(one, *, suspended=True, dry_run=False):
    told = withdraw(*one, "theatre flooded", by="Ann", suspended=suspended, dry_run=dry_run, now=NOW)
    return told.text().splitlines()[0].split(" | ")[2], told.json()["status"], told.text()


def test_put_off_is_not_called_withdrawn(one):
    for dry_run, head, status in ((True, f"WOULD BE {PUT_OFF}", "would be put off"), (False, PUT_OFF, "put off")):
        *found, text = said(one, dry_run=dry_run)
        assert found == [head, status]
        assert "WITHDRAWN" not in text and "next: move the plan to the new day" in text
    *found, text = said(one)
    assert found == [f"ALREADY {PUT_OFF}", "already put off"]
    assert "next: move the plan" in text and "why: theatre flooded (Ann)" in text


def test_what_is_put_off_may_be_withdrawn_for_good_and_then_stays_so(one):
    said(one)
    *found, text = said(one, suspended=False)
    assert found == ["WITHDRAWN", "withdrawn"] and "move the plan" not in text
    *found, text = said(one, suspended=True)
    assert found == ["ALREADY WITHDRAWN", "already withdrawn"], "nothing was put off by saying it"
    assert "move the plan" not in text
