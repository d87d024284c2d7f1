"""Take a whole plan back: surgery cancelled, patient transferred or died. Bookings and restarts are for people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waykeeper.fhir.extensions import encode, find
from waykeeper.fhir.names import PLAN
from waykeeper.fhir.ownership import with_offered
from waykeeper.fhir.resource import Maker
from waykeeper.fhir.status import status_class
from waykeeper.merge.held import ROOT, Holding, Place, holding
from waykeeper.merge.model import Decision, Decisions, Held, Resource, Word
from waykeeper.merge.withdrawal import withdrawn
from waykeeper.plan.model import Item, Key, Plan

RESTART = "restart-needed"


def withdraw(plan: Plan, held: Sequence[Held], reason: str) -> Decisions:
    """Withdraw open and busy items at once; what is done stays; a booked Appointment is listed, never touched.

    Each medicine that was stopped for this surgery gets a Task for the prescriber: restart it, or say why not.
    """
    found = holding(plan.episode, held)
    rows: list[Decision] = []
    notices: list[str] = []
    for place, (ref, resource) in found.own.items():
        booked = resource["resourceType"] == "Appointment" and status_class(resource) == "busy"
        if booked:
            day = str(resource.get("start") or "")[:10] or "a day not recorded"
            notices.append(f"{place[0]}: booked on {day}: a person must cancel it with the scheduler")
        if status_class(resource) not in ("open", "busy") or place[1] == RESTART:
            continue
        after = None if booked else _after(place, resource, reason)
        key, part, number = place
        word: Word = "keep" if booked else "withdraw"
        why = "booked: the scheduler's" if booked else reason
        kind = resource["resourceType"]
        rows.append(Decision(str(key), part, number, word, (), why, ref, kind, resource, after))
    for item in _stopped(found):
        row = _restart(plan, item, found)
        notices.append(f"{item.title}: was stopped for this surgery; the prescriber must say whether to restart it")
        rows += [row] if row else []
    after_by_ref = {d.reference: d.after for d in rows if d.after is not None and d.reference}
    standing = [(ref, after_by_ref.get(ref, r)) for ref, r in held]
    standing += [(f"Task/{d.after['id']}", d.after) for d in rows if d.after and not d.reference]
    return Decisions(plan, tuple(rows), (), tuple(notices), tuple(standing))


def _after(place: Place, resource: Mapping[str, Any], reason: str) -> Resource:
    made = withdrawn(resource, reason)
    if place != ROOT:
        return made
    extension = dict(find(made, PLAN) or {"url": PLAN, "extension": []})
    kept = [p for p in extension.get("extension") or [] if p.get("url") != "withdrawn"]
    said = encode(PLAN, [("withdrawn", reason)])["extension"]
    made["extension"] = [
        {**extension, "extension": [*kept, *said]} if e.get("url") == PLAN else e for e in made["extension"]
    ]
    return made


def _stopped(held: Holding) -> list[Item]:
    """Medicines whose pause began: the stop Task is done, or a last dose was recorded, and no restart."""
    items: Mapping[Key, Item] = {i.key: i for i in held.plan.items} if held.plan else {}
    found = []
    for key, state in held.state.items.items():
        if key.kind not in ("hold", "medicine") or key not in items or state.restarted_on:
            continue
        stop = held.own.get((key, "stop", state.round))
        if (stop and stop[1].get("status") == "completed") or state.last_taken is not None:
            found.append(items[key])
    return found


def _restart(plan: Plan, item: Item, held: Holding) -> Decision | None:
    """The Task that asks for the restart; none where it stands already."""
    number = max(held.highest(item.key), 1)
    if (item.key, RESTART, number) in held.own:
        return None
    maker = Maker(plan, {item.key: number})
    task = maker.task(item, RESTART, "restart")
    medicine = item.hold.words if item.hold else item.title
    task["description"] = f"Surgery does not take place: restart {medicine}, or say why not"
    task["performerType"] = maker.role("prescriber")
    task["priority"] = "urgent"
    made = with_offered(task)
    return Decision(
        str(item.key), RESTART, number, "create", (), "was stopped for this surgery", "", "Task", None, made
    )
