"""Medicines that were dispensed or given and that no order or statement of the record lists: rows of their own.

FHIR R4: MedicationDispense.authorizingPrescription and MedicationAdministration.request name the order; without them a
row of the same medicine (a code in common, or the same words) is taken to be the one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from waykeeper.record.administrations import GIVEN, place_of
from waykeeper.record.medications import Medications
from waykeeper.record.medicines import HANDED_OVER, concept_of
from waykeeper.record.model import ENDED
from waykeeper.record.references import identifier_names, names_of
from waykeeper.record.taken import given_at, moment_of
from waykeeper.timing.model import Moment

Resource = Mapping[str, Any]
Pair = tuple[str, Resource]
# Nothing was handed over or given (FHIR R4, the two value sets of status).
_NOTHING = frozenset({"cancelled", "declined", "entered-in-error", "not-done"})
# Longer than the longest pause of any rule (months after rituximab); common practice, no source.
LONG_AGO = timedelta(days=366)


@dataclass(frozen=True, slots=True)
class HandedOver:
    """What was dispensed or given.

    rows      what no row of the list stands for: the newest of each medicine, and the first, by which the row goes, so
              that an answer about it stands when it is dispensed again
    loose     doses that were given of a row's medicine, by its codes or words alone: of which order nobody says
    long_ago  how many medicines were last handed over more than LONG_AGO before surgery, and are not listed
    """

    rows: tuple[tuple[Pair, Pair], ...] = ()
    loose: tuple[Pair, ...] = ()
    long_ago: int = 0


def handed_over(
    pairs: Iterable[Pair], listed: Sequence[Pair], medications: Medications, surgery: date | None
) -> HandedOver:
    """Lay dispenses and doses beside the rows of the list."""
    found = [(ref, r) for ref, r in pairs if r.get("resourceType") in HANDED_OVER and r.get("status") not in _NOTHING]
    if not found:
        return HandedOver()
    named = {name for ref, r in listed for name in (ref, *identifier_names(r))}
    derived = {name for _, r in listed for name in names_of(r.get("derivedFrom") or ())}
    going_on = [_medicine(r, medications) for _, r in listed if _is_going_on(r)]
    own: list[tuple[frozenset[str], list[Pair]]] = []
    loose: list[Pair] = []
    for ref, resource in found:
        if named & {*_orders(resource)} or ref in derived:
            continue
        medicine = _medicine(resource, medications)
        if any(medicine & known for known in going_on):
            loose += [(ref, resource)] if resource["resourceType"] == "MedicationAdministration" else []
            continue
        same = next((group for group in own if group[0] & medicine), None)
        if same:
            same[1].append((ref, resource))
        else:
            own.append((medicine, [(ref, resource)]))
    ordered = [sorted(group, key=lambda pair: (handed_on(pair[1]) or date.min, pair[0])) for _, group in own]
    recent = [(group[-1], group[0]) for group in ordered if not _is_long_ago(group[-1][1], surgery)]
    return HandedOver(tuple(recent), tuple(loose), len(ordered) - len(recent))


def loose_dose(resource: Resource, loose: Sequence[Pair], medications: Medications) -> Moment | None:
    """The latest dose of a row's medicine whose record names no order: it may be this row's, and nobody says so."""
    if not loose or not _is_going_on(resource):
        return None
    own = _medicine(resource, medications)
    found = [given_at(r) for _, r in loose if r.get("status") in GIVEN and own & _medicine(r, medications)]
    return max((moment for moment in found if moment), key=place_of, default=None)


def _orders(resource: Resource) -> Iterator[str]:
    """The names of the orders that something was handed over or given for."""
    pointers = [*(resource.get("authorizingPrescription") or ()), resource.get("request") or {}]
    yield from names_of(p for p in pointers if isinstance(p, Mapping))


def _is_going_on(resource: Resource) -> bool:
    return resource.get("status") not in ENDED and resource.get("doNotPerform") is not True


def _medicine(resource: Resource, medications: Medications) -> frozenset[str]:
    """What names the medicine: its codes, and its words where they are all there is."""
    concept = concept_of(resource, medications)
    codings = [c for c in concept.get("coding") or [] if c.get("code")]
    texts = [concept.get("text"), *(c.get("display") for c in codings)]
    words = {" ".join(str(t).casefold().split()) for t in texts if t}
    return frozenset({f"{c.get('system') or ''}|{c['code']}" for c in codings} | words)


def handed_on(resource: Resource) -> date | None:
    """The day on which a dispense was handed over or made ready, or on which a dose was given."""
    period = resource.get("effectivePeriod") or {}
    told = (resource.get("whenHandedOver"), resource.get("whenPrepared"), resource.get("effectiveDateTime"),
            period.get("end"), period.get("start"))  # fmt: skip
    moment = moment_of(str(next((t for t in told if t), "")))
    return moment.day if moment else None


def _is_long_ago(resource: Resource, surgery: date | None) -> bool:
    day = handed_on(resource)
    return surgery is not None and day is not None and day < surgery - LONG_AGO
