"""Kidney function, weight and height: the newest results of the record, or nothing where the newest cannot be read."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal, InvalidOperation
from typing import Any, NamedTuple

from waykeeper.record.local_times import day_of
from waykeeper.record.model import Kidney

Resource = Mapping[str, Any]

LOINC = "http://loinc.org"
# 2160-0 is creatinine by mass, 14682-9 by amount of substance, in serum or plasma (loinc.org; the latter from memory).
CREATININE, WEIGHT, HEIGHT = {"2160-0", "14682-9"}, {"29463-7", "3141-9"}, {"8302-2"}
EGFR = {"98979-8", "77147-7", "62238-1", "48642-3"}
USABLE, NOT_YET = {"final", "amended", "corrected"}, {"preliminary"}
# UCUM units with what one of them is in kilograms or centimetres: exact by definition (NIST SP 811, appendix B).
KILOGRAMS = {
    "kg": Decimal(1), "g": Decimal("0.001"), "[lb_av]": Decimal("0.45359237"), "[oz_av]": Decimal("0.028349523125"),
    "[stone_av]": Decimal("6.35029318"),
}  # fmt: skip
CENTIMETRES = {"cm": Decimal(1), "m": Decimal(100), "[in_i]": Decimal("2.54")}
# A rise or fall of the creatinine that is no steady state: one and a half times within 7 days, 0.3 mg/dL (26.5 umol/L)
# within 48 hours (KDIGO 2012, from memory). N17 is acute kidney failure (ICD-10-CM, US Government).
JUMP, JUMP_DAYS, STEP_DAYS = Decimal("1.5"), 7, 2
STEP = {"mg/dl": Decimal("0.3"), "umol/l": Decimal("26.5")}
ICD10, ACUTE, ACUTE_DAYS = "http://hl7.org/fhir/sid/icd-10", "N17", 90
PLAUSIBLE_KG = (Decimal(25), Decimal(350))  # of an adult before surgery; common practice, no source


class _Result(NamedTuple):
    """One result: the day and, where it is told, the moment; `value` is None where it cannot be read as a number."""

    day: date
    moment: float | None
    value: Decimal | None
    unit: str


def kidney(patient: Resource, resources: Sequence[Resource]) -> Kidney:
    """What creatinine clearance needs, from the Observations of a record.

    A newer result that is no plain number (text, `<0.5`, preliminary) leaves its value None, so that it is asked for:
    an older and better one would say that all is well. Of results of one day the latest counts; where the record does
    not say which that is, the one that makes the clearance lower.
    """
    creatinine, egfr = _newest(resources, CREATININE, max), _newest(resources, EGFR, min)
    weight, height = _newest(resources, WEIGHT, min), _newest(resources, HEIGHT, min)
    kilograms = _in(weight, KILOGRAMS)
    doubt = _weight_doubt(weight, kilograms)
    return Kidney(
        creatinine=creatinine.value if creatinine else None,
        creatinine_unit=creatinine.unit if creatinine else "",
        creatinine_on=_day_of(creatinine),
        weight_kg=None if doubt else kilograms,
        height_cm=_in(height, CENTIMETRES),
        birth_date=day_of(patient.get("birthDate")),
        female={"female": True, "male": False}.get(str(patient.get("gender"))),
        egfr=egfr.value if egfr else None,
        egfr_on=_day_of(egfr),
        weight_on=_day_of(weight),
        weight_doubt=doubt,
        unsteady=_unsteady(creatinine, resources) if creatinine else "",
    )


def plain_unit(unit: str) -> str:
    """A unit as UCUM writes it, in small letters: both signs of micro are u."""
    return unit.strip().replace("\u00b5", "u").replace("\u03bc", "u").casefold()


def _unsteady(newest: _Result, resources: Sequence[Resource]) -> str:
    """Why the formula does not hold: it is of a steady kidney. Acute failure that nobody ended, or values that jump."""
    if any(_acute(r, newest.day) for r in resources):
        return "the record names an acute kidney failure"
    step = STEP.get(plain_unit(newest.unit))
    for one in (result for r in resources for result in _results(r, CREATININE)):
        days = (newest.day - one.day).days
        if one.value is None or newest.value is None or one.unit != newest.unit or not 0 <= days <= JUMP_DAYS:
            continue
        low, high = sorted((one.value, newest.value))
        if high >= low * JUMP or (step is not None and days <= STEP_DAYS and high - low >= step):
            return f"the creatinine changed between {one.value} and {newest.value} {newest.unit} in a few days"
    return ""


def names_acute_failure(resource: Resource) -> bool:
    """True for a Condition of an acute kidney failure, whatever its status says."""
    if resource.get("resourceType") != "Condition":
        return False
    codings = (resource.get("code") or {}).get("coding") or []
    return any(str(c.get("system") or "").startswith(ICD10) and str(c.get("code")).startswith(ACUTE) for c in codings)


def _acute(resource: Resource, measured: date) -> bool:
    """True for an acute kidney failure that is not over, refuted, or ninety days older than the creatinine."""
    if not names_acute_failure(resource):
        return False
    state = {
        str(c.get("code"))
        for name in ("clinicalStatus", "verificationStatus")
        for c in (resource.get(name) or {}).get("coding") or []
    }
    told = resource.get("onsetDateTime") or resource.get("recordedDate") or ""
    began = day_of(str(told)[:10]) if told else None
    old = began is not None and (measured - began).days > ACUTE_DAYS
    over = {"resolved", "inactive", "remission", "refuted", "entered-in-error"}
    return not old and not state & over and not resource.get("abatementDateTime")


def _weight_doubt(weight: _Result | None, kilograms: Decimal | None) -> str:
    """Why a weight that is there is not used; "" where it is, or where there is none."""
    if weight is None:
        return ""
    day = f" of {_day_of(weight)}" if _day_of(weight) else ""
    if weight.value is None:
        return f"the newest weight{day} cannot be read as one number"
    said = f"the newest weight{day} is {weight.value} {weight.unit}".rstrip()
    if kilograms is None:
        return f"{said}, {'a unit that is not read' if weight.unit else 'without a unit'}"
    low, high = PLAUSIBLE_KG
    return "" if low <= kilograms <= high else f"{said}, which is hardly possible"


def _day_of(result: _Result | None) -> date | None:
    return result.day if result and result.day != date.min else None


def _in(result: _Result | None, units: Mapping[str, Decimal]) -> Decimal | None:
    """The value in the first of the units; None where it has none of them: a number alone may be pounds."""
    if result is None or result.value is None or result.unit not in units:
        return None
    return result.value * units[result.unit]


def _newest(resources: Sequence[Resource], codes: set[str], worst: Callable[..., Decimal]) -> _Result | None:
    found = [result for r in resources for result in _results(r, codes)]
    if not found:
        return None
    day = max(result.day for result in found)
    of_the_day = [result for result in found if result.day == day]
    if all(result.moment is not None for result in of_the_day):
        latest = max(result.moment for result in of_the_day if result.moment is not None)
        of_the_day = [result for result in of_the_day if result.moment == latest]
    values = [result.value for result in of_the_day if result.value is not None]
    if len(values) < len(of_the_day) or len({result.unit for result in of_the_day}) > 1:
        return next((one for one in of_the_day if one.value is None), of_the_day[-1]._replace(value=None))
    return next(one for one in of_the_day if one.value == worst(values))


def _results(resource: Resource, codes: set[str]) -> Iterator[_Result]:
    """The results of these LOINC codes in an Observation, its components included."""
    status = resource.get("status")
    if resource.get("resourceType") != "Observation" or status not in USABLE | NOT_YET:
        return
    said = _when(resource)
    for one in (resource, *(resource.get("component") or ())):
        codings = (one.get("code") or {}).get("coding") or []
        if any(c.get("system") == LOINC and c.get("code") in codes for c in codings):
            quantity = one.get("valueQuantity") or {}
            unit = str(quantity.get("code") or quantity.get("unit") or "")
            value = _value(quantity) if status in USABLE else None
            yield _Result(day_of(said) or date.min, _moment(said), value, unit)


def _value(quantity: Resource) -> Decimal | None:
    if quantity.get("value") is None or quantity.get("comparator"):
        return None
    try:
        return Decimal(str(quantity["value"]))
    except InvalidOperation:
        return None


def _when(observation: Resource) -> str:
    """As it is written in the observation itself, so that an evening sample keeps its local day."""
    period = observation.get("effectivePeriod") or {}
    told = (observation.get("effectiveDateTime"), period.get("start"), observation.get("effectiveInstant"))
    return str(next((t for t in told if t), observation.get("issued") or ""))


def _moment(text: str) -> float | None:
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return found.timestamp() if found.tzinfo is not None else None
