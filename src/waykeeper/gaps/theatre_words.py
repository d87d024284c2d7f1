"""What a theatre list writes in its own words of side, hour and anaesthetic -> what can be laid beside a plan.

How lists write: common practice, no source. What is not understood is None or empty, and the caller says that it was
not compared: a word is never guessed.
"""

from __future__ import annotations

import re
from datetime import time

from waykeeper.record import BOTH, sides_of_column, sides_of_name

# An anaesthetic with a needle at the spine or deep beside it. A list that names both means that one is possible.
_NEEDLE_WORDS = (
    r"(?:spinals?|spinal[- ]?ana?esth\w*|sub-?arachnoid|sab|intra-?thecal|epidurals?|peridural|extradural|caudal"
    r"|neuraxial|csea?|regional|ra|sa|raqu[ií]\w*|intradural|paravertebral|lumbar\s+plexus|psoas\s+compartment"
    r"|deep\W+block)"
)
_KIND = r"(?:\s+(?:ana?esth(?:esia|etics?)|block|catheter))?"
_NEEDLE = re.compile(rf"\b{_NEEDLE_WORDS}\b", re.IGNORECASE)
_DENIED = re.compile(
    rf"(?:\b(?:no|not(?:\s+(?:for|suitable\s+for))?|non|without|avoid(?:ing)?|never|sin|ohne|instead\s+of|rather\s+than)"
    rf"|\bw/o|(?<!ga )(?<!general )\b(?:refus|declin)(?:e[ds]|ing))"
    rf"[\s-]+(?:(?:an?|any)\s+)?{_NEEDLE_WORDS}{_KIND}(?:\s*(?:\bor\b|\bnor\b|/)\s*{_NEEDLE_WORDS}{_KIND})*\b"
    rf"|\b{_NEEDLE_WORDS}{_KIND}(?:\s*[:=]\s*no\b|(?:\s*:)?\s+(?:(?:is|was)\s+)?(?:refused|declined|contra-?indicated"
    rf"|not\s+(?:possible|suitable|planned|wanted|indicated|advised)))(?!\s+(?:ga|general)\b)",
    re.IGNORECASE,
)
_UNSURE = re.compile(
    r"\?|\b(?:if|unless|until|prefer\w*|ideally|probabl[ey]|likely|maybe|perhaps|(?<!not )possibl[ey]|discuss\w*)\b",
    re.IGNORECASE,
)
_WITHOUT = frozenset({"general", "gen", "ga", "geta", "gett", "lma", "ett", "tiva", "mac", "local", "la"})
_BESIDE = frozenset({
    "anaesthesia", "anesthesia", "anaesthetic", "anesthetic", "anaes", "and", "with", "plus", "only", "under", "iv",
    "sedation", "infiltration", "intubation", "pt", "patient",
})  # fmt: skip
_SUPERFICIAL = re.compile(r"\bsuperficial\W+block\b", re.IGNORECASE)

_NAMED_PART = re.compile(
    r"(?:(am|a\.m\.?|morning)|(pm|p\.m\.?|afternoon|evening))(?:\s+(?:list|session))?", re.IGNORECASE
)
_NOON = 12


def sides(column: str, procedure: str) -> tuple[frozenset[str], frozenset[str]]:
    """The sides that the column of the side names, and those in the words of the operation."""
    return sides_of_column(column), sides_of_name(procedure)


def other_side(column: str, procedure: str, planned: str) -> str:
    """The words of a list that name another side than the planned one, or both; "" where none do.

    A column that agrees lets an operation name the other side too (bone from there), but not alone.
    """
    in_column, in_name = sides(column, procedure)
    if in_column and in_column != {planned}:
        return column
    if in_name and (planned not in in_name or (not in_column and len(in_name) > 1)):
        return procedure
    return ""


def names_both(column: str, procedure: str) -> bool:
    """Whether a list has one operation on both sides; a column that names one of them is of that one."""
    in_column, in_name = sides(column, procedure)
    return (in_column or in_name) == BOTH


def needle(anaesthetic: str) -> bool | None:
    """Whether a needle at the spine or deep beside it is possible; None where the words do not say.

    A needle that is ruled out (`GA, no spinal`) is none, unless the words leave it open (`no spinal if INR high`).
    """
    rest = anaesthetic if _UNSURE.search(anaesthetic) else _DENIED.sub(" ", anaesthetic)
    if _NEEDLE.search(rest):
        return True
    denied = rest != anaesthetic
    rest, superficial = _SUPERFICIAL.subn(" ", rest)
    words = re.findall(r"\w+", re.sub(r"(?<=\b\w)\.(?=\w\b|\W|$)", "", rest).lower())
    told = denied or superficial or not _WITHOUT.isdisjoint(words)
    return False if told and set(words) <= _WITHOUT | _BESIDE else None


def part_of_day(hour: str) -> str:
    """`am` or `pm` where a list names only the half of the day, else ""."""
    found = _NAMED_PART.fullmatch(hour.strip())
    return "" if not found else "am" if found[1] else "pm"


def in_part(planned: time, part: str) -> bool:
    """Whether an hour lies in a half of the day."""
    return (planned.hour < _NOON) is (part == "am")
