"""What waits for what: cycles among items, and gates that could never open."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from graphlib import CycleError, TopologicalSorter

from waykeeper.findings import Finding, finding
from waykeeper.pathway.build import HOLDS, Draft, Drafted
from waykeeper.pathway.phrasing import Phrases
from waykeeper.pathway.references import texts
from waykeeper.timing import events

Graph = Mapping[str, frozenset[str]]

_OF_ITEMS = {"visit", "release", "completion"}  # events that an item of the pathway makes
_NEVER_DONE = {"instruction": "is printed, never recorded as done", "goal": "is an aim, it may never be reached"}


def check(draft: Draft, phrases: Phrases, found: list[Finding]) -> None:
    """Cycles first; a cycle through a gate is reported as the gate that can never open."""
    items = {d.item.name: d for d in draft.items}
    for cycle in cycles(waits_for(draft, phrases)):
        _report(cycle, items, found)
    for cycle in cycles(_anchor_graph(draft, phrases)):
        first = next(a for a, _ in draft.anchors if a.name in cycle)
        found.append(finding("WKP404", f"anchors in a circle: {_ring(cycle)}", first.origin))
    for one in draft.items:
        _never_done(one, items, found)


def waits_for(draft: Draft, phrases: Phrases) -> Graph:
    """For each item the items that it waits for: by needs, before, and the events of its phrases."""
    holds = {d.item.name for d in draft.items if d.item.kind == "hold"}
    graph: dict[str, set[str]] = {d.item.name: set() for d in draft.items}
    for one in draft.items:
        for name in one.item.needs:
            graph[one.item.name] |= holds if name == HOLDS else {name}
        if one.item.before in graph:
            graph[one.item.before].add(one.item.name)
    for phrased in phrases.all:
        if phrased.owner in graph and phrased.kind not in {"phase", "anchor"}:
            graph[phrased.owner] |= {e.name for e in events(phrased.phrase) if e.kind in _OF_ITEMS}
    return {name: frozenset(wanted & graph.keys()) for name, wanted in graph.items()}


def _anchor_graph(draft: Draft, phrases: Phrases) -> Graph:
    graph: dict[str, frozenset[str]] = {a.name: frozenset() for a, _ in draft.anchors}
    for anchor in tuple(graph):
        assumed = phrases.one("anchor", anchor, "assume")
        if assumed is not None:
            graph[anchor] = frozenset(e.name for e in events(assumed.phrase) if e.kind == "anchor") & graph.keys()
    return graph


def cycles(graph: Graph) -> list[tuple[str, ...]]:
    """One shortest circle for each knot of names that wait for each other, in the order of the graph."""
    free = set(settled(graph))
    reach = {name: _reachable(graph, name) for name in graph if name not in free}
    done: set[str] = set()
    found = []
    for name, reached in reach.items():
        if name in reached and name not in done:
            done |= {other for other in reached if name in reach.get(other, ())}
            found.append(_circle(graph, name))
    return found


def settled(graph: Graph) -> list[str]:
    """The names that wait, directly or not, for no circle: each after all that it waits for."""
    sorter = TopologicalSorter(graph)
    with suppress(CycleError):  # what lies outside the circles can still be had
        sorter.prepare()
    found: list[str] = []
    while ready := sorter.get_ready():
        found += ready
        sorter.done(*ready)
    return found


def _reachable(graph: Graph, start: str) -> frozenset[str]:
    seen: set[str] = set()
    waiting = list(graph[start])
    while waiting:
        name = waiting.pop()
        if name not in seen:
            seen.add(name)
            waiting += graph[name]
    return frozenset(seen)


def _circle(graph: Graph, start: str) -> tuple[str, ...]:
    """A shortest way from `start` back to itself."""
    ways: list[tuple[str, ...]] = [(start,)]
    seen: set[str] = set()
    for way in ways:
        for name in sorted(graph[way[-1]]):
            if name == start:
                return way
            if name not in seen:
                seen.add(name)
                ways.append((*way, name))
    return (start,)


def _report(cycle: tuple[str, ...], items: Mapping[str, Drafted], found: list[Finding]) -> None:
    gate = next((items[name] for name in cycle if items[name].item.kind == "gate"), None)
    if gate is None:
        details = f"items wait for each other in a circle: {_ring(cycle)}"
        found.append(finding("WKP404", details, items[cycle[0]].key.position))
    elif len(cycle) == 1:
        details = f"gate {gate.item.name!r} waits for itself"
        found.append(finding("WKP405", details, gate.fields.at("needs")))
    else:
        turned = cycle[cycle.index(gate.item.name) :] + cycle[: cycle.index(gate.item.name)]
        details = f"gate {gate.item.name!r} can never open, what it needs waits for its release: {_ring(turned)}"
        found.append(finding("WKP405", details, gate.fields.at("needs")))


def _ring(names: Iterable[str]) -> str:
    shown = list(names)
    return " -> ".join([*shown, shown[0]])


def _never_done(one: Drafted, items: Mapping[str, Drafted], found: list[Finding]) -> None:
    for node in texts(one, "needs"):
        needed = items.get(node.text)
        if needed is not None and needed.item.kind in _NEVER_DONE:
            code = "WKP405" if one.item.kind == "gate" else "WKP412"
            wanted = f"the {needed.item.kind} {node.text!r}, which {_NEVER_DONE[needed.item.kind]}"
            details = f"{one.item.kind} {one.item.name!r} needs {wanted}"
            found.append(finding(code, details, node.position))
