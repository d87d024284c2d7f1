"""Two pathways side by side: text for a terminal, JSON, and one page for a clinical review."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from waykeeper.pathway.comparing import (
    FIELDS,
    GROUPS,
    Change,
    ComparedItem,
    ComparedRule,
    Comparison,
    State,
)
from waykeeper.pathway.confidence import confidence_of
from waykeeper.pathway.model import Pathway, PathwayItem
from waykeeper.report.page import render
from waykeeper.report.plain import wrap

STATES: tuple[State, ...] = ("different", "only in A", "only in B", "same")
_SHORT = ("at", "by", "from", "window", "at_least", "until", "target", "rules")  # what says at a glance when it is
_LONGEST = 300  # a question to the record is code: shown by its beginning


def comparison_text(made: Comparison, width: int = 80) -> str:
    """Every item once under its group: what differs field by field, then who has it alone, then what is the same."""
    lines = [
        *wrap(f"A: {described(made.a)}", width, "", "   "), *wrap(f"B: {described(made.b)}", width, "", "   "),
        f"Items: {_counted(made)}",
    ]  # fmt: skip
    for group in GROUPS:
        rows = _ordered(made, group)
        if rows:
            lines += ["", f"{group.upper()}: {len(rows)}"]
            lines += [line for row in rows for line in _item_lines(row, width)]
    differing = [rule for rule in made.rules if rule.state != "same"]
    lines += ["", f"EVENTS, FACTS, PHASES, PARTS: {len(made.rules)}, {len(made.rules) - len(differing)} the same"]
    for rule in differing:
        lines += wrap(f"{rule.state}: {rule.sort} {rule.name}", width, "  ", "      ")
        lines += _sides(Change(rule.sort, _shortened(rule.a), _shortened(rule.b)), rule.state, width)
    return "\n".join(lines) + "\n"


def comparison_json(made: Comparison) -> dict[str, Any]:
    """The comparison as plain data (schema_version 1); items in the order of the review."""
    return {
        "schema_version": "1",
        "a": _side(made.a),
        "b": _side(made.b),
        "counts": {state: made.count(state) for state in STATES},
        "items": [_record(row) for row in made.items],
        "rules": [
            {"sort": r.sort, "name": r.name, "state": r.state, "a": r.a, "b": r.b} for r in made.rules
        ],
    }  # fmt: skip


def comparison_html(made: Comparison) -> str:
    """One self-contained page that prints in black and white: A left, B right, what differs in a frame and in words."""
    return render(
        "comparison.html.j2",
        style="review.css",
        a=described(made.a),
        b=described(made.b),
        counted=_counted(made),
        groups=[(group, [_shown(row) for row in _ordered(made, group)]) for group in GROUPS],
        rules=[_shown_rule(rule) for rule in made.rules if rule.state != "same"],
        same_rules=sum(1 for rule in made.rules if rule.state == "same"),
    )


def described(pathway: Pathway) -> str:
    """Name, version, overlays and the digest by which a signature knows what was signed."""
    overlays = f", overlays {', '.join(pathway.overlays)}" if pathway.overlays else ""
    return f"{pathway.title} ({pathway.name}) {pathway.version}{overlays}, content {pathway.digest}"


def glance(item: PathwayItem) -> str:
    """When an item is, in the words of the pathway."""
    found = ((name, FIELDS[name](item)) for name in _SHORT)
    return "; ".join(text if name == "at" else f"{name.replace('_', ' ')} {text}" for name, text in found if text)


def _counted(made: Comparison) -> str:
    return ", ".join(f"{made.count(state)} {state}" for state in STATES)


def _ordered(made: Comparison, group: str) -> list[ComparedItem]:
    rows = [row for row in made.items if row.group == group]
    return sorted(rows, key=lambda row: STATES.index(row.state))


def _item_lines(row: ComparedItem, width: int) -> Iterator[str]:
    yield from wrap(f"{row.state}: {row.kind}/{row.name}, {row.title}", width, "  ", "      ")
    item = row.a or row.b
    if item is not None and row.state != "different":
        yield from wrap(glance(item), width, "      ")
    if item is not None and row.state.startswith("only"):
        yield from wrap(f"source: {FIELDS['source'](item)}; confidence {confidence_of(item)}", width, "      ")
    for change in row.changes:
        yield from wrap(f"{change.field}:", width, "    ")
        yield from _sides(change, row.state, width)


def _sides(change: Change, state: State, width: int) -> list[str]:
    sides = [("A", change.a)] * (state != "only in B") + [("B", change.b)] * (state != "only in A")
    return [
        line for side, text in sides for line in wrap(f"{side} {text or 'says nothing'}", width, "      ", "        ")
    ]


def _shortened(text: str) -> str:
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]} ... ({len(text)} characters, whole in the JSON)"


def _side(pathway: Pathway) -> dict[str, Any]:
    return {
        "name": pathway.name, "version": pathway.version, "title": pathway.title, "url": pathway.url,
        "digest": pathway.digest, "overlays": list(pathway.overlays), "items": len(pathway.items),
        "parts": [{"name": p.name, "version": p.version} for p in pathway.parts],
    }  # fmt: skip


def _record(row: ComparedItem) -> dict[str, Any]:
    return {
        "group": row.group, "kind": row.kind, "name": row.name, "title": row.title, "state": row.state,
        "changes": [{"field": c.field, "a": c.a, "b": c.b} for c in row.changes],
        "a": _item(row.a), "b": _item(row.b),
    }  # fmt: skip


def _item(item: PathwayItem | None) -> dict[str, Any] | None:
    if item is None:
        return None
    fields = {name: words(item) for name, words in FIELDS.items()}
    places = [str(place) for place in (item.origin, *item.changed_at)]
    return {**fields, "words": dict(item.words), "overlays": list(item.overlays), "said_at": places}


def _shown(row: ComparedItem) -> dict[str, Any]:
    item = row.a or row.b
    only = row.state.startswith("only") and item is not None
    return {
        "name": f"{row.kind}/{row.name}", "title": row.title, "state": row.state, "changes": row.changes,
        "a": glance(row.a) if row.a else "", "b": glance(row.b) if row.b else "",
        "source": f"{FIELDS['source'](item)}; confidence {confidence_of(item)}" if only and item else "",
    }  # fmt: skip


def _shown_rule(rule: ComparedRule) -> dict[str, str]:
    return {
        "name": f"{rule.sort} {rule.name}", "state": rule.state, "a": _shortened(rule.a), "b": _shortened(rule.b),
    }  # fmt: skip
