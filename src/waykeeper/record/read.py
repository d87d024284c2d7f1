"""Resources -> Record. Our own resources are left out of medicines, bookings and clinical facts."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from waykeeper.findings import Position, WaykeeperError, finding
from waykeeper.record.administrations import with_last_given
from waykeeper.record.handed_over import HandedOver, handed_over, loose_dose
from waykeeper.record.local_times import in_zone
from waykeeper.record.measured import kidney
from waykeeper.record.medications import Medications, absolute, name_of
from waykeeper.record.medicines import medicine_entry
from waykeeper.record.model import MedicineEntry, Record
from waykeeper.record.notices import notices
from waykeeper.record.pause_asked import with_pauses
from waykeeper.record.reasons import Reasons
from waykeeper.record.statements import with_orders
from waykeeper.record.strangers import of_others

Resource = Mapping[str, Any]

MEDICINE_TYPES = ("MedicationRequest", "MedicationStatement")


def resources_of(document: Any) -> list[tuple[str, dict[str, Any]]]:
    """The resources of a Bundle, a list or a single resource, each with the reference that names it.

    Those of a Bundle in a Bundle, such as the answer to a batch of searches, are among them. The reference is the
    entry's fullUrl if it is a urn or the address of a Medication, else `Type/id`, else "". Two servers have a
    Medication/1 each: an order names its own by the server that the order is of.
    """
    if isinstance(document, list):
        return [pair for part in document for pair in resources_of(part)]
    if not isinstance(document, dict) or not document.get("resourceType"):
        return []
    if document["resourceType"] != "Bundle":
        return [(_name(document, ""), document)]
    pairs = []
    for entry in document.get("entry") or []:
        resource = entry.get("resource")
        if isinstance(resource, dict) and resource.get("resourceType") == "Bundle":
            pairs += resources_of(resource)
        elif isinstance(resource, dict):
            address = str(entry.get("fullUrl") or "")
            pairs.append((name_of(address, resource) or _name(resource, address), absolute(resource, address)))
    return pairs


def _name(resource: Resource, full_url: str) -> str:
    if full_url.startswith("urn:"):
        return full_url
    return f"{resource['resourceType']}/{resource['id']}" if resource.get("id") else ""


def read(
    resources: Sequence[tuple[str, Resource]],
    ours: Callable[[Resource], bool] = lambda _: False,
    place: str = "",
    *,
    zone: str = "",
    surgery: date | None = None,
    today: date | None = None,
) -> Record:
    """Read a patient's record from (reference, resource) pairs.

    ours     tells Waykeeper's own resources; they are no facts, medicines or bookings
    zone     the clinic's: every instant is read as its day and hour there; without it, as it is written
    surgery  its day, which tells a planned end from a last dose, and what was dispensed long ago
    today    the clinic's day, where one is known: what ends after it is planned

    Raises WaykeeperError (WKR101) where there is not exactly one Patient: a plan for the wrong person is worse than
    none, and so is one by another person's record (WKR103).
    """
    patients = [r for _, r in resources if r.get("resourceType") == "Patient"]
    if len(patients) != 1:
        raise WaykeeperError(
            finding("WKR101", f"the record holds {len(patients)} Patient resources, one is needed", Position(place))
        )
    theirs = [(ref, r) for ref, r in resources if not ours(r)]
    if others := of_others(theirs):
        shown = ", ".join(others[:5]) + (f" and {len(others) - 5} more" if len(others) > 5 else "")
        raise WaykeeperError(finding("WKR103", f"of another patient: {shown}", Position(place)))
    local = [in_zone(r, zone) for _, r in theirs] if zone else [r for _, r in theirs]
    medicines, more = _medicines(theirs, local, surgery, today)
    noticed = notices(patients[0], local, more, place)
    return Record(patients[0], tuple(local), medicines, kidney(patients[0], local), noticed)


def identifiers(patient: Resource) -> list[tuple[str, str]]:
    """The patient's business identifiers as (system, value), in the order of the record."""
    found = []
    for entry in patient.get("identifier") or []:
        if entry.get("system") and entry.get("value") and entry.get("use") != "old":
            found.append((str(entry["system"]), str(entry["value"])))
    return found


def _medicines(
    written: Sequence[tuple[str, Resource]], local: Sequence[Resource], surgery: date | None, today: date | None
) -> tuple[tuple[MedicineEntry, ...], HandedOver]:
    """One entry for each medicine row; equal keys get an ordinal, so that sixty rows in are sixty out.

    Beside the orders and statements there is one for each medicine that was dispensed or given without them. Keys are
    made of the resources as they were written, so that a zone changes none.
    """
    as_written = {id(now): before for (_, before), now in zip(written, local, strict=True)}
    pairs = [(reference, now) for (reference, _), now in zip(written, local, strict=True)]
    medications, reasons = Medications(pairs), Reasons(pairs)
    ordered = [(reference, r) for reference, r in pairs if r.get("resourceType") in MEDICINE_TYPES]
    more = handed_over(pairs, ordered, medications, surgery)
    rows = [*((pair, pair) for pair in ordered), *more.rows]
    keys = _keys([(name, as_written[id(named)]) for _, (name, named) in rows])
    entries: list[MedicineEntry] = []
    for unique, ((reference, resource), _) in zip(keys, rows, strict=True):
        entry = medicine_entry(unique, reference, resource, medications, surgery, today)
        why = (*entry.indication, *reasons.of(resource, reference))
        entries.append(replace(entry, indication=why, loose_dose=loose_dose(resource, more.loose, medications)))
    return with_pauses(with_last_given(with_orders(entries), local), local, surgery), more


def listed(resources: Sequence[tuple[str, Resource]], medications: Medications) -> list[MedicineEntry]:
    """The orders and statements among these, with the keys of `read`; dates and what was handed over are not read."""
    rows = [(reference, r) for reference, r in resources if r.get("resourceType") in MEDICINE_TYPES]
    return [medicine_entry(key, name, r, medications) for key, (name, r) in zip(_keys(rows), rows, strict=True)]


def _keys(rows: Sequence[tuple[str, Resource]]) -> list[str]:
    """The key of each medicine row, by which a plan knows it again; equal ones get an ordinal.

    An identifier that several rows carry is the key of none: with the rows in another order, an answer about one would
    be read as one about the other.
    """
    numbers = Counter(number for _, resource in rows if (number := _number(resource)))
    keys: list[str] = []
    seen: dict[str, int] = {}
    for reference, resource in rows:
        number = _number(resource)
        key = number if numbers[number] == 1 else _medicine_key(reference, resource)
        seen[key] = seen.get(key, 0) + 1
        keys.append(key if seen[key] == 1 else f"{key}#{seen[key]}")
    return keys


def _number(resource: Resource) -> str:
    """The first business identifier of an order, "" where it has none."""
    found = (e for e in resource.get("identifier") or [] if e.get("system") and e.get("value"))
    return next((f"{e['system']}|{e['value']}" for e in found), "")


def _medicine_key(reference: str, resource: Resource) -> str:
    if reference and not reference.startswith("urn:"):
        return reference
    said = {k: v for k, v in resource.items() if k not in ("id", "meta", "text")}
    row = json.dumps(said, sort_keys=True, default=str)
    return "row-" + hashlib.sha256(row.encode()).hexdigest()[:16]
