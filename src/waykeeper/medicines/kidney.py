"""Creatinine clearance by Cockcroft and Gault, exact, or the reason why there is none.

Source: Cockcroft & Gault, Nephron 1976;16:31; 1 mg/dL creatinine = 88.4 umol/L. Actual weight, as the trials used.
"""

from __future__ import annotations

from calendar import isleap
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction

from waykeeper.counting import counted
from waykeeper.record.measured import plain_unit
from waykeeper.record.model import Kidney

UMOL_PER_MG_DL = Fraction("88.4")
STALE_DAYS, REFUSED_DAYS = 30, 90
NO_CLEARANCE = "none"  # as it is written in short where no value is usable
# Weight changes more slowly than the kidney: asked about after three months, not used after six (common practice, no
# source).
WEIGHT_STALE_DAYS, WEIGHT_REFUSED_DAYS = 90, 180
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_UNITS = {"mg/dl": Fraction(1), "umol/l": 1 / UMOL_PER_MG_DL}


@dataclass(frozen=True, slots=True)
class Clearance:
    """mL/min, unrounded, or None with the question to ask.

    usable     the value that branches are chosen by; None where it is missing or refused
    stale      computed, but the creatinine or the weight is older than its limit: a new value is asked for
    beside     the same with ideal and adjusted weight, shown only
    told       the value and what it was computed from, in one line; why there is none else
    newest     the day of the creatinine or of the weight, the later; None where neither has one
    """

    usable: Fraction | None = None
    stale: bool = False
    question: str = ""
    beside: tuple[tuple[str, Fraction], ...] = ()
    arithmetic: tuple[str, ...] = ()
    told: str = ""
    newest: date | None = None

    @property
    def short(self) -> str:
        """mL/min with two places, or "none"."""
        return NO_CLEARANCE if self.usable is None else shown(self.usable)


def cockcroft_gault(age: int, weight_kg: Fraction, creatinine_mg_dl: Fraction, female: bool) -> Fraction:
    """(140 - age) x weight / (72 x creatinine), x 0.85 for women; mL/min.

    Raises ValueError outside 18 <= age < 140, weight > 0, creatinine > 0.
    """
    if not 18 <= age < 140 or weight_kg <= 0 or creatinine_mg_dl <= 0:
        raise ValueError("age must be 18 to 139, weight and creatinine above 0")
    return (140 - age) * weight_kg / (72 * creatinine_mg_dl) * (Fraction(85, 100) if female else 1)


def clearance(
    kidney: Kidney, surgery: date, stale_days: int = STALE_DAYS, refused_days: int = REFUSED_DAYS
) -> Clearance:
    """The clearance as it stands for a surgery day. A doubtful input gives no value, only a question."""
    newest = max((day for day in (kidney.creatinine_on, kidney.weight_on) if day is not None), default=None)
    question = _missing(kidney) or _implausible(kidney, surgery, refused_days) or _unsteady(kidney)
    if question:
        return Clearance(question=question, told=f"no creatinine clearance: {question}", newest=newest)
    assert kidney.creatinine is not None and kidney.weight_kg is not None and kidney.creatinine_on is not None
    assert kidney.birth_date is not None and kidney.female is not None and kidney.weight_on is not None
    serum = Fraction(kidney.creatinine) * _UNITS[plain_unit(kidney.creatinine_unit)]
    age, weight = age_on(kidney.birth_date, surgery), Fraction(kidney.weight_kg)
    value = cockcroft_gault(age, weight, serum, kidney.female)
    days, weighed = (surgery - kidney.creatinine_on).days, (surgery - kidney.weight_on).days
    old = (_old("creatinine", days, stale_days), _old("the weight", weighed, WEIGHT_STALE_DAYS))
    ask = "; ".join(o for o in old if o)
    beside = tuple((n, cockcroft_gault(age, w, serum, kidney.female)) for n, w in _other_weights(kidney, weight))
    told = "; ".join(line for line in (_told(kidney, value), ask) if line)
    return Clearance(value, bool(ask), ask, beside, _arithmetic(kidney, age, serum, value, surgery), told, newest)


def _told(kidney: Kidney, value: Fraction) -> str:
    assert kidney.creatinine_on is not None and kidney.weight_on is not None
    serum = f"creatinine {kidney.creatinine} {kidney.creatinine_unit} of {_day(kidney.creatinine_on)}"
    weight = f"{_kilograms(kidney)} kg of {_day(kidney.weight_on)}"
    return f"creatinine clearance {shown(value)} mL/min ({serum}, {weight})"


def _kilograms(kidney: Kidney) -> str:
    """As it is recorded; pounds made kilograms have many places, of which two are shown and all are counted with."""
    assert kidney.weight_kg is not None
    told = kidney.weight_kg
    return str(told if len(str(told).partition(".")[2]) <= 2 else told.quantize(Decimal("0.01")))


def _day(day: date) -> str:
    return f"{_WEEKDAYS[day.weekday()]} {day}"


def _old(name: str, days: int, limit: int) -> str:
    return f"{name} is {counted(days, 'day')} old at surgery, more than {limit}: measure again" if days > limit else ""


def age_on(birth: date, day: date) -> int:
    """Completed years. A birthday on 29 February counts on 28 February in common years: older, so the longer hold."""
    birthday = (birth.month, min(birth.day, 28) if birth.month == 2 else birth.day)
    if birth.month == 2 and birth.day == 29 and isleap(day.year):
        birthday = (2, 29)
    return day.year - birth.year - ((day.month, day.day) < birthday)


def shown(value: Fraction) -> str:
    """Two places, cut and not rounded, so that 49.96 never reads as 50."""
    hundredths = int(value * 100)
    return f"{hundredths // 100}.{hundredths % 100:02d}"


def _missing(kidney: Kidney) -> str:
    if kidney.creatinine is None:
        if kidney.egfr is not None:
            of = f" of {_day(kidney.egfr_on)}" if kidney.egfr_on else ""
            there = f"an eGFR of {kidney.egfr}{of} is recorded; Cockcroft-Gault needs the creatinine"
            return f"{there}: it is not used in its place; give creatinine with unit and date, weight, age and sex"
        if kidney.creatinine_on is not None:
            return f"the newest creatinine, of {_day(kidney.creatinine_on)}, is preliminary or no plain number"
        return "no creatinine is recorded"
    wanted: dict[str, object] = {
        "the day of the creatinine": kidney.creatinine_on,
        "the weight": kidney.weight_kg,
        "the birth date": kidney.birth_date,
        "the sex that the formula needs": kidney.female,
    }
    if kidney.weight_kg is not None:
        wanted["the day of the weight"] = kidney.weight_on
    absent = [name for name, value in wanted.items() if value is None]
    doubt = f": {kidney.weight_doubt}, give kilograms" if kidney.weight_kg is None and kidney.weight_doubt else ""
    return f"creatinine clearance needs {' and '.join(absent)}{doubt}" if absent else ""


def _implausible(kidney: Kidney, surgery: date, refused_days: int) -> str:
    assert kidney.creatinine is not None and kidney.weight_kg is not None and kidney.creatinine_on is not None
    assert kidney.birth_date is not None and kidney.weight_on is not None
    unit, value, days = plain_unit(kidney.creatinine_unit), kidney.creatinine, (surgery - kidney.creatinine_on).days
    if unit not in _UNITS:
        return f"creatinine has the unit {kidney.creatinine_unit!r}: mg/dL or umol/L is needed"
    if value <= 0 or kidney.weight_kg <= 0:
        return "creatinine and weight must be above 0"
    if unit == "mg/dl" and value > 20:
        return f"creatinine {value} mg/dL is hardly possible: is it umol/L?"
    if unit == "umol/l" and value < 10:
        return f"creatinine {value} umol/L is hardly possible: is it mg/dL?"
    if not 18 <= age_on(kidney.birth_date, surgery) < 140:
        return "the formula holds for ages 18 to 139 only"
    if days < 0:
        return "the creatinine is dated after the surgery day"
    if days > refused_days:
        return f"creatinine is {counted(days, 'day')} old at surgery, more than {refused_days}: it is not used"
    weighed = (surgery - kidney.weight_on).days
    if weighed < 0:
        return "the weight is dated after the surgery day"
    if weighed > WEIGHT_REFUSED_DAYS:
        old = f"the weight is {counted(weighed, 'day')} old at surgery"
        return f"{old}, more than {WEIGHT_REFUSED_DAYS}: it is not used"
    return ""


def _unsteady(kidney: Kidney) -> str:
    return f"{kidney.unsteady}: the formula needs a steady kidney, measure again" if kidney.unsteady else ""


def _other_weights(kidney: Kidney, actual: Fraction) -> list[tuple[str, Fraction]]:
    """Ideal 50 (women 45.5) + 2.3 kg for each inch over 60; adjusted = ideal + 0.4 x (actual - ideal)."""
    if kidney.height_cm is None:
        return []
    ideal = Fraction("45.5") if kidney.female else Fraction(50)
    ideal += Fraction("2.3") * (Fraction(kidney.height_cm) / Fraction("2.54") - 60)
    if ideal <= 0:
        return []
    adjusted = ideal + Fraction(2, 5) * (actual - ideal)
    return [("adjusted", adjusted), ("ideal", ideal)]


def _arithmetic(kidney: Kidney, age: int, serum: Fraction, value: Fraction, surgery: date) -> tuple[str, ...]:
    assert kidney.creatinine_on is not None and kidney.weight_on is not None
    sex = " x 0.85" if kidney.female else ""
    given = f"{kidney.creatinine} {kidney.creatinine_unit}"
    divided = (
        ""
        if plain_unit(kidney.creatinine_unit) == "mg/dl"
        else f" = {shown(serum)} mg/dL (divided by 88.4, kept exact)"
    )
    formula = f"(140 - {age}) x {_kilograms(kidney)} kg / (72 x creatinine){sex} = {shown(value)} mL/min"
    days, weighed = (surgery - kidney.creatinine_on).days, (surgery - kidney.weight_on).days
    return (
        f"creatinine {given}{divided}, {counted(days, 'day')} before surgery",
        f"weight {_kilograms(kidney)} kg of {_day(kidney.weight_on)}, {counted(weighed, 'day')} before surgery",
        f"Cockcroft-Gault with actual weight: {formula} (compared unrounded)",
    )
