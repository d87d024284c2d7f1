"""Entries of a plan's CarePlans of which the server has nothing any more: they kept the plan from every change."""

from merge.worlds import Memory
from waykeeper.exchange import Server
from waykeeper.exchange.dropped import without_dead_entries
from waykeeper.fhir import episode_of
from waykeeper.fhir.gone import entries


class Asked:
    """A server that is asked what it has."""

    base = "https://here.example/fhir"
    elsewhere = Server.elsewhere

    def __init__(self, gone):
        self.nothing, self.asked = set(gone), []

    def gone(self, references):
        self.asked += references
        return [ref for ref in references if ref in self.nothing]


def plan_without_a_task():
    """A plan on a server that gives its own ids, one Task of which is not there any more, and its reference."""
    world = Memory()
    world.push()
    held = world.resources()
    lost = next(ref for ref, r in held if ref.startswith("Task/"))
    root = next(r for _, r in held if episode_of(r))
    named = "Task/901"  # by the id of the server

    theirs = {"reference": {"reference": "Task/of-somebody-else"}}

    def activity(resource):
        references = [ref for entry in resource["activity"] for ref in entries({"activity": [entry]})]
        return [{"reference": {"reference": named if ref == lost else ref}} for ref in references]

    def renamed(resource):
        return {**resource, "activity": [*activity(resource), theirs]} if resource is root else resource

    return [(ref, renamed(r)) for ref, r in held if ref != lost], named, episode_of(root)


def test_an_entry_of_which_the_server_has_nothing_is_left_out():
    held, named, episode = plan_without_a_task()
    server = Asked([named])
    root = next(r for _, r in without_dead_entries(server, held, episode) if episode_of(r))
    assert named not in entries(root) and "Task/of-somebody-else" in entries(root)
    assert len(entries(root)) > 2 and set(server.asked) >= {named, "Task/of-somebody-else"}


def test_what_is_on_another_server_is_not_asked_for_and_stays():
    held, named, episode = plan_without_a_task()
    there = {"reference": "https://elsewhere.example/fhir/DocumentReference/5"}
    held = [(ref, {**r, "supportingInfo": [there]} if named in entries(r) else r) for ref, r in held]
    server = Asked([named, "DocumentReference/5"])
    root = next(r for _, r in without_dead_entries(server, held, episode) if episode_of(r))
    assert root["supportingInfo"] == [there] and "DocumentReference/5" not in server.asked
    assert named not in entries(root)


def test_what_may_not_be_read_keeps_its_entry():
    held, _, episode = plan_without_a_task()
    assert without_dead_entries(Asked([]), held, episode) == held


def test_nothing_is_asked_while_all_that_was_offered_is_there():
    world = Memory()
    world.push()
    held = world.resources()
    episode = next(e for _, r in held if (e := episode_of(r)))
    server = Asked([])
    assert without_dead_entries(server, held, episode) == held and not server.asked
