"""What is known of a patient: facts, medicines and anchors read from FHIR resources."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from typing import Any

from waykeeper.findings import Finding
from waykeeper.pathway.model import Coding
from waykeeper.timing.model import Moment


class Fact(StrEnum):
    """Three values, and the case that the record says both."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"
    CONTRADICTORY = "contradictory"


# Of an order or statement (FHIR R4, the value sets of status): it is not taken any more, or never was.
ENDED = frozenset({"stopped", "completed", "cancelled", "entered-in-error", "not-taken"})


@dataclass(frozen=True, slots=True)
class Part:
    """An active ingredient that the Medication of a row names beside its own name; `words` is "" where it has none."""

    words: str
    codes: tuple[Coding, ...] = ()


@dataclass(frozen=True, slots=True)
class MedicineEntry:
    """One row of the patient's list, exactly one for each row that came in.

    A row is an order or a statement, or a medicine that was dispensed or given without one.

    key         the order's business identifier "system|value", else "Type/id", else a hash with an ordinal
    reference   "MedicationRequest/12", or the fullUrl by which a bundle names it; "" for free text
    words       the row as a person wrote it
    codes       codings of the medicine (RxNorm system is http://www.nlm.nih.gov/research/umls/rxnorm)
    intent      MedicationRequest.intent as recorded; "" where the row has none
    forbidden   MedicationRequest.doNotPerform: an order that it is not to be given
    units       tablets or capsules of one dose; None where the order says it in another way
    ways        codes of the route and the dose form, "system|code"
    hours       times of the day by the structured timing: "20:00", or a code of FHIR's event-timing ("HS")
    times_a_week  doses of a week by the structured timing; None where it does not say
    parts       the active ingredients that its Medication lists, in their order; () where it lists none
    pause_asked  a Task of somebody else asks for it to be paused or stopped
    statement_of  key of the order on the same list that a statement is about and agrees with; "" for any other row
    loose_dose  a dose of this medicine that was given, and whose record names no order: it may be of this row, or not
    remarks     what is written beside it: notes, why its status is so, what the patient is told
    also        the same order by its further dosage instructions, each read like the first; one row all the same
    """

    key: str
    reference: str = ""
    words: str = ""
    codes: tuple[Coding, ...] = ()
    dose_text: str = ""
    dose_mg: Decimal | None = None
    route: str = ""
    form: str = ""
    schedule: str = ""  # timing as text, e.g. "every 7 days on Thursday"
    period_days: int | None = None
    weekday: int | None = None  # Monday is 0, for weekly medicines
    as_needed: bool = False
    status: str = "active"
    indication: tuple[str, ...] = ()  # codes "system|code" and lower-case words
    last_taken: Moment | None = None
    supply_days: int | None = None
    resource: Mapping[str, Any] = field(default_factory=dict, compare=False)
    also: tuple[MedicineEntry, ...] = ()
    intent: str = ""
    forbidden: bool = False
    ways: tuple[str, ...] = ()
    times_a_week: Fraction | None = None
    hours: tuple[str, ...] = ()
    loose_dose: Moment | None = None
    units: Decimal | None = None
    parts: tuple[Part, ...] = ()
    statement_of: str = ""
    pause_asked: bool = False
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Kidney:
    """What creatinine clearance needs. Units are UCUM; values stay exact.

    weight_doubt  why the newest weight of the record is not used, where there is one and it cannot be
    unsteady      why the creatinine may not be of a steady kidney, "" where nothing says so
    """

    creatinine: Decimal | None = None
    creatinine_unit: str = ""
    creatinine_on: date | None = None
    weight_kg: Decimal | None = None
    height_cm: Decimal | None = None
    birth_date: date | None = None
    female: bool | None = None
    egfr: Decimal | None = None
    egfr_on: date | None = None
    weight_on: date | None = None
    weight_doubt: str = ""
    unsteady: str = ""


@dataclass(frozen=True, slots=True)
class Record:
    """The patient's record without Waykeeper's own resources.

    resources   as they were given, their instants in the clinic's own time
    findings    what is odd about it and does not keep it from being read
    """

    patient: Mapping[str, Any]
    resources: tuple[Mapping[str, Any], ...]
    medicines: tuple[MedicineEntry, ...] = ()
    kidney: Kidney = Kidney()
    findings: tuple[Finding, ...] = ()
