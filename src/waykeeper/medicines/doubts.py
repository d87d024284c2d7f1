"""Orders of a medicine that is known, but that no rule may answer: forbidden, or against what is known of it."""

from __future__ import annotations

import re
from dataclasses import replace

from waykeeper.findings import finding
from waykeeper.medicines.dosing import oftener_than_weekly
from waykeeper.medicines.instructions import instructions
from waykeeper.medicines.recognise import Recognised
from waykeeper.medicines.ruleset import Ruleset
from waykeeper.medicines.ways import forms_of
from waykeeper.record.model import MedicineEntry

TOO_OFTEN = "is taken once a week, but the order has it more often"
PREMIXED = (
    "it may be a premixed insulin, which holds the basal supply too: it is never left out as a mealtime insulin is"
    " (UKCPA perioperative handbook: half of the morning dose); which insulin is it?"
)
_MIXED = re.compile(
    r"(?<![\d/.,-])(?:70\s*[/-]\s*30|30\s*[/-]\s*70|75\s*[/-]\s*25|25\s*[/-]\s*75|50\s*[/-]\s*50)(?![\d/-])"
    r"|\bpre-?mix|\bmix\s?\d|\bprotamine\b|\bbiphasic\b",
    re.IGNORECASE,
)
# Its two parts, one behind the other; each looked for once: a `.*` between them takes minutes in a long text.
_NPH, _REGULAR = re.compile(r"\b(?:nph|isophane)\b", re.IGNORECASE), re.compile(r"\bregular\b", re.IGNORECASE)
NOT_TO_BE_GIVEN = "the order says that it is not to be given: is it taken, and shall it be?"


def doubted(entry: MedicineEntry, known: Recognised, rules: Ruleset) -> Recognised:
    """The reading of a row as it is, or, where no rule may answer, without ingredients: named, and asked about."""
    found = [("WKM204", NOT_TO_BE_GIVEN)] if entry.forbidden else []
    named = known.ingredients or known.named
    found += [("WKM202", PREMIXED)] if _premixed(entry, named, rules) else []
    found += [("WKM205", why) for name in named if (why := _too_often(entry, known, name, rules))]
    if not found:
        return known
    asks = "; ".join(q for q in (*(why for _, why in found), known.question) if q)
    raised = tuple(finding(code, f"{entry.words}: {why}") for code, why in found)
    return replace(known, ingredients=(), named=named, question=asks, findings=(*known.findings, *raised))


def _premixed(entry: MedicineEntry, named: tuple[str, ...], rules: Ruleset) -> bool:
    """True for an insulin whose words hold the ratio of a mixture: `insulin aspart 70/30` is no mealtime insulin."""
    if not any("insulin" in rules.ingredients[n].tags for n in named):
        return False
    said = [t for one in (entry, *entry.also) for t in (one.words, one.dose_text, *one.remarks)]
    return any(_is_mixed(text) for text in (*said, *(code.display for code in entry.codes)))


def _is_mixed(text: str) -> bool:
    nph = _NPH.search(text)
    return bool(_MIXED.search(text) or (nph and _REGULAR.search(text, nph.end())))


def _too_often(entry: MedicineEntry, known: Recognised, name: str, rules: Ruleset) -> str:
    """What is asked of a weekly medicine that the order has more often than once a week; "" for any other."""
    substance = rules.ingredients[name]
    for taken in instructions(entry) if substance.weekly else ():
        forms = forms_of(taken, known, rules) or {"unknown"}
        if not substance.weekly.isdisjoint(forms) and oftener_than_weekly(taken):
            harm = f"; {substance.daily_harm}" if substance.daily_harm else ""
            return f"{name} {TOO_OFTEN}{harm}: ask the prescriber at once"
    return ""
