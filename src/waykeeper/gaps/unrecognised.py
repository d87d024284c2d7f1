"""What to ask about a medicine that no rule recognised: was another one meant, and does that one keep blood thin?"""

from __future__ import annotations

from functools import lru_cache

from waykeeper.gaps.words import sentence
from waykeeper.medicines.outcome import BLANKET_GROUPS
from waykeeper.medicines.recognise import recognise
from waykeeper.medicines.ruleset import package_rules
from waykeeper.pathway.model import Coding
from waykeeper.plan.model import HoldProposal
from waykeeper.record.model import MedicineEntry

_ASKS = "needs review, the prescriber must decide: "
_PLAIN = "not recognised"
_CONFLICT = "name different medicines"
_TOO_OFTEN = "once a week, but the order has it more often"


@lru_cache(maxsize=1024)
def _near(words: str, codes: tuple[Coding, ...]) -> tuple[tuple[str, str], ...]:
    """Medicines of nearly this name, or named beside words that were not understood, each with its group."""
    rules = package_rules()
    found = recognise(MedicineEntry(key="", words=words, codes=codes), rules).near
    return tuple((name, rules.single[name].group) for name in dict.fromkeys(found) if name in rules.single)


def review_word(hold: HoldProposal) -> str:
    """The entry of the word table: nobody knows the medicine, its order is in doubt, or it is taken too often."""
    if _TOO_OFTEN in hold.question:
        return "needs-review-too-often"
    return "needs-review-doubted" if hold.ingredients or _CONFLICT in hold.question else "needs-review"


def questions(hold: HoldProposal) -> tuple[str, ...]:
    """The questions of a row that is not classified: what is not clear in the list, and which medicine may be meant."""
    why = hold.question.removeprefix(_ASKS).partition("; did you mean ")[0]
    asks = [sentence("questions", "unclear", {"why": why}).replace("?.", "?")] if why and why != _PLAIN else []
    titles = package_rules().groups
    for name, group in _near(hold.words, hold.codes):
        clots = group in BLANKET_GROUPS
        about = {"near": name, "group": titles[group].lower()}
        asks.append(sentence("questions", "near_clots" if clots else "near", about))
    return tuple(asks)
