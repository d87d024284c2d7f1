"""Which bookings and attendances a sheet or calendar may show: what the gap report rests its words on, no guess."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from waykeeper.gaps.model import Row
from waykeeper.plan.model import Evidence, Key, Plan

_SHOWN = frozenset({"linked", "recognised"})


def bookings_of(plan: Plan, rows: Iterable[Row], evidence: Iterable[Evidence]) -> dict[Key, Evidence]:
    """Evidence by visit for `sheet_html` and `calendar_ics`, out of one worklist's rows (of any number of patients).

    A live booking keeps its day and time; a booking whose outcome nobody recorded too (its day is over, so the
    sheet asks). An attendance is marked `fulfilled` also where only an Encounter proves it. Guesses are left out.
    """
    known = {e.reference: e for e in evidence}
    keys: Mapping[str, Key] = {str(i.key): i.key for i in plan.items if i.key.kind == "visit"}
    mine = (str(plan.patient.identifier), plan.episode.number, plan.pathway.name)
    found: dict[Key, Evidence] = {}
    for row in rows:
        if (row.identifier, row.episode, row.pathway) != mine or row.item not in keys or row.certainty not in _SHOWN:
            continue
        source = next((known[r] for r in row.evidence if r in known), None)
        if source is None:
            continue
        if row.attended or row.verdict.startswith("attended"):
            found[keys[row.item]] = replace(source, status="fulfilled")
        elif row.booked or row.verdict == "unconfirmed":
            found[keys[row.item]] = source
    return found
