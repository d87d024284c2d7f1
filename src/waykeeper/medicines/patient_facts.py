"""What the record says of the patient that rules of medicines ask for, beside the reasons written on the orders."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from functools import lru_cache
from typing import Any

from waykeeper.medicines.cautions import (
    BORN,
    PREGNANT,
    PREGNANT_DAY,
    allergies_of,
    asks_for_pregnancy,
    caution_over,
    names_pregnancy,
    pregnancy_of,
)
from waykeeper.medicines.indications import classes_of, is_history, texts
from waykeeper.medicines.intervals import day_name

KNOWN, DAY, RECENT_CLOT = "known:", "day:", "recent-clot"
STENT, ANY_STENT, CAUTION = "stent", "any stent", "allergy or pregnancy"
# After a clot or a stroke elective surgery waits about three months (AHA/ACC 2024, CHEST 2022, both
# from memory). In days the longest three months there are: a day too many only asks.
RECENT_DAYS = 92
_CLOTS = ("venous-thromboembolism", "stroke")
_NOT_SO = frozenset({"refuted", "entered-in-error"})
_OVER = frozenset({"inactive", "remission", "resolved"})
PAST, PAST_DAY = "past:", "past day:"
_LONG_AGO = date.min.isoformat()  # of what is told as history: never recent by the day of the telling
_STENT = re.compile(r"\bstents?\b")
_YEAR = re.compile(r"\b(?:19|20)\d\d\b")


def patient_facts(resources: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """Facts for `propose` from Conditions and Procedures, however old; nothing found says nothing: no fact is "no".

    "known:CLASS"  what names the class of indications.yaml, as it is written, with its day: "known:heart-failure"
    "day:CLASS"    the newest day of a clot or stroke, ISO; the latest that it may be, "" where no day is told
    "past:CLASS" and "past day:CLASS": a clot or stroke that is over, with the day on which it began
    "stent"        "yes" where a coronary stent is named
    "allergy:NAME" and "allergy family:NAME": how an allergy to it is written; "pregnant" with "day:pregnant" likewise
    "born"         the year, beside a pregnancy
    """
    resources = list(resources)
    facts: dict[str, str] = {}
    for resource in resources:
        kind = resource.get("resourceType")
        if kind in ("Condition", "Procedure") and _is_so(resource):
            _add(facts, resource)
            if _names_stent(resource):
                facts["stent"] = "yes"
        if kind == "AllergyIntolerance":
            named = allergies_of(resource)
            facts |= {name: min(text, facts.get(name, text)) for name, text in named.items()}
    facts |= pregnancy_facts(resources)
    if f"{KNOWN}stent" in facts:
        facts["stent"] = "yes"
    return facts


def looked_at(resource: Mapping[str, Any]) -> bool:
    """True for what `patient_facts` or `taken_back` may tell something of; most of a record they do not."""
    kind = resource.get("resourceType")
    if kind not in ("Condition", "Observation", "Procedure"):
        return kind in ("AllergyIntolerance", "Patient")
    try:
        concept: Mapping[str, Any] = resource["code"]
        if kind == "Observation":
            return asks_for_pregnancy(resource)
        codings = tuple((c.get("system"), c.get("code"), c.get("display")) for c in concept.get("coding") or ())
        return _looked_at(concept.get("text"), codings)
    except (AttributeError, KeyError, TypeError):  # it says nothing, or cannot be read
        return False


@lru_cache(maxsize=4096)
def _looked_at(text: str | None, codings: tuple[tuple[str | None, ...], ...]) -> bool:
    """By its concept alone: the same few hundred stand in the records of all patients."""
    coding = [{k: v for k, v in zip(("system", "code", "display"), one, strict=True) if v} for one in codings]
    concept = {"coding": coding, "text": text}
    return bool(classes_of(concept)) or _names_stent({"code": concept}) or names_pregnancy(concept)


def taken_back(resources: Iterable[Mapping[str, Any]]) -> set[str]:
    """What the record names that is not so, or no more: classes, with `recent-clot`, `ANY_STENT` and `CAUTION`."""
    found: set[str] = set()
    for resource in resources:
        found |= {CAUTION} if caution_over(resource) else set()
        if resource.get("resourceType") not in ("Condition", "Procedure"):
            continue
        so, classes = _is_so(resource), classes_of(resource.get("code") or {})
        if not so or _is_over(resource):
            found |= classes if classes.isdisjoint(_CLOTS) else {*classes, RECENT_CLOT}
        if not so and _names_stent(resource):
            found.add(ANY_STENT)
    return found


def pregnancy_facts(resources: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """Those of `patient_facts` that are of a pregnancy; none of a man's."""
    facts: dict[str, str] = {}
    sex, born = "", ""
    for resource in resources:
        kind = resource.get("resourceType")
        if kind == "Patient":
            sex, born = str(resource.get("gender") or ""), str(resource.get("birthDate") or "")[:4]
        elif kind in ("Condition", "Observation") and (found := pregnancy_of(resource)):
            _add_pregnancy(facts, *found)
    if not facts or sex == "male":
        return {}
    return facts | ({BORN: born} if born else {})


def known_of(facts: Mapping[str, str], surgery: date) -> dict[str, str]:
    """What is known of the patient by class, with `recent-clot` for a clot or stroke that may be of the last months."""
    known = {name.removeprefix(KNOWN): text for name, text in sorted(facts.items()) if name.startswith(KNOWN)}
    recent = [known[c] for c in _CLOTS if c in known and _recent(facts.get(f"{DAY}{c}", ""), surgery)]
    over = [c for c in _CLOTS if f"{PAST}{c}" in facts and _recent(facts[f"{PAST_DAY}{c}"], surgery)]
    recent = list(dict.fromkeys([*recent, *(facts[f"{PAST}{c}"] for c in over)]))
    return known | ({RECENT_CLOT: "; ".join(recent)} if recent else {})


def _recent(day: str, surgery: date) -> bool:
    return not day or date.fromisoformat(day) >= surgery - timedelta(RECENT_DAYS)


def _add_pregnancy(facts: dict[str, str], said: str, told: str) -> None:
    """The newest day counts, and one that is not told before any."""
    _keep(facts, PREGNANT, said, PREGNANT_DAY, _latest(told))


def _keep(facts: dict[str, str], name: str, text: str, name_of_day: str, day: str) -> None:
    """Of several that tell the same the newest is told, one without a day before any; of one day by its words, so that
    the order of the record changes nothing."""
    if name in facts:
        before = facts[name_of_day]
        later = (not day, day) > (not before, before)
        if not later and (day != before or text >= facts[name]):
            return
    facts[name], facts[name_of_day] = text, day


def _is_so(resource: Mapping[str, Any]) -> bool:
    if resource.get("status") in ("not-done", "entered-in-error"):
        return False
    status = (resource.get("verificationStatus") or {}).get("coding") or []
    return not _NOT_SO & {str(c.get("code")) for c in status}


def _add(facts: dict[str, str], resource: Mapping[str, Any]) -> None:
    concept = resource.get("code") or {}
    codings = concept.get("coding") or []
    shown = next(iter(texts(concept)), "") or next((f"code {c['code']}" for c in codings if c.get("code")), "")
    over, history = _is_over(resource), is_history(concept)
    told = _told(resource, begun=over or history)
    day = _latest(told) or (_LONG_AGO if history else "")
    when = day_name(date.fromisoformat(day)) if day and day == told else told
    shown_day = bool(day) and day != _LONG_AGO
    name_key, day_key = (PAST, PAST_DAY) if over else (KNOWN, DAY)
    for found in classes_of(concept):
        if over and not (found in _CLOTS and shown_day):
            continue  # what is over is so no more; of a clot or stroke its day may still be of the last months
        _keep(facts, f"{name_key}{found}", f"{shown}, {when}" if shown_day else shown, f"{day_key}{found}", day)


def _is_over(resource: Mapping[str, Any]) -> bool:
    """True for a Condition that its status or an end calls over."""
    if resource.get("resourceType") != "Condition":
        return False
    status = {str(c.get("code")) for c in (resource.get("clinicalStatus") or {}).get("coding") or []}
    return bool(status & _OVER) or any(name.startswith("abatement") and value for name, value in resource.items())


def _names_stent(resource: Mapping[str, Any]) -> bool:
    """A stent stays where it was put, whatever became of the disease; any text with the word counts."""
    concept = resource.get("code") or {}
    codings = concept.get("coding") or []
    coded = classes_of({"coding": [{k: v for k, v in c.items() if k != "display"} for c in codings]})
    return "stent" in coded or any(_STENT.search(t.casefold()) for t in texts(concept))


def _told(resource: Mapping[str, Any], *, begun: bool = False) -> str:
    """When it began or was done, else was written down, as it is written there: a day, a month or a year.

    begun   only when it began: the day on which somebody told of it says nothing
    """
    said = _YEAR.findall(str(resource.get("onsetString") or ""))
    told = (
        resource.get("onsetDateTime"), (resource.get("onsetPeriod") or {}).get("start"),
        resource.get("performedDateTime"), (resource.get("performedPeriod") or {}).get("start"),
        said[-1] if said else None, None if begun else resource.get("recordedDate"),
    )  # fmt: skip
    return str(next((t for t in told if t), ""))[:10]


def _latest(text: str) -> str:
    """The day of a date; of a month or a year the last one that it may be; "" where it is none."""
    try:
        if len(text) == len("2026"):
            return date(int(text), 12, 31).isoformat()
        if len(text) == len("2026-01"):
            first = date.fromisoformat(f"{text}-01")
            return (date(first.year + first.month // 12, first.month % 12 + 1, 1) - timedelta(1)).isoformat()
        return date.fromisoformat(text).isoformat()
    except ValueError:
        return ""
