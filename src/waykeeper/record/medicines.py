"""One order, statement, dispense or dose given -> one MedicineEntry, in the words of the person who wrote it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

from waykeeper.pathway.model import Coding
from waykeeper.record.concepts import said_of, text_of
from waykeeper.record.medications import Medications
from waykeeper.record.model import MedicineEntry, Part
from waykeeper.record.references import relative
from waykeeper.record.taken import last_taken

Resource = Mapping[str, Any]
WEEKDAYS = {"mon": 0, "tue": 1, "wed": 2, "thu": 3, "fri": 4, "sat": 5, "sun": 6}
DAYS_OF_UNIT = {"d": 1, "wk": 7}
HOURS_OF_UNIT = {"h": 1, "d": 24, "wk": 168}
HANDED_OVER = ("MedicationDispense", "MedicationAdministration")
# What a dispense or a dose that was given says of the patient's list (FHIR R4, MedicationDispense.status and
# MedicationAdministration.status): what was handed over or given is taken, as far as the record knows.
_GOING_ON = {"preparation": "active", "in-progress": "active", "completed": "active"}
_UNIT = re.compile(r"\{?(tab|tbl|cap|pill)", re.IGNORECASE)  # tablet, tablets, TAB, {tbl}, {capsule}


def medicine_entry(
    key: str,
    reference: str,
    resource: Resource,
    medications: Medications,
    surgery: date | None = None,
    today: date | None = None,
) -> MedicineEntry:
    """Read one row. `medications` finds what it points at; the two days tell a planned end from a last dose."""
    concept = concept_of(resource, medications)
    order = MedicineEntry(
        key=key,
        reference=reference,
        words=_words(concept, resource, medications),
        codes=_codings(concept),
        form=text_of(concept.get("form"), "form code"),
        ways=_coded(concept.get("form")),
        status=_status(resource),
        indication=_indication(resource),
        last_taken=last_taken(resource, surgery, today),
        supply_days=_supply(resource),
        resource=resource,
        intent=str(resource.get("intent") or ""),
        forbidden=resource.get("doNotPerform") is True,
        parts=_parts(resource, medications),
        remarks=_remarks(resource),
    )
    first, *others = [_by_dosage(order, dosage) for dosage in _dosages(resource)]
    return replace(first, also=tuple(others))


def _dosages(resource: Resource) -> list[Resource]:
    """The dosage instructions of an order or statement, each once; an empty one where there is none."""
    found = resource.get("dosageInstruction") or resource.get("dosage") or []
    if isinstance(found, Mapping):  # MedicationAdministration.dosage: what one dose was
        dose = {"doseAndRate": [{"doseQuantity": found["dose"]}]} if found.get("dose") else {}
        found = [{**found, **dose}]
    different: list[Resource] = []
    for dosage in found:
        if dosage not in different:
            different.append(dosage)
    return different or [{}]


def _by_dosage(order: MedicineEntry, dosage: Resource) -> MedicineEntry:
    repeat: Resource = (dosage.get("timing") or {}).get("repeat") or {}
    return replace(
        order,
        dose_text=str(dosage.get("text") or ""),
        dose_mg=_dose_mg(dosage),
        units=_units(dosage),
        route=text_of(dosage.get("route"), "route code"),
        ways=(*order.ways, *_coded(dosage.get("route"))),
        schedule=_schedule(dosage, repeat),
        period_days=_period_days(repeat),
        weekday=_weekday(repeat),
        times_a_week=_times_a_week(repeat),
        hours=(*(t[:5] for t in _words_of(repeat, "timeOfDay")), *_words_of(repeat, "when")),
        as_needed=bool(dosage.get("asNeededBoolean") or dosage.get("asNeededCodeableConcept")),
        remarks=(*order.remarks, *_told_of_dosage(dosage)),
    )


def _status(resource: Resource) -> str:
    said = str(resource.get("status") or "")
    return _GOING_ON.get(said, said) if resource.get("resourceType") in HANDED_OVER else said


def concept_of(resource: Resource, medications: Medications) -> dict[str, Any]:
    """The medicine of a row as one concept, with its form where a Medication says it; {} where nothing names it."""
    if resource.get("medicationCodeableConcept"):
        return dict(resource["medicationCodeableConcept"])
    reference: Resource = resource.get("medicationReference") or {}
    medication = _medication(resource, medications)
    concept = dict(medication.get("code") or {})
    if medication.get("form"):
        concept["form"] = medication["form"]
    codings = concept.get("coding") or []
    if not concept.get("text") and not any(c.get("display") or reference.get("display") for c in codings):
        parts = [p.words for p in _parts(resource, medications) if p.words not in {c.code for c in p.codes}]
        concept |= {"text": " / ".join(p for p in parts if p)} if any(parts) else {}
    if not concept.get("text") and reference.get("display"):
        concept["text"] = reference["display"]
    return concept


def _medication(resource: Resource, medications: Medications) -> Resource:
    """The Medication that a row points at; {} where it points at none, or none is there."""
    target = str((resource.get("medicationReference") or {}).get("reference") or "")
    return _contained(resource).get(target) or (medications.find(target) if target else None) or {}


def _contained(resource: Resource) -> dict[str, Resource]:
    return {f"#{c.get('id')}": c for c in resource.get("contained") or []}


def _codings(concept: Resource) -> tuple[Coding, ...]:
    return tuple(
        Coding(str(c.get("system") or ""), str(c.get("code") or ""), str(c.get("display") or ""))
        for c in concept.get("coding") or []
    )


def _parts(resource: Resource, medications: Medications) -> tuple[Part, ...]:
    """What a Medication is made of, without what it says is not active (FHIR R4, Medication.ingredient.isActive)."""
    if resource.get("medicationCodeableConcept"):
        return ()
    medication = _medication(resource, medications)
    within = {**_contained(resource), **_contained(medication)}
    found = []
    for ingredient in medication.get("ingredient") or []:
        pointer: Resource = ingredient.get("itemReference") or {}
        target = str(pointer.get("reference") or "")
        there: Resource = within.get(target) or (medications.find(target) if target else None) or {}
        concept: Resource = ingredient.get("itemCodeableConcept") or there.get("code") or {}
        if ingredient.get("isActive") is not False:
            found.append(Part(_said(concept) or str(pointer.get("display") or ""), _codings(concept)))
    return tuple(found)


def _said(concept: Resource) -> str:
    """The text of a concept, else a display, else a code; "" where it has none of them."""
    codings = concept.get("coding") or []
    told = (concept.get("text"), *(c.get(key) for key in ("display", "code") for c in codings))
    return str(next((t for t in told if t), ""))


def _words(concept: Resource, resource: Resource, medications: Medications) -> str:
    """As a person wrote it: the text, else a display, else a code, else that the name is missing."""
    return str(_said(concept) or f"{resource.get('resourceType')}, name missing{_pointer(resource, medications)}")


def _pointer(resource: Resource, medications: Medications) -> str:
    """What a row without a name points at, so that an answer about one speaks for no other that has none either."""
    pointer: Resource = resource.get("medicationReference") or {}
    target, number = str(pointer.get("reference") or ""), pointer.get("identifier") or {}
    place = relative(target.partition("/_history/")[0])
    if target and medications.doubtful(target):
        return f" ({place}): several Medications go by its reference"
    if place.startswith("Medication/"):
        return f" ({place})"
    return f" (number {number['value']})" if number.get("value") else ""


def says_which(resource: Resource, medications: Medications) -> bool:
    """False where a row points at a Medication that is not here, or that says nothing: a display may say less."""
    if "medicationReference" not in resource or resource.get("medicationCodeableConcept"):
        return True
    found = _medication(resource, medications)
    return bool(_said(found.get("code") or {}) or found.get("ingredient"))


def _quantities(dosage: Resource) -> list[tuple[str, Decimal]]:
    """The amounts of one dose with their units, of a range its larger end: the most that is allowed counts."""
    rates: list[Resource] = dosage.get("doseAndRate") or []
    found = [rate.get("doseQuantity") or (rate.get("doseRange") or {}).get("high") or {} for rate in rates]
    return [(str(q.get("code") or q.get("unit") or ""), Decimal(str(q["value"]))) for q in found if q.get("value")]


def _dose_mg(dosage: Resource) -> Decimal | None:
    return max((amount for unit, amount in _quantities(dosage) if unit == "mg"), default=None)


def _units(dosage: Resource) -> Decimal | None:
    return max((amount for unit, amount in _quantities(dosage) if _UNIT.match(unit)), default=None)


def _coded(concept: Any) -> tuple[str, ...]:
    codings = concept.get("coding") or [] if isinstance(concept, Mapping) else []
    return tuple(f"{c.get('system') or ''}|{c['code']}" for c in codings if c.get("code"))


def _schedule(dosage: Resource, repeat: Resource) -> str:
    timing: Resource = dosage.get("timing") or {}
    said = text_of(timing.get("code"))
    if said:
        return said
    if repeat.get("period") is None:
        return str(dosage.get("text") or "")
    days = ", ".join(str(d) for d in repeat.get("dayOfWeek") or [])
    every = f"{repeat.get('frequency', 1)} time(s) every {repeat['period']} {repeat.get('periodUnit', '')}"
    if _several_a_week(repeat):
        return f"each week on {days}"
    return f"{every} on {days}" if days else every


def _words_of(repeat: Resource, name: str) -> tuple[str, ...]:
    """The texts of a list of a timing; what is no list, and what is no text in it, says nothing."""
    listed = repeat.get(name)
    return tuple(t for t in listed if isinstance(t, str)) if isinstance(listed, list | tuple) else ()


def _several_a_week(repeat: Resource) -> bool:
    """`mon, wed, fri` of each week: what is taken so is no weekly medicine, whatever its period says."""
    return len(repeat.get("dayOfWeek") or []) > 1 and repeat.get("periodUnit") == "wk" and repeat.get("period") == 1


def _period_days(repeat: Resource) -> int | None:
    if _several_a_week(repeat):
        return None
    unit = DAYS_OF_UNIT.get(str(repeat.get("periodUnit") or ""))
    period, one_day = repeat.get("period"), len(repeat.get("dayOfWeek") or []) == 1
    if unit is None or period is None or Decimal(str(period)) % 1:
        return 7 if one_day and unit is None else None
    days = int(Decimal(str(period))) * unit
    if one_day and days == 1:  # `once a day on mon` is each Monday
        return 7
    between = Fraction(days, _frequency(repeat))
    return int(between) if between.denominator == 1 else 1 if between < 1 else None


def _frequency(repeat: Resource) -> int:
    """Doses of one period, the most that the order allows."""
    given = [repeat.get(name) for name in ("frequency", "frequencyMax")]
    return max((int(n) for n in given if isinstance(n, int) and n > 0), default=1)


def _times_a_week(repeat: Resource) -> Fraction | None:
    """Doses of a week, the most that the order allows: 7 for once a day, 1 for each Monday."""
    days = len(set(repeat.get("dayOfWeek") or []))
    if days:
        return Fraction(days * (_frequency(repeat) if repeat.get("periodUnit") == "d" else 1))
    hours = HOURS_OF_UNIT.get(str(repeat.get("periodUnit") or ""))
    if hours is None or not repeat.get("period"):
        return None
    return Fraction(_frequency(repeat) * 7 * 24) / (Fraction(str(repeat["period"])) * hours)


def _weekday(repeat: Resource) -> int | None:
    days = repeat.get("dayOfWeek") or []
    return WEEKDAYS.get(str(days[0])) if len(days) == 1 else None


def _indication(resource: Resource) -> tuple[str, ...]:
    found = [said for concept in resource.get("reasonCode") or [] for said in said_of(concept)]
    return tuple(dict.fromkeys(found))


def _remarks(resource: Resource) -> tuple[str, ...]:
    """Notes of a row, and why its status is so (one concept of an order, several of a statement; FHIR R4)."""
    why = resource.get("statusReason") or []
    notes = [str(n.get("text") or "") for n in resource.get("note") or [] if isinstance(n, Mapping)]
    return tuple(t for t in (*notes, *(text_of(c) for c in (why if isinstance(why, list) else [why]))) if t)


def _told_of_dosage(dosage: Resource) -> tuple[str, ...]:
    more = [text_of(c) for c in dosage.get("additionalInstruction") or []]
    return tuple(t for t in (str(dosage.get("patientInstruction") or ""), *more) if t)


def _supply(resource: Resource) -> int | None:
    duration = (
        ((resource.get("dispenseRequest") or {}).get("expectedSupplyDuration")) or resource.get("daysSupply") or {}
    )
    if duration.get("code") not in ("d", None) or duration.get("value") is None:
        return None
    return int(Decimal(str(duration["value"])))
