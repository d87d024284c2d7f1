"""End a whole plan: taken back (surgery cancelled, patient transferred or died), or completed after its last day."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import date
from typing import Any

from waykeeper.fhir.extensions import encode, find
from waykeeper.fhir.identity import called
from waykeeper.fhir.names import COMPLETED, PLAN
from waykeeper.fhir.ownership import GROUPS, digest
from waykeeper.fhir.status import status_class, status_element
from waykeeper.fhir.told import IN_HAND
from waykeeper.fhir.write import LEADING
from waykeeper.merge.attendance import booked_on
from waykeeper.merge.groups import offer
from waykeeper.merge.held import ROOT, Holding, Place, holding
from waykeeper.merge.in_hand import in_hand
from waykeeper.merge.model import Decision, Decisions, Held, Resource, Word
from waykeeper.merge.stopped import RESTART, restart_asked, stopped, to_stop
from waykeeper.merge.stripped import marked, unknown
from waykeeper.merge.withdrawal import NOTE, reoffered, withdrawn
from waykeeper.plan.model import Key, Plan

LOST_MEDICINE = (
    "another system saved it without what Waykeeper wrote on it: find out whether it was stopped for this surgery; the"
    " prescriber must say whether to restart it"
)
NO_SURGERY = "Surgery does not take place"


def withdraw(
    plan: Plan, held: Sequence[Held], reason: str, *, suspended: bool = False, today: date | None = None
) -> Decisions:
    """Withdraw open and busy items at once; what is done stays; a booked Appointment is listed, never touched.

    Each medicine that was stopped for this surgery gets a Task for the prescriber: restart it, or say why not. None of
    that where the patient died: then everything stops, and nobody is asked to call.

    suspended   surgery was cancelled and another day is expected: the plan itself is on hold, not revoked
    today       the restart Tasks are due on it; a pause that began by the plan's own days is seen only with it
    """
    known, _ = marked(plan, held)
    found = holding(plan.episode, known)
    rows: list[Decision] = []
    notices: list[str] = []
    for place, (ref, resource) in found.own.items():
        if (place[1] == RESTART and not _dead(found)) or status_class(resource) not in ("open", "busy"):
            continue
        if place == ROOT and suspended and resource.get("status") == "on-hold":
            continue
        rows.append(_row(place, ref, resource, reason, suspended))
        if rows[-1].word == "keep":
            day = booked_on(resource, plan.zone) or "a day not recorded"
            notices.append(f"{place[0]}: booked on {day}: a person must cancel it with the scheduler")
    for key, number, ref, resource in in_hand(found):
        rows.append(_row((key, IN_HAND, number), ref, resource, reason, suspended))
    for ref, resource in unknown(known, found.ever):
        rows.append(_row((Key("unnamed", ref), "", 1), ref, resource, reason, suspended))
        if rows[-1].word == "keep":
            notices.append(f"{called(resource)} ({ref}): booked: a person must cancel it with the scheduler")
        elif resource["resourceType"] == "MedicationRequest" and not _dead(found):
            notices.append(f"{called(resource)} ({ref}): {LOST_MEDICINE}")
    for one in () if _dead(found) else stopped(found, today):
        name = one.words or one.item.title
        notices.append(f"{name}: was stopped for this surgery; the prescriber must say whether to restart it")
        asked = restart_asked(plan, one, found, max(found.highest(one.item.key), 1), NO_SURGERY, today)
        rows += [asked] if asked else []
    for name, last in () if _dead(found) else to_stop(found, today):
        notices.append(
            f"{name}: was to be stopped after {last}: call the patient before that; the prescriber must say whether it"
            " goes on"
        )
    standing = _standing(held, rows)
    standing += [(f"Task/{d.after['id']}", d.after) for d in rows if d.after and not d.reference]
    return Decisions(plan, tuple(rows), (), tuple(notices), tuple(standing))


def complete(plan: Plan, held: Sequence[Held], said: Mapping[str, Any], fulfilled: Collection[Key]) -> Decisions:
    """The plan completed: its CarePlans, and what was carried out and still open in form.

    What was not carried out is withdrawn with the words of the note, so that nobody works on it; a booked Appointment
    is listed, never touched.

    said        the note on the plan, which says who completed it, when, and why what is open is let go
    fulfilled   the items that were kept, printed or decided; what leads them is completed
    """
    found = holding(plan.episode, marked(plan, held)[0])
    rows: list[Decision] = []
    notices: list[str] = []
    reason = str(said["text"])
    for place, (ref, resource) in found.own.items():
        if status_class(resource) not in ("open", "busy"):
            continue
        key, part, number = place
        kind = resource["resourceType"]
        if kind == "CarePlan":
            noted = {"note": [*(resource.get("note") or []), dict(said)]} if place == ROOT else {}
            after = {**resource, "status": "completed", **noted}
        elif key in fulfilled and part == LEADING[key.kind][1]:
            after = {**resource, status_element(kind): "completed"}
        else:
            rows.append(_row(place, ref, resource, reason, suspended=False))
            if rows[-1].word == "keep":
                notices.append(f"{key}: booked: a person must cancel it with the scheduler")
            continue
        rows.append(Decision(str(key), part, number, "write", ("status",), COMPLETED, ref, kind, resource, after))
    for key, number, ref, resource in in_hand(found):
        rows.append(_row((key, IN_HAND, number), ref, resource, reason, suspended=False))
    return Decisions(plan, tuple(rows), (), tuple(notices), tuple(_standing(held, rows)))


def _standing(held: Sequence[Held], rows: Sequence[Decision]) -> list[Held]:
    """What was held, as it stands after these decisions."""
    after_by_ref = {d.reference: d.after for d in rows if d.after is not None and d.reference}
    return [(ref, after_by_ref.get(ref, r)) for ref, r in held]


def _dead(held: Holding) -> bool:
    return held.state.deceased or held.state.deceased_on is not None


def _row(place: Place, ref: str, resource: Mapping[str, Any], reason: str, suspended: bool) -> Decision:
    key, part, number = place
    kind = resource["resourceType"]
    if kind == "Appointment" and status_class(resource) == "busy":
        return Decision(str(key), part, number, "keep", (), "booked: the scheduler's", ref, kind, resource, None)
    after = _after(place, resource, reason)
    if place == ROOT and suspended:
        after = _on_hold(after)
    word: Word = "withdraw"
    return Decision(str(key), part, number, word, (), reason, ref, kind, resource, after)


def _on_hold(root: Resource) -> Resource:
    """The plan suspended: a move to another day takes it up again. The note says so, and stays as history."""
    *others, ours = root["note"]  # `withdrawn` has put ours last
    suspended = {**ours, "text": f"Suspended: {ours['text'].removeprefix(NOTE)}"}
    made = {**root, "status": "on-hold", "note": [*others, suspended]}
    told = {g: digest(made, "status") if g == "status" else str(v) for g, v in _offers(root).items()}
    return reoffered(made, told, before="")


def _offers(root: Mapping[str, Any]) -> dict[str, str]:
    return {group: offer(root, group) for group in GROUPS}


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
