"""Every allergy and a pregnancy of a record that stand, as it writes them, whether a medicine meets them or not."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Any

from waykeeper.medicines.cautions import LOINC, allergies_of, expected, questions, stands
from waykeeper.medicines.indications import is_icd_10, texts
from waykeeper.medicines.model import MedicineRow
from waykeeper.medicines.patient_facts import pregnancy_facts
from waykeeper.medicines.ruleset import Ruleset, package_rules
from waykeeper.medicines.spelling import normalise
from waykeeper.medicines.tables import table

Resource = Mapping[str, Any]
SEVERE, NAMELESS, PREGNANCY = " (severe)", "an allergy without a name", "pregnancy"
_OF_A_CONDITION = re.compile(r"\b(?:allerg(?:y|ies)|alergias?|allergic (?:reaction )?to)\b")
_PARTS = re.compile(r"[,;.:()]| [-–] |\b(?:but|except|pero|excepto)\b", re.IGNORECASE)
_OF_OTHERS = re.compile(r"\b(?:family|familiar(?:es)?)\b")


@dataclass(frozen=True, slots=True)
class RecordedCaution:
    """What the record warns of: `Iodine (severe)`, `pregnancy (Pregnant)`, with the resources that say so."""

    words: str
    resources: tuple[Resource, ...]


def recorded_cautions(resources: Sequence[Resource], surgery: date | None) -> tuple[RecordedCaution, ...]:
    """What stands, severe allergies first, each once; by words, so that the order of the record changes nothing.

    Refuted, entered in error, inactive and resolved ones stand no more, and what says that there is none names none.
    What is neither is shown as it is written, by its code where it has no words: nothing recorded goes in silence.
    """
    found: dict[str, tuple[str, list[Resource]]] = {}
    for resource in resources:
        for words in _allergies(resource):
            before, said = found.get(words.casefold(), (words, []))
            found[words.casefold()] = min(before, words), [*said, resource]
    made = [RecordedCaution(words, tuple(said)) for words, said in found.values()]
    made.sort(key=lambda one: (not one.words.endswith(SEVERE), one.words.casefold(), one.words))
    facts = pregnancy_facts(resources)
    if bears := expected(facts, surgery):
        bearing = tuple(r for r in resources if r.get("resourceType") == "Patient" or pregnancy_facts([r]))
        made.append(RecordedCaution(f"{PREGNANCY} ({bears})", bearing))
    return tuple(made)


def pregnancy_asked() -> str:
    """The `system|code` of the Observation that answers whether there is one."""
    return f"{LOINC}|{table('cautions')['pregnancy_status']}"


def same_caution(words: str) -> str:
    """What two ways to write the same have in common: letters of any case, and of a pregnancy that it is one."""
    return PREGNANCY if words.startswith(f"{PREGNANCY} (") else " ".join(words.split()).casefold()


def unmet(
    cautions: Sequence[RecordedCaution], rows: Sequence[MedicineRow], surgery: date, rules: Ruleset | None = None
) -> list[str]:
    """The words of those about which no row of the list asks."""
    rules = rules or package_rules()
    listed = [row.ingredients for row in rows if row.counted]
    return [c.words for c in cautions if not any(questions(one, _facts(c), surgery, rules) for one in listed)]


def _facts(caution: RecordedCaution) -> dict[str, str]:
    facts = pregnancy_facts(caution.resources)
    for resource in caution.resources:
        facts |= allergies_of(resource) if resource.get("resourceType") == "AllergyIntolerance" else {}
    return facts


def _allergies(resource: Resource) -> list[str]:
    """The words of what one resource is an allergy to; none where it says that there is none."""
    kind = resource.get("resourceType")
    if kind == "Condition":
        concept = resource.get("code") or {}
        named = _named(concept) if _tells_an_allergy(concept) and stands(resource) else ""
        return [named] if named else []
    if kind != "AllergyIntolerance" or not stands(resource):
        return []
    reactions = resource.get("reaction") or ()
    severe = resource.get("criticality") == "high" or any(r.get("severity") == "severe" for r in reactions)
    concepts = [resource.get("code") or {}, *(r.get("substance") or {} for r in reactions)]
    found = [name for concept in concepts if (name := _named(concept))]
    if not found and not any(_said(concept) for concept in concepts):
        found = [NAMELESS]
    return [f"{name}{SEVERE if severe else ''}" for name in dict.fromkeys(found)]


def _named(concept: Resource) -> str:
    """How a concept names a substance; "" where it names none, or says that there is none."""
    known = table("cautions")["none_known"]
    codings = [c for c in concept.get("coding") or () if str(c.get("code")) not in known["codes"]]
    told = texts({**concept, "coding": codings}) or [f"code {c['code']}" for c in codings if c.get("code")]
    return next((" ".join(t.split()) for t in told if not _denies(t)), "")


def _said(concept: Resource) -> bool:
    return bool(texts(concept) or any(c.get("code") for c in concept.get("coding") or ()))


def _denies(text: str) -> bool:
    """`No known drug allergies`, `NKDA`; not `no known allergies, tape` or `not allergic to tape`, which name one."""
    known = table("cautions")["none_known"]
    words = {*known["begins"], *known["words"]}
    parts = [part for piece in _PARTS.split(text) if (part := normalise(piece))]
    return all(
        part in known["phrases"] or (part.split()[0] in known["begins"] and words.issuperset(part.split()))
        for part in parts
    )


@cache
def _begins() -> tuple[str, ...]:
    return tuple(code.replace(".", "") for code in table("cautions")["allergy_status"])


def _tells_an_allergy(concept: Resource) -> bool:
    for coding in concept.get("coding") or ():
        code = str(coding.get("code") or "").replace(".", "")
        if is_icd_10(str(coding.get("system") or "")) and code.startswith(_begins()):
            return True
    said = [normalise(t) for t in texts(concept)]
    return any(_OF_A_CONDITION.search(t) for t in said) and not any(_OF_OTHERS.search(t) for t in said)
