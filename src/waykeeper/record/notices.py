"""What is odd about a record without keeping it from being read."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from waykeeper.counting import counted
from waykeeper.findings import Finding, Position, finding
from waykeeper.record.handed_over import HandedOver
from waykeeper.record.withheld import WARNED, withheld

Resource = Mapping[str, Any]
SHOWN = 5  # doses in one finding; the rest is "and others"


def notices(patient: Resource, others: Iterable[Resource], more: HandedOver, place: str) -> tuple[Finding, ...]:
    """Findings about a Patient, the list, and what the server said beside it (WKR104, WKR106 to WKR108)."""
    where = Position(place)
    found = [finding("WKR104", said, where) for said in _of_the_patient(patient)]
    found += [finding("WKR108", said, where) for said in dict.fromkeys(_of_the_server(others))]
    if more.loose:
        shown = ", ".join(ref or "a dose" for ref, _ in more.loose[:SHOWN]) + (
            " and others" if len(more.loose) > SHOWN else ""
        )
        details = f"{shown}: given of a medicine on the list without naming its order, not counted as its last dose"
        found.append(finding("WKR107", details, where))
    if more.long_ago:
        names = counted(more.long_ago, "medicine")
        details = f"{names} without an order, last dispensed or given more than a year before surgery, not listed"
        found.append(finding("WKR106", details, where))
    return tuple(found)


def _of_the_server(resources: Iterable[Resource]) -> Iterator[str]:
    """What an OperationOutcome among the matches warns of (FHIR R4, Bundle.entry.search.mode `outcome`)."""
    for outcome in resources:
        if outcome.get("resourceType") != "OperationOutcome":
            continue
        hidden = list(withheld(outcome))
        for issue in outcome.get("issue") or ():
            if issue.get("severity") in WARNED or issue in hidden:
                told = (issue.get("details") or {}).get("text"), issue.get("diagnostics"), issue.get("code")
                yield " ".join(str(next(one for one in (*told, "no reason is given") if one)).split())


def _of_the_patient(patient: Resource) -> Iterator[str]:
    """FHIR R4, Patient.active and Patient.link: a record that is no longer used, or that another has replaced."""
    if any(link.get("type") == "replaced-by" for link in patient.get("link") or ()):
        yield "the Patient is replaced by another (link of type replaced-by), which holds what is new"
    elif patient.get("active") is False:
        yield "the Patient is not active: nobody may be keeping this record"
