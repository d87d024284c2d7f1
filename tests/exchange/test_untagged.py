"""A resource that another system saved without our tag is found by its identifier."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from merge.small import BLOOD, compiled, new_identifier
from merge.worlds import later
from waykeeper.exchange import BadAnswerError, Server
from waykeeper.exchange.errors import refusal
from waykeeper.exchange.pushing import push
from waykeeper.exchange.reading import plan_resources
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import bundle, identity, read_all
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.sandbox import running

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)


class Forgetful(Server):
    """A server on which some resources have lost their tag: a search by it does not find them."""

    untagged: frozenset[str] = frozenset()
    batches = 0

    def searches(self, wanted, **options):
        self.batches += 1
        found = super().searches(wanted, **options)
        by_tag = {kind for kind, params in wanted if "_tag" in dict(params)}
        return [pair for pair in found if not (pair[0].partition("/")[0] in by_tag and pair[0] in self.untagged)]


class Tagless(Server):
    """A server that knows no tags: refused where it is asked strictly, as the searches of a push are."""

    def searches(self, wanted, **options):
        if any("_tag" in dict(params) for _, params in wanted):
            raise refusal(400, "search", {"resourceType": "OperationOutcome"})
        return super().searches(wanted, **options)


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


def test_the_plan_itself_is_found_without_its_tag(one):
    server, identifier = one
    forget(server, identifier, PLAN_KEY)
    assert len(read_all(plan_resources(server, identifier))) == 1
    assert len(read_all(plan_resources(server, None))) == 1  # by the tags of its phases
    again = push(bundle(compiled(identifier)), server, now=NOW)
    assert again.changes == () and again.conflicts == ()


def test_a_server_on_which_nothing_has_a_tag(one):
    server, identifier = one
    server.untagged = frozenset(ref for ref, _ in plan_resources(server, identifier))
    (plan, state), *more = read_all(plan_resources(server, None))
    assert not more and state.conflicts == ()
    assert plan.items == read_all(plan_resources(server, identifier))[0][0].items
    again = push(bundle(compiled(identifier)), server, now=NOW)
    assert again.changes == () and again.conflicts == ()


def test_a_search_that_is_refused_for_another_reason_refuses_the_push_before_anything_is_sent(one):
    class Flagless(Tagless):
        def searches(self, wanted, **options):
            if any(kind == "Flag" for kind, _ in wanted):
                raise refusal(400, "search of Flag", {"resourceType": "OperationOutcome"})
            return super().searches(wanted, **options)

    first, _ = one
    other = new_identifier()
    with pytest.raises(BadAnswerError):
        push(bundle(compiled(other)), Flagless(first.base, sleep=lambda _: None), now=NOW)
    assert plan_resources(first, other) == []


def test_a_server_that_searches_by_no_tags(one):
    first, identifier = one
    server = Tagless(first.base, sleep=lambda _: None)
    before, _ = read_all(plan_resources(first, identifier))[0]
    for who in (identifier, None):
        (plan, state), *more = read_all(plan_resources(server, who))
        assert not more and state.conflicts == () and plan.items == before.items
    again = push(bundle(compiled(identifier)), server, now=NOW)
    assert again.changes == () and again.conflicts == ()
    other = new_identifier()
    assert push(bundle(compiled(other, later(7))), server, now=NOW).findings == ()
    assert len(read_all(plan_resources(server, None))) == 2
