"""Planned against actual: who missed what, how it is known, and what to do this morning. See README.md.

`waykeeper.gaps(...)` is the command: help(waykeeper.verbs.gaps) says what it takes.
"""

from waykeeper.callable_package import make_callable
from waykeeper.gaps.as_json import as_json, as_object, rows_from_json
from waykeeper.gaps.changes import changes_since
from waykeeper.gaps.filters import Filters, narrow, select
from waykeeper.gaps.match import match
from waykeeper.gaps.model import (
    SCHEMA_VERSION,
    Certainty,
    Change,
    Fact,
    ItemRef,
    Match,
    Matches,
    Placement,
    Row,
    Says,
    TheatreCase,
    TheatreList,
    UndatedCase,
    Verdict,
    Worklist,
)
from waykeeper.gaps.says import facts, says
from waykeeper.gaps.sources import check, of_others
from waykeeper.gaps.verdict import verdict
from waykeeper.gaps.worklist import assemble, groups, once, order, patient, place_order, worklist

__all__ = [
    "SCHEMA_VERSION",
    "Certainty",
    "Change",
    "Fact",
    "Filters",
    "ItemRef",
    "Match",
    "Matches",
    "Placement",
    "Row",
    "Says",
    "TheatreCase",
    "TheatreList",
    "UndatedCase",
    "Verdict",
    "Worklist",
    "as_json",
    "as_object",
    "assemble",
    "changes_since",
    "check",
    "facts",
    "groups",
    "match",
    "narrow",
    "of_others",
    "once",
    "order",
    "patient",
    "place_order",
    "rows_from_json",
    "says",
    "select",
    "verdict",
    "worklist",
]

make_callable(__name__, "waykeeper.verbs", "gaps")  # waykeeper.gaps("plan.json") is the command
