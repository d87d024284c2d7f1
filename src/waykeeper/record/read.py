"""Resources -> Record. Our own resources are left out of medicines, bookings and clinical facts."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Any

from waykeeper.findings import Position, WaykeeperError, finding
from waykeeper.record.administrations import with_last_given
from waykeeper.record.medicines import medicine_entry
from waykeeper.record.model import Kidney, MedicineEntry, Record

Resource = Mapping[str, Any]

MEDICINE_TYPES = ("MedicationRequest", "MedicationStatement")
LOINC = "http://loinc.org"
CREATININE, WEIGHT, HEIGHT = {"2160-0"}, {"29463-7", "3141-9"}, {"8302-2"}
EGFR = {"98979-8", "77147-7", "62238-1", "48642-3"}
USABLE_OBSERVATION = {"final", "amended", "corrected"}


def resources_of(document: Any) -> list[tuple[str, dict[str, Any]]]:
    """The resources of a Bundle, a list or a single resource, each with the reference that names it.

    The reference is the entry's fullUrl if it is a urn, else `Type/id`, else "".
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
        if isinstance(resource, dict):
            pairs.append((_name(resource, str(entry.get("fullUrl") or "")), resource))
    return pairs


def _name(resource: Resource, full_url: str) -> str:
    if full_url.startswith("urn:"):
        return full_url
    return f"{resource['resourceType']}/{resource['id']}" if resource.get("id") else ""


def read(
    resources: Sequence[tuple[str, Resource]], ours: Callable[[Resource], bool] = lambda _: False, place: str = ""
) -> Record:
    """Read a patient's record from (reference, resource) pairs.

    `ours` tells Waykeeper's own resources; they are no facts, medicines or bookings. Raises WaykeeperError (WKR101)
    where there is not exactly one Patient: a plan for the wrong person is worse than none.
    """
    patients = [r for _, r in resources if r.get("resourceType") == "Patient"]
    if len(patients) != 1:
        raise WaykeeperError(
            finding("WKR101", f"the record holds {len(patients)} Patient resources, one is needed", Position(place))
        )
    theirs = [(ref, r) for ref, r in resources if not ours(r)]
    by_ref = {ref: r for ref, r in theirs if ref}
    medicines = with_last_given(_medicines(theirs, by_ref), (r for _, r in theirs))
    return Record(patients[0], tuple(r for _, r in theirs), medicines, _kidney(patients[0], [r for _, r in theirs]))


def identifiers(patient: Resource) -> list[tuple[str, str]]:
    """The patient's business identifiers as (system, value), in the order of the record."""
    found = []
    for entry in patient.get("identifier") or []:
        if entry.get("system") and entry.get("value") and entry.get("use") != "old":
            found.append((str(entry["system"]), str(entry["value"])))
    return found


def _medicines(pairs: Iterable[tuple[str, Resource]], by_ref: Mapping[str, Resource]) -> tuple[MedicineEntry, ...]:
    """One entry for each medicine row; equal keys get an ordinal, so that sixty rows in are sixty out."""
    entries: list[MedicineEntry] = []
    seen: dict[str, int] = {}
    for reference, resource in pairs:
        if resource.get("resourceType") not in MEDICINE_TYPES:
            continue
        key = _medicine_key(reference, resource)
        seen[key] = seen.get(key, 0) + 1
        unique = key if seen[key] == 1 else f"{key}#{seen[key]}"
        entries.append(medicine_entry(unique, reference, resource, by_ref))
    return tuple(entries)


def _medicine_key(reference: str, resource: Resource) -> str:
    for entry in resource.get("identifier") or []:
        if entry.get("system") and entry.get("value"):
            return f"{entry['system']}|{entry['value']}"
    if reference and not reference.startswith("urn:"):
        return reference
    said = {k: v for k, v in resource.items() if k not in ("id", "meta", "text")}
    row = json.dumps(said, sort_keys=True, default=str)
    return "row-" + hashlib.sha256(row.encode()).hexdigest()[:16]


def _kidney(patient: Resource, resources: Sequence[Resource]) -> Kidney:
    creatinine, weight, height = (_latest(resources, codes) for codes in (CREATININE, WEIGHT, HEIGHT))
    egfr = _latest(resources, EGFR)
    sex = patient.get("gender")
    return Kidney(
        creatinine=_value(creatinine),
        creatinine_unit=_unit(creatinine),
        creatinine_on=_day(creatinine),
        weight_kg=_value(weight) if _unit(weight) in ("kg", "") else None,
        height_cm=_value(height) if _unit(height) in ("cm", "") else None,
        birth_date=_iso(str(patient.get("birthDate") or "")),
        female={"female": True, "male": False}.get(str(sex)),
        egfr=_value(egfr),
        egfr_on=_day(egfr),
    )


def _latest(resources: Sequence[Resource], codes: set[str]) -> Resource | None:
    """The latest usable Observation of these LOINC codes; of one day, the last in the record."""
    found = [
        r
        for r in resources
        if r.get("resourceType") == "Observation"
        and r.get("status") in USABLE_OBSERVATION
        and any(c.get("system") == LOINC and c.get("code") in codes for c in (r.get("code") or {}).get("coding") or [])
        and (r.get("valueQuantity") or {}).get("value") is not None
    ]
    return max(enumerate(found), key=lambda pair: (_day(pair[1]) or date.min, pair[0]))[1] if found else None


def _value(observation: Resource | None) -> Decimal | None:
    if observation is None:
        return None
    try:
        return Decimal(str(observation["valueQuantity"]["value"]))
    except InvalidOperation:
        return None


def _unit(observation: Resource | None) -> str:
    quantity = (observation or {}).get("valueQuantity") or {}
    return str(quantity.get("code") or quantity.get("unit") or "")


def _day(observation: Resource | None) -> date | None:
    """The local day written in the observation itself, so that an evening sample keeps its day."""
    when = observation or {}
    return _iso(str(when.get("effectiveDateTime") or (when.get("effectivePeriod") or {}).get("start") or ""))


def _iso(text: str) -> date | None:
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        return None
