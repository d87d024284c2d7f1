"""What the four severities are called and drawn as: a word and a shape each, a colour never alone."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SeverityWords:
    """`mark` are three squares, as many filled as the severity has steps; readable in black and white."""

    name: str
    mark: str
    slug: str


SEVERITY: dict[int, SeverityWords] = {
    3: SeverityWords("Act today", "■■■", "today"),
    2: SeverityWords("At risk", "■■□", "risk"),
    1: SeverityWords("A step waits", "■□□", "waits"),
    0: SeverityWords("Nothing to do", "□□□", "calm"),
}

# What became of a gap since an earlier report, in the order in which it is told.
CHANGES: dict[str, str] = {
    "new": "New since then", "back": "Back again", "worse": "Worse", "other word": "Changed",
    "more": "More is recorded", "milder": "Milder", "put off": "Put off by a person", "closed": "Closed",
    "gone": "No longer in the report",
}  # fmt: skip
