"""The resources that a note makes about an item: the visit that was kept, an attempt to reach the patient, a dose."""

from __future__ import annotations

from collections import Counter
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from waykeeper.exchange.noted_changes import Noted
from waykeeper.exchange.noted_checked import unfit
from waykeeper.fhir.names import IDENTIFIER_PATH, TAG_CODE, TAG_SYSTEM, TEST_LABEL
from waykeeper.plan.model import MEDICINES, Item, Plan

Resource = dict[str, Any]


def encounter(plan: Plan, ref: str, name: str, item: Item, noted: Noted) -> Resource:
    text = f"{item.title}, recorded as kept by {noted.by}{f': {noted.text}' if noted.text else ''}"
    return _head(plan, "Encounter", "Visit kept") | {
        "identifier": [{"system": plan.episode.clinic_url + IDENTIFIER_PATH, "value": name}],
        "status": "finished",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"},
        "type": [{"text": text}],
        "subject": {"reference": plan.patient.reference},
        "basedOn": [{"reference": ref}],
        "period": {"start": noted.on.isoformat(), "end": noted.on.isoformat()},
    }


def name_in(
    table: Counter[str], plan: Plan, item: Item, what: str, noted: Noted, ref: str
) -> tuple[str, int]:  # fmt: skip
    """The name of a call or a dose: the same when it is noted again, another for an equal row further down the table;
    and the how manieth of equal rows it is.

    A dose is of the medicine and the round that it is noted for: of another it is another.
    """
    own = plan.episode.uuid(item.key.kind, item.key.item, what, item.key.occurrence)
    said = [own, noted.by, noted.on.isoformat(), noted.text, noted.decision]
    words = "\x1f".join([*said, ref, item.hold.words] if what == "taken" and item.hold else said)
    table[words] += 1
    return str(uuid5(NAMESPACE_URL, f"{words}\x1f{table[words]}")), table[words]


def communication(plan: Plan, ref: str, what: str, noted: Noted) -> Resource:
    """An attempt to reach the patient. The route is given as the decision: telephone, letter, portal."""
    made = _head(plan, "Communication", "Attempt to reach the patient") | {
        "status": "completed" if what == "contact" else "not-done",
        "subject": {"reference": plan.patient.reference},
        "about": [{"reference": ref}],
        "sent": noted.on.isoformat(),
        "sender": {"display": noted.by},
        "medium": [{"text": noted.decision or "telephone"}],
    }
    return made | ({"payload": [{"contentString": noted.text}]} if noted.text else {})


def statement(plan: Plan, item: Item, ref: str, noted: Noted) -> Resource:
    """The last dose that the patient actually took."""
    if item.hold is None:
        raise unfit(f"taken fits {', '.join(MEDICINES)}; {item.key} is a {item.key.kind}")
    about = "basedOn" if item.key.kind == "hold" else "derivedFrom"  # a statement is based on no Task (FHIR R4)
    return _head(plan, "MedicationStatement", "Last dose taken") | {
        "status": "completed",
        about: [{"reference": ref}],
        "medicationCodeableConcept": {"text": item.hold.words},
        "subject": {"reference": plan.patient.reference},
        "effectiveDateTime": noted.on.isoformat(),
        "informationSource": {"display": noted.by},
    } | ({"note": [{"text": noted.text}]} if noted.text else {})  # fmt: skip


def _head(plan: Plan, kind: str, title: str) -> Resource:
    meta: Resource = {"tag": [{"system": TAG_SYSTEM, "code": TAG_CODE}]}
    if plan.patient.test_data:
        meta["security"] = [{"system": TEST_LABEL[0], "code": TEST_LABEL[1]}]
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><p>{title}</p></div>'
    return {"resourceType": kind, "meta": meta, "text": {"status": "generated", "div": div}}
