"""What to ask about a medicine that no rule recognised: was another one meant, and does that one keep blood thin?"""

from __future__ import annotations

from functools import lru_cache

from waykeeper.gaps.words import sentence
from waykeeper.medicines.answers import CHANGED
from waykeeper.medicines.doubts import TOO_OFTEN
from waykeeper.medicines.model import CONFLICT
from waykeeper.medicines.outcome import BLANKET_GROUPS
from waykeeper.medicines.propose import REVIEW
from waykeeper.medicines.recognise import HINT, UNKNOWN_NAME, recognise
from waykeeper.medicines.ruleset import package_rules
from waykeeper.pathway.model import Coding
from waykeeper.plan.model import HoldProposal
from waykeeper.record.model import MedicineEntry


@lru_cache(maxsize=1024)
def _read(words: str, codes: tuple[Coding, ...]) -> tuple[bool, tuple[tuple[str, str], ...]]:
    """Whether code and words name different medicines; and those of nearly this name, each with its group."""
    rules = package_rules()
    found = recognise(MedicineEntry(key="", words=words, codes=codes), rules)
    near = tuple((name, rules.single[name].group) for name in dict.fromkeys(found.near) if name in rules.single)
    return any(f.code == CONFLICT for f in found.findings), near


def review_word(hold: HoldProposal) -> str:
    """The entry of the word table: nobody knows the medicine, its order is in doubt, or it is taken too often."""
    if TOO_OFTEN in hold.question:
        return "needs-review-too-often"
    return "needs-review-doubted" if hold.ingredients or _read(hold.words, hold.codes)[0] else "needs-review"


def questions(hold: HoldProposal) -> tuple[str, ...]:
    """The questions of a row that is not classified: what is not clear in the list, and which medicine may be meant."""
    why = hold.question.removeprefix(REVIEW).partition(f"; {CHANGED}")[0].partition(HINT)[0]
    asks = [sentence("questions", "unclear", {"why": why}).replace("?.", "?")] if why and why != UNKNOWN_NAME else []
    titles = package_rules().groups
    for name, group in _read(hold.words, hold.codes)[1]:
        clots = group in BLANKET_GROUPS
        about = {"near": name, "group": titles[group].lower()}
        asks.append(sentence("questions", "near_clots" if clots else "near", about))
    return tuple(asks)
