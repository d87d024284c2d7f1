"""A resource that another system saved without our tag is found by its identifier."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from merge.small import BLOOD, compiled, new_identifier
from merge.worlds import later
from waykeeper.exchange import Server
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import bundle, identity
from waykeeper.sandbox import running

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)


class Forgetful(Server):
    """A server on which some resources have lost their tag: a search by it does not find them."""

    untagged: frozenset[str] = frozenset()
    batches = 0

    def searches(self, wanted, *, told=False):
        self.batches += 1
        found = super().searches(wanted, told=told)
        by_tag = any(name == "_tag" for _, params in wanted for name, _ in params)
        return [pair for pair in found if not (by_tag and pair[0] in self.untagged)]


@pytest.fixture
def one():
    with running() as url:
        server, identifier = Forgetful(url, sleep=lambda _: None), new_identifier()
        push(bundle(compiled(identifier)), server, now=NOW)
        yield server, identifier


def forget(server, identifier, *keys):
    held = [(ref, identity(r)) for ref, r in plan_resources(server, identifier)]
    server.untagged = frozenset(ref for ref, known in held if known and known.key in keys)
    assert server.untagged
    return server.untagged


def test_one_batch_reads_a_plan_where_nothing_is_missing(one):
    server, identifier = one
    server.batches = 0
    plan_resources(server, identifier)
    assert server.batches == 1


def test_it_is_neither_asked_about_nor_created_again(one):
    server, identifier = one
    forget(server, identifier, BLOOD)
    again = push(bundle(compiled(identifier)), server, now=NOW)
    assert again.changes == () and again.conflicts == () and again.findings == ()


def test_every_patient_of_a_caseload_keeps_it(one):
    server, identifier = one
    (ref,) = forget(server, identifier, BLOOD)
    other = new_identifier()
    push(bundle(compiled(other, later(7))), server, now=NOW)
    assert [r for r, _ in plan_resources(server, None)].count(ref) == 1
    references = [r for r, _ in plan_resources(server, None)]
    assert len(references) == len(set(references))


def test_a_withdrawal_reaches_it(one):
    server, identifier = one
    (ref,) = forget(server, identifier, BLOOD)
    assert withdraw(server, identifier, "surgery cancelled", now=NOW).findings == ()
    assert server.read(ref)["status"] == "cancelled"
