"""`check`: a pathway with its parts and overlays, from files to one checked value, with every finding in one run."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import replace

from waykeeper.findings import Finding, Position, did_you_mean, finding
from waykeeper.pathway import order, references, times, wording
from waykeeper.pathway.build import draft, name_single_hold
from waykeeper.pathway.clinic import ReadWords, read_clinic
from waykeeper.pathway.inclusion import NUMBERS, Included, include, place_items
from waykeeper.pathway.model import Clinic, Overlay, Pathway, PathwayItem
from waykeeper.pathway.overlay import Overlaid, apply, read_overlay
from waykeeper.pathway.phrasing import read_phrases
from waykeeper.pathway.reader import Node, read_yaml
from waykeeper.pathway.schema import PART
from waykeeper.pathway.shelf import Parts, library_part
from waykeeper.pathway.strict import Fields
from waykeeper.pathway.tree import item_of

_MET_TWICE = {"WKP201", "WKP203"}

Sources = Sequence[tuple[str, str | bytes]]
FileCheck = Callable[[str, str | bytes], tuple[Finding, ...]]  # file name, content -> findings


def check(
    sources: Sources,
    rule_names: Collection[str] | None = None,
    policies: Collection[str] | None = None,
    clinic: Clinic | None = None,
    parts: Parts = library_part,
) -> tuple[Pathway | None, tuple[Finding, ...]]:
    """Check a pathway with the parts that it includes and the overlays in force on it.

    sources     (file name, content): the pathway first, then the overlays in their order
    rule_names  the medicine rules that exist; None leaves the names unchecked
    policies    the medicine policies that exist, `name` or `name: value`; None leaves them unchecked
    clinic      with it, roles must be the clinic's, and windows are proved on its own working calendar
    parts       gives the file of a part by its name; the library's own unless said

    Returns the pathway with its overlays applied, None where any finding is an error, and all findings in the
    order of files and lines. Never raises on any content.
    """
    (name, source), *others = sources
    root, reading = read_yaml(source, name)
    found = list(reading)
    overlays = _overlays(others, policies, found)
    if root is None or root.kind != "map":
        if root is not None:
            draft(root, found)
        return None, sort_findings(found)
    included = include(name_single_hold(root), parts, found)
    overlaid = apply(included.root, overlays, found)
    overlaid.root = place_items(overlaid.root, found)
    pathway = _with_places(_checked(overlaid, rule_names, clinic, found), included, overlaid)
    failed = any(f.severity == "error" for f in found)
    in_force = tuple(overlay.name for overlay, _ in overlays)
    made = replace(
        pathway, overlays=in_force, policies=dict(overlaid.policies), parts=tuple(included.parts),
        digest=_digest(overlaid.root, in_force, overlaid.policies),
    )  # fmt: skip
    return (None if failed else made), sort_findings(found)


def _with_places(pathway: Pathway, included: Included, overlaid: Overlaid) -> Pathway:
    """Each item with the part that gave it and the places where other files changed it."""

    def placed(item: PathwayItem) -> PathwayItem:
        changed = (*included.changed.get(item.name, ()), *overlaid.places.get(item.name, ()))
        places = tuple(dict.fromkeys(place for place in changed if place.file != item.origin.file))
        keys = {path[-1] for path in overlaid.touched if item_of(path) == item.name}
        unsourced = bool(keys & NUMBERS) and "source" not in keys
        return replace(item, part=included.given.get(item.name, ""), changed_at=places, unsourced=unsourced)

    return replace(pathway, items=tuple(placed(item) for item in pathway.items))


def _digest(root: Node, overlays: Sequence[str], policies: Mapping[str, str]) -> str:
    """A short name of the whole content, in its order: own file, parts and overlays; comments and layout left out."""
    content = [root.plain(), list(overlays), sorted(policies.items())]
    return hashlib.sha256(json.dumps(content, ensure_ascii=False).encode()).hexdigest()[:16]


def check_overlay(
    name: str, source: str | bytes, policies: Collection[str] | None = None
) -> tuple[Overlay | None, tuple[Finding, ...]]:
    """Check an overlay by itself: its keys and types. Whether it fits a pathway, `check` says."""
    overlay, _, found = read_overlay(name, source, policies)
    failed = any(f.severity == "error" for f in found)
    return (None if failed else overlay), sort_findings(found)


def check_part(name: str, source: str | bytes, parts: Parts = library_part) -> tuple[Finding, ...]:
    """Check a part by itself: keys, types, phrases, words. Whether names fit, `check` says where it is included."""
    root, reading = read_yaml(source, name)
    found = list(reading)
    if root is None:
        return sort_findings(found)
    drafted = draft(place_items(include(name_single_hold(root), parts, found).root, found), found, shape=PART)
    read_phrases(drafted, found)
    wording.check(drafted, found)
    return sort_findings(found)


def sort_findings(found: Iterable[Finding]) -> tuple[Finding, ...]:
    """Each finding once, in the order of files, lines, columns and codes.

    A wrong key or type in an overlay is met twice, in its own file and in the pathway that it makes: said once.
    """
    kept: dict[tuple[str, Position, str], Finding] = {}
    for one in found:
        kept.setdefault((one.code, one.position, "" if one.code in _MET_TWICE else one.details), one)
    return tuple(sorted(kept.values(), key=lambda f: (f.position, f.code, f.details)))


def _overlays(sources: Sources, policies: Collection[str] | None, found: list[Finding]) -> list[tuple[Overlay, Fields]]:
    read: list[tuple[Overlay, Fields]] = []
    for name, source in sources:
        overlay, fields, reading = read_overlay(name, source, policies)
        found += reading
        if overlay is None or fields is None:
            continue
        if any(overlay.name == other.name for other, _ in read):
            details = f"overlay {overlay.name!r} is in force twice"
            found.append(finding("WKP603", details, fields.at("overlay")))
        elif overlay.pathways:
            read.append((overlay, fields))
    return read


def _checked(
    overlaid: Overlaid, rule_names: Collection[str] | None, clinic: Clinic | None, found: list[Finding]
) -> Pathway:
    drafted = draft(overlaid.root, found, overlaid.changed)
    phrases = read_phrases(drafted, found)
    references.check(drafted, phrases, rule_names, found)
    references.check_roles(drafted, clinic, found)
    order.check(drafted, phrases, found)
    redo = times.check(drafted, phrases, clinic.calendar if clinic else None, found)
    wording.check(drafted, found)
    items = tuple(replace(i, redo=redo.get(i.name, i.redo)) for i in drafted.pathway.items)
    return replace(drafted.pathway, items=items)


def check_file(
    name: str,
    source: str | bytes,
    *,
    rule_names: Collection[str] | None = None,
    policies: Collection[str] | None = None,
    others: Mapping[str, FileCheck] | None = None,
    parts: Parts = library_part,
    words: ReadWords | None = None,
) -> tuple[str, tuple[Finding, ...]]:
    """Check a file of any sort that the house knows: what sort it is, and the findings.

    The sort is told by the key that only it has: `pathway`, `part`, `overlay`, `clinic`, and the keys of `others`, by
    which rooms below bring the checks of their own files (medicine rules: `group`). An unknown sort is "".
    """
    checks: dict[str, FileCheck] = {
        "pathway": lambda n, s: check([(n, s)], rule_names, policies, None, parts)[1],
        "part": lambda n, s: check_part(n, s, parts),
        "overlay": lambda n, s: check_overlay(n, s, policies)[1],
        "clinic": lambda n, s: read_clinic(n, s, policies, words=words)[1],
        **(others or {}),
    }
    root, found = read_yaml(source, name)
    if root is None:
        return "", sort_findings(found)
    sort = next((key.text for key, _ in root.entries if key.text in checks), "")
    if sort:
        return sort, checks[sort](name, source)
    details = f"the file has none of the keys {', '.join(sorted(checks))}, so it is not known what it is"
    given = [key.text for key, _ in root.entries]
    near = (did_you_mean(key, checks) for key in given)
    hint = next((text for text in near if text.startswith("Did you mean")), "")
    return "", sort_findings([*found, finding("WKP204", details, root.position, hint)])
