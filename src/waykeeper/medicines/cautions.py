"""An allergy or a pregnancy of the record that meets a medicine of the list: asked on its row, never decided here."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from typing import Any

from waykeeper.findings import finding
from waykeeper.medicines.indications import is_icd_10, texts
from waykeeper.medicines.model import MedicineRow
from waykeeper.medicines.ruleset import RXNORM, Ruleset, package_rules
from waykeeper.medicines.spelling import normalise
from waykeeper.medicines.tables import table
from waykeeper.medicines.words import read_words

ALLERGY, FAMILY, PREGNANT, PREGNANT_DAY = "allergy:", "allergy family:", "pregnant", "day:pregnant"
PREGNANCY_DAYS = 300  # 40 weeks and some: what was written down earlier is over
LOINC = "http://loinc.org"
_NO_ALLERGY = frozenset({"refuted", "entered-in-error", "resolved", "inactive"})
BORN = "born"
PAST_BEARING = 56  # years: no pregnancy of the record is hers any more (common practice, no source)


def allergies_of(resource: Mapping[str, Any]) -> dict[str, str]:
    """Facts of one AllergyIntolerance: each substance and family of the tables that it names -> how it is written."""
    if not stands(resource):
        return {}
    concepts = [resource.get("code") or {}, *(r.get("substance") or {} for r in resource.get("reaction") or ())]
    found: dict[str, str] = {}
    for concept in concepts:
        shown = next(iter(texts(concept)), "")
        for name in _substances(concept):
            found[f"{ALLERGY}{name}"] = shown or name
        said = [f" {normalise(_not_denied(t))} " for t in texts(concept)]
        for family, fields in table("cautions")["allergies"].items():
            if any(f" {normalise(n)} " in t for n in fields["names"] for t in said):
                found[f"{FAMILY}{family}"] = shown
    return found


def pregnancy_of(resource: Mapping[str, Any]) -> tuple[str, str] | None:
    """How a Condition or an Observation names a pregnancy, and its day ("" where none is told); else None."""
    kind = resource.get("resourceType")
    if kind == "Condition" and stands(resource, _NO_ALLERGY | {"remission"}) and not _over(resource):
        concept = resource.get("code") or {}
        if names_pregnancy(concept):
            told = resource.get("onsetDateTime") or resource.get("recordedDate") or ""
            return next(iter(texts(concept)), PREGNANT), str(told)[:10]
    if kind == "Observation" and resource.get("status") in ("final", "amended", "corrected"):
        answer = resource.get("valueCodeableConcept") or {}
        if asks_for_pregnancy(resource) and names_pregnancy(answer):
            return next(iter(texts(answer)), PREGNANT), str(resource.get("effectiveDateTime") or "")[:10]
    return None


def caution_over(resource: Mapping[str, Any]) -> bool:
    """True for an allergy, or for what speaks of a pregnancy, that is not so, or no more."""
    kind = resource.get("resourceType")
    if kind == "AllergyIntolerance":
        return not stands(resource)
    if kind == "Condition":
        return pregnancy_of(resource) is None and names_pregnancy(resource.get("code") or {})
    return kind == "Observation" and pregnancy_of(resource) is None and asks_for_pregnancy(resource)


def with_cautions(
    rows: tuple[MedicineRow, ...], facts: Mapping[str, str], surgery: date, rules: Ruleset
) -> tuple[MedicineRow, ...]:
    """Ask on each row about the allergy or pregnancy that it meets; what was to continue asks first."""
    if not any(name.startswith((ALLERGY, FAMILY)) or name == PREGNANT for name in facts):
        return rows
    return tuple(_cautioned(row, questions(row.ingredients, facts, surgery, rules)) for row in rows)


def questions(
    ingredients: Sequence[str], facts: Mapping[str, str], surgery: date, rules: Ruleset
) -> list[tuple[str, str]]:
    """What is to be asked of one medicine because of them, each with its code."""
    return [*_allergic(ingredients, facts, rules), *_pregnant(ingredients, facts, surgery, rules)]


def expected(facts: Mapping[str, str], surgery: date | None) -> str:
    """How the record names a pregnancy that may last on the day of surgery; "" for none."""
    said, day, born = facts.get(PREGNANT, ""), facts.get(PREGNANT_DAY, ""), facts.get(BORN, "")
    if surgery is None:
        return said
    if born.isdecimal() and surgery.year - int(born) > PAST_BEARING:
        return ""
    return "" if day and date.fromisoformat(day) < surgery - timedelta(PREGNANCY_DAYS) else said


_CLAUSES = re.compile(r"[,;.]|\b(?:but|except|pero|excepto)\b", re.IGNORECASE)


def _not_denied(text: str) -> str:
    """A text without its parts that begin by saying that there is none: `tolerates aspirin, allergic to ibuprofen`."""
    none = tuple(table("cautions")["no_allergy"])
    return ", ".join(part for part in _CLAUSES.split(text) if not normalise(part).startswith(none))


def _cautioned(row: MedicineRow, asked: list[tuple[str, str]]) -> MedicineRow:
    if not asked or not row.counted or row.decision == "already stopped":
        return row
    raised = tuple(finding(code, f"{row.words}: {text}") for code, text in asked)
    if row.answered:  # decided: not asked for good, and not hidden either, for it may be known only since the answer
        return replace(row, notes=(*row.notes, *(q for _, q in asked)), findings=(*row.findings, *raised))
    questions = dict.fromkeys([*(q for _, q in asked), *([row.question] if row.question else [])])
    if not row.recognised:  # a row in review begins with why it is
        questions = dict.fromkeys([row.question, *(q for _, q in asked)])
    decision = "ask" if row.decision in ("continue", "adjust", "time") else row.decision
    return replace(row, decision=decision, question="; ".join(questions), findings=(*row.findings, *raised))


def _allergic(names: Sequence[str], facts: Mapping[str, str], rules: Ruleset) -> Iterator[tuple[str, str]]:
    end = "is it taken all the same, and shall it be?"
    for name in dict.fromkeys(names):
        if own := facts.get(f"{ALLERGY}{name}"):
            yield "WKM305", f"the record names an allergy or intolerance to {name} ({own}): {end}"
        for family, fields in table("cautions")["allergies"].items():
            if not _belongs(name, fields, rules):
                continue
            others = [
                text for key, text in facts.items()
                if key == f"{FAMILY}{family}" or (fields.get("crosses") and _crosses(key, name, fields, rules))
            ]  # fmt: skip
            if others and not own:
                named = ", ".join(sorted(set(others)))
                yield "WKM305", f"the record names an allergy or intolerance ({named}) that may hold for {name}: {end}"


def _crosses(key: str, name: str, fields: Mapping[str, Any], rules: Ruleset) -> bool:
    other = key.removeprefix(ALLERGY)
    return key.startswith(ALLERGY) and other != name and _belongs(other, fields, rules)


def _pregnant(
    names: Sequence[str], facts: Mapping[str, str], surgery: date, rules: Ruleset
) -> Iterator[tuple[str, str]]:
    said = expected(facts, surgery)
    for fields in table("cautions")["pregnant"]:
        for name in names if said else ():
            if _belongs(name, fields, rules):
                source = fields["source"]
                yield "WKM306", f"the record names a pregnancy ({said}): shall {name} be taken at all? ({source})"


def _belongs(name: str, fields: Mapping[str, Any], rules: Ruleset) -> bool:
    substance = rules.ingredients.get(name)
    tags = substance.tags if substance else frozenset()
    return name in fields.get("ingredients", ()) or not tags.isdisjoint(fields.get("tags", ()))


def stands(resource: Mapping[str, Any], ended: Iterable[str] = _NO_ALLERGY) -> bool:
    """False for what its status calls refuted, a mistake or over."""
    statuses = [resource.get("verificationStatus") or {}, resource.get("clinicalStatus") or {}]
    said = {str(c.get("code")) for status in statuses for c in status.get("coding") or []}
    return said.isdisjoint(ended)


def _over(resource: Mapping[str, Any]) -> bool:
    return any(name.startswith("abatement") and value for name, value in resource.items())


def _substances(concept: Mapping[str, Any]) -> set[str]:
    """Every medicine that a concept names, by RxNorm code or anywhere in its words: `allergy to aspirin (finding)`."""
    rules = package_rules()
    coded = [str(c.get("code")) for c in concept.get("coding") or [] if c.get("system") == RXNORM]
    found = {rules.codes[code] for code in coded if code in rules.codes}
    return found.union(*(read_words(_not_denied(text), rules).ingredients for text in texts(concept)))


def asks_for_pregnancy(observation: Mapping[str, Any]) -> bool:
    """True for the Observation that answers whether there is one."""
    asked = (observation.get("code") or {}).get("coding") or []
    return any(c.get("system") == LOINC and c.get("code") == table("cautions")["pregnancy_status"] for c in asked)


def names_pregnancy(concept: Mapping[str, Any]) -> bool:
    """True where a concept names one and does not take it back."""
    known = table("cautions")["pregnancy"]
    codings = [(str(c.get("system") or ""), str(c.get("code") or "")) for c in concept.get("coding") or []]
    if any(code in known["snomed"] or (is_icd_10(system) and _begins(code)) for system, code in codings):
        return True
    said = [f" {normalise(t)} " for t in texts(concept)]
    if not any(f" {normalise(w)} " in t for w in known["words"] for t in said):
        return False
    return not any(f" {normalise(n)} " in t for n in known["not"] for t in said)


@cache
def _beginnings() -> tuple[str, ...]:
    return tuple(code.replace(".", "") for code in table("cautions")["pregnancy"]["icd10"])


def _begins(code: str) -> bool:
    return code.replace(".", "").startswith(_beginnings())
