"""What a code means, and why an item of a plan is what it is."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from waykeeper.fhir import read_all
from waykeeper.findings import Entry, Position, WaykeeperError, catalogue, did_you_mean, finding
from waykeeper.plan.model import Item, Plan
from waykeeper.verbs import inputs
from waykeeper.verbs.words import PathText, as_text

if TYPE_CHECKING:
    pass


def explain(what: str, *, bundle: PathText = "") -> Entry | tuple[Plan, Item]:
    """What a code means, or why an item of a bundle is what it is: phrase, anchor, arithmetic, overlay, source."""
    if not bundle:
        if what.upper() in catalogue():
            return catalogue()[what.upper()]
        help_text = did_you_mean(what.upper(), catalogue()) + " For an item add --in BUNDLE."
        raise WaykeeperError(finding("WKC202", f"no code {what!r}", help=help_text))
    bundle = as_text(bundle)
    with inputs.blamed(bundle):
        plan, _ = inputs.single(read_all(inputs.held_of([bundle])), bundle, "Give the Bundle that compile wrote.")
    found = [i for i in plan.items if what in (str(i.key), i.key.item)]
    if not found:
        names = [str(i.key) for i in plan.items]
        details = f"no item {what!r} in this plan"
        raise WaykeeperError(finding("WKC202", details, Position(bundle), did_you_mean(what, names)))
    located = _located(plan, found[0])
    return replace(plan, items=tuple(located if i.key == located.key else i for i in plan.items)), located


def _located(plan: Plan, item: Item) -> Item:
    """The item with its place in the library's pathway, where the library holds that very version."""
    from waykeeper.pathway.library import load, names, read

    for name in names() if item.origin == Position() else ():
        if plan.pathway.url.encode() not in read(name)[1]:  # a check takes a second: only of the one that is meant
            continue
        pathway, _ = load(name)
        if pathway and f"{pathway.url}|{pathway.version}" == plan.pathway.canonical:
            found = [r for r in pathway.items if (r.kind, r.name) == (item.key.kind, item.key.item)]
            return replace(item, origin=found[0].origin, changed_at=found[0].changed_at) if found else item
    return item
