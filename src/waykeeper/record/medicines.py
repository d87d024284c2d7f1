"""One MedicationRequest or MedicationStatement -> one MedicineEntry, in the words of the person who wrote it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, time
from decimal import Decimal
from fractions import Fraction
from typing import Any

from waykeeper.pathway.model import Coding
from waykeeper.record.model import MedicineEntry
from waykeeper.timing.model import Moment

Resource = Mapping[str, Any]
WEEKDAYS = {"mon": 0, "tue": 1, "wed": 2, "thu": 3, "fri": 4, "sat": 5, "sun": 6}
DAYS_OF_UNIT = {"d": 1, "wk": 7}
HOURS_OF_UNIT = {"h": 1, "d": 24, "wk": 168}


def medicine_entry(key: str, reference: str, resource: Resource, by_ref: Mapping[str, Resource]) -> MedicineEntry:
    """Read one row. `by_ref` finds a Medication that the row points at, contained or in the record."""
    concept = _concept(resource, by_ref)
    codes = tuple(
        Coding(str(c.get("system") or ""), str(c.get("code") or ""), str(c.get("display") or ""))
        for c in concept.get("coding") or []
    )
    order = MedicineEntry(
        key=key,
        reference=reference,
        words=_words(concept, resource),
        codes=codes,
        form=_text(concept.get("form")),
        ways=_coded(concept.get("form")),
        status=str(resource.get("status") or ""),
        indication=_indication(resource),
        last_taken=_last_taken(resource),
        supply_days=_supply(resource),
        resource=resource,
        intent=str(resource.get("intent") or ""),
        forbidden=resource.get("doNotPerform") is True,
    )
    first, *others = [_by_dosage(order, dosage) for dosage in _dosages(resource)]
    return replace(first, also=tuple(others))


def _dosages(resource: Resource) -> list[Resource]:
    """The dosage instructions of an order or statement, each once; an empty one where there is none."""
    found = resource.get("dosageInstruction") or resource.get("dosage") or []
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
        route=_text(dosage.get("route")),
        ways=(*order.ways, *_coded(dosage.get("route"))),
        schedule=_schedule(dosage, repeat),
        period_days=_period_days(repeat),
        weekday=_weekday(repeat),
        times_a_week=_times_a_week(repeat),
        as_needed=bool(dosage.get("asNeededBoolean") or dosage.get("asNeededCodeableConcept")),
    )


def _concept(resource: Resource, by_ref: Mapping[str, Resource]) -> dict[str, Any]:
    if resource.get("medicationCodeableConcept"):
        return dict(resource["medicationCodeableConcept"])
    reference: Resource = resource.get("medicationReference") or {}
    target = str(reference.get("reference") or "")
    contained = {f"#{c.get('id')}": c for c in resource.get("contained") or []}
    medication: Resource = contained.get(target) or by_ref.get(target) or {}
    concept = dict(medication.get("code") or {})
    if medication.get("form"):
        concept["form"] = medication["form"]
    if not concept.get("text") and reference.get("display"):
        concept["text"] = reference["display"]
    return concept


def _words(concept: Resource, resource: Resource) -> str:
    """As a person wrote it: the text, else a display, else the narrative, else what little there is."""
    displays = [c.get("display") for c in concept.get("coding") or [] if c.get("display")]
    codes = [c.get("code") for c in concept.get("coding") or [] if c.get("code")]
    found = concept.get("text") or next(iter(displays), None) or next(iter(codes), None)
    return str(found or f"{resource.get('resourceType')}, name missing")


def _quantities(dosage: Resource) -> list[tuple[str, Decimal]]:
    """The amounts of one dose with their units, of a range its larger end: the most that is allowed counts."""
    rates: list[Resource] = dosage.get("doseAndRate") or []
    found = [rate.get("doseQuantity") or (rate.get("doseRange") or {}).get("high") or {} for rate in rates]
    return [(str(q.get("code") or q.get("unit") or ""), Decimal(str(q["value"]))) for q in found if q.get("value")]


def _dose_mg(dosage: Resource) -> Decimal | None:
    return max((amount for unit, amount in _quantities(dosage) if unit == "mg"), default=None)


_UNIT = re.compile(r"\{?(tab|tbl|cap|pill)", re.IGNORECASE)  # tablet, tablets, TAB, {tbl}, {capsule}


def _units(dosage: Resource) -> Decimal | None:
    return max((amount for unit, amount in _quantities(dosage) if _UNIT.match(unit)), default=None)


def _text(concept: Any) -> str:
    if not isinstance(concept, Mapping):
        return ""
    displays = [str(c.get("display") or c.get("code") or "") for c in concept.get("coding") or []]
    return str(concept.get("text") or next(iter(displays), ""))


def _coded(concept: Any) -> tuple[str, ...]:
    codings = concept.get("coding") or [] if isinstance(concept, Mapping) else []
    return tuple(f"{c.get('system') or ''}|{c['code']}" for c in codings if c.get("code"))


def _schedule(dosage: Resource, repeat: Resource) -> str:
    timing: Resource = dosage.get("timing") or {}
    said = _text(timing.get("code"))
    if said:
        return said
    if repeat.get("period") is None:
        return str(dosage.get("text") or "")
    days = ", ".join(str(d) for d in repeat.get("dayOfWeek") or [])
    every = f"{repeat.get('frequency', 1)} time(s) every {repeat['period']} {repeat.get('periodUnit', '')}"
    if _several_a_week(repeat):
        return f"each week on {days}"
    return f"{every} on {days}" if days else every


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
    found: list[str] = []
    for concept in resource.get("reasonCode") or []:
        found += [f"{c.get('system', '')}|{c.get('code', '')}" for c in concept.get("coding") or []]
        found += [str(concept["text"]).lower()] if concept.get("text") else []
    return tuple(found)


def _last_taken(resource: Resource) -> Moment | None:
    """MedicationStatement.effective, which says when it was taken; an order says nothing of that."""
    if resource.get("resourceType") != "MedicationStatement":
        return None
    text = str((resource.get("effectivePeriod") or {}).get("end") or "")
    if not text and resource.get("status") in ("completed", "stopped"):
        text = str(resource.get("effectiveDateTime") or "")
    try:
        day = date.fromisoformat(text[:10])
    except ValueError:
        return None
    clock = time.fromisoformat(text[11:16]) if len(text) >= 16 else None
    return Moment(day, clock)


def _supply(resource: Resource) -> int | None:
    duration = ((resource.get("dispenseRequest") or {}).get("expectedSupplyDuration")) or {}
    if duration.get("code") not in ("d", None) or duration.get("value") is None:
        return None
    return int(Decimal(str(duration["value"])))
