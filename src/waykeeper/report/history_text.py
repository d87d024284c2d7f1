"""The versions of a plan as text and JSON: when, who, why, from what to what, and how many items differ."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Protocol

from waykeeper.counting import counted
from waykeeper.merge.difference import CHANGES, Row, Turned
from waykeeper.plan.model import Plan, State
from waykeeper.report.move_text import row_sentence
from waykeeper.report.plain import wrap

QUIET = ("unchanged", "valid")


class Version(Protocol):
    """What is printed of one version; `exchange.versions.PlanVersion` is one."""

    @property
    def number(self) -> int:
        """From 1."""

    @property
    def at(self) -> datetime:
        """When the server wrote it."""

    @property
    def activity(self) -> str:
        """push, move or withdrawal."""

    @property
    def by(self) -> str:
        """The person who asked for it."""

    @property
    def reason(self) -> str:
        """Why."""

    @property
    def tool(self) -> str:
        """The program that wrote it."""

    @property
    def plan(self) -> Plan:
        """The plan as it stood then."""

    @property
    def state(self) -> State:
        """What was recorded of it then."""

    @property
    def rows(self) -> tuple[Row, ...]:
        """Item by item against the version before."""

    @property
    def turned(self) -> tuple[Turned, ...]:
        """What changed of the whole plan."""


def history_text(versions: Sequence[Version], width: int = 80, *, items: bool = False) -> str:
    """One paragraph a version, oldest first; with `items` every item that differs. Ends in a newline."""
    lines: list[str] = []
    for one in versions:
        lines += [*([""] if lines else []), *_version(one, max(width, 48), items)]
    return "\n".join(lines or ["The server remembers no change of this plan."]) + "\n"


def _version(one: Version, width: int, items: bool) -> list[str]:
    surgery = one.plan.anchor("surgery")
    who = one.by or one.tool or "unknown"
    lines = wrap(f"version {one.number} | {_when(one)} | {one.activity} by {who}", width)
    if one.reason:
        lines += wrap(f"why: {one.reason}", width, "  ")
    day = surgery.moment if surgery else None
    lines += wrap(
        f"surgery {day or 'not known'}, {counted(len(one.plan.items), 'item')}, {one.plan.pathway.canonical}",
        width,
        "  ",
    )
    for turned in one.turned:
        lines += wrap(f"{turned.name}: {turned.before} -> {turned.after}", width, "  ")
    if one.plan.withdrawn:  # item by item nothing is new: all of it was taken back
        return [*lines, *wrap(_taken_back(one), width, "  ")]
    changes = Counter(r.change for r in one.rows)
    told = ", ".join(f"{changes[c]} {c}" for c in CHANGES if changes[c])
    lines += wrap(told, width, "  ") if told else []
    for row in one.rows if items else ():
        if row.change not in QUIET:
            lines += wrap(f"{row.change}: {row_sentence(row)}", width, "    - ")
    return lines


def _taken_back(one: Version) -> str:
    word = "ON HOLD, another day is expected" if one.state.plan_status == "on-hold" else "WITHDRAWN"
    by = f" by {one.by}" if one.by and one.activity == "withdrawal" else ""
    return f"THE PLAN IS {word}{by}: {one.plan.withdrawn}"


def _when(one: Version) -> str:
    from zoneinfo import ZoneInfo

    return one.at.astimezone(ZoneInfo(one.plan.zone)).strftime("%Y-%m-%d %H:%M")


def history_json(versions: Sequence[Version]) -> dict[str, Any]:
    """The same with stable names."""
    return {"schema_version": 1, "versions": [_json(one) for one in versions]}


def _json(one: Version) -> Mapping[str, Any]:
    surgery = one.plan.anchor("surgery")
    return {
        "version": one.number,
        "at": one.at.isoformat(),
        "activity": one.activity,
        "by": one.by,
        "reason": one.reason,
        "withdrawn": one.plan.withdrawn or None,
        "tool": one.tool,
        "pathway": one.plan.pathway.canonical,
        "surgery": str(surgery.moment) if surgery and surgery.moment else None,
        "items": len(one.plan.items),
        "changed": [{"name": t.name, "before": t.before, "after": t.after} for t in one.turned],
        "rows": [
            {"item": str(r.item), "title": r.title, "change": r.change, "before": r.before, "after": r.after,
             "reason": r.reason}
            for r in one.rows if r.change != "unchanged" and not one.plan.withdrawn
        ],
    }  # fmt: skip
