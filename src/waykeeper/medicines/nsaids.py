"""Five half-lives beside the practice lists; which of them counts is a named policy of the clinic."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from waykeeper.counting import counted
from waykeeper.medicines.model import HalfLife

ASK_FROM = 2  # days between list and arithmetic from which the row asks instead of proposing


@dataclass(frozen=True, slots=True)
class NsaidDays:
    """The missed days of a policy, the other figures by name, and why the prescriber is asked ("" = not)."""

    days: int
    others: tuple[tuple[str, int], ...]
    question: str
    arithmetic: tuple[str, ...]


def five_half_lives(hours: Fraction) -> int:
    """Whole missed days that cover five half-lives."""
    return math.ceil(5 * hours / 24)


def nsaid_days(half: HalfLife, policy: str) -> NsaidDays:
    """Choose by policy. NSAID_LARGER is the larger of five half-lives (upper) and the longest list."""
    upper, typical = five_half_lives(half.high), five_half_lives(half.typical)
    listed = max(half.lists, default=None)
    larger = max([upper, *half.lists])
    chosen = {
        "NSAID_LARGER": larger,
        "NSAID_LIST": listed or larger,
        "NSAID_5T12": typical,
        "NSAID_ALL_7D": max(7, larger),
    }[policy]
    figures = [("practice list", n) for n in half.lists]
    figures += [("5 half-lives, typical", typical), ("5 half-lives, upper", upper)]
    others = tuple(dict.fromkeys(f for f in figures if f[1] != chosen))
    question = ""
    if chosen < larger:
        question = f"{policy} is shorter than NSAID_LARGER: a prescriber's name is needed"
    elif policy != "NSAID_ALL_7D" and listed is not None and abs(listed - upper) >= ASK_FROM:
        list_days, half_days = counted(listed, "day"), counted(upper, "day")
        question = f"practice list ({list_days}) and five half-lives ({half_days}) differ: which counts?"
    line = f"5 x {float(half.high):g} h = {float(5 * half.high):g} h, in whole days {upper}"
    lists = f"; practice list {', '.join(str(n) for n in half.lists)}" if half.lists else "; no practice list"
    return NsaidDays(chosen, others, question, (f"{line}{lists}; {policy} takes {chosen}",))
