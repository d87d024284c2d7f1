"""Gaps -> a letter and a call script for each patient whose rows were chosen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Unpack

from waykeeper.findings import Finding, WaykeeperError, finding
from waykeeper.gaps import Row
from waykeeper.gaps.model import TO_COMPLETE
from waykeeper.plan.model import Plan, State
from waykeeper.report.interface import languages
from waykeeper.report.letters import call_script_html, letter_html
from waykeeper.report.permit import refusal
from waykeeper.verbs import words
from waykeeper.verbs.comparing import Asked, GapReport, with_plans
from waykeeper.verbs.words import PathText

KINDS = ("both", "letter", "call")
_NO_LETTER = "WKO008"  # no visit of the plan needs one


@dataclass(frozen=True, slots=True)
class Letters:
    """What is written for one plan: HTML, "" for nothing. `why` says why something is not written."""

    plan: Plan
    letter: str = ""
    call: str = ""
    language: str = ""
    why: tuple[Finding, ...] = ()


def letters(
    *sources: PathText, kind: str = "both", language: str = "", fallback: str = "en", **asked: Unpack[Asked]
) -> tuple[Letters, ...]:
    """Letters and call scripts about the gaps that the filters leave, one entry for each plan that has any.

    kind       letter, call or both
    language   of what the patient reads or hears; by default the patient's own, where there are words in it
    fallback   where there are none
    asked      as_of, theatre_list, mapping and the filters of `gaps`

    For a patient who died, withdrew or whose surgery is suspended nothing is written, and the entry says why. Rows that
    somebody put off are in neither.
    """
    known(kind, language)
    return letters_of(with_plans(*sources, **asked), kind=kind, language=language, fallback=fallback)


def known(kind: str, language: str) -> None:
    """Raises WaykeeperError WKC201 where one of the two is no such word; asked before anything is read."""
    words.choice(kind, KINDS, "--kind")
    words.choice(language, languages(), "--language")


def letters_of(
    found: GapReport, *, kind: str = "both", language: str = "", fallback: str = "en"
) -> tuple[Letters, ...]:
    """The same about a report `with_plans` that was made before: its `findings` say what was noticed on the way."""
    known(kind, language)
    day = found.worklist.as_of
    rows = [row for row in found.worklist.gaps if row.verdict != TO_COMPLETE]  # nobody calls a patient about that
    ranks: dict[tuple[str, int, str], int] = {}
    for row in rows:
        ranks.setdefault((row.identifier, row.episode, row.pathway), len(ranks))
    pairs = [(ranks[mine], plan, state) for plan, state in found.plans if (mine := _name(plan)) in ranks]
    ordered = sorted(pairs, key=lambda p: p[0])
    return tuple(_letters(plan, state, rows, day, kind, language, fallback) for _, plan, state in ordered)


def _name(plan: Plan) -> tuple[str, int, str]:
    return (str(plan.patient.identifier), plan.episode.number, plan.pathway.name)


def _letters(
    plan: Plan, state: State, rows: Sequence[Row], day: date, kind: str, language: str, fallback: str
) -> Letters:
    stopped = refusal(plan, state)
    if stopped is not None:
        return Letters(plan, why=(stopped,))
    own = plan.patient.language.partition("-")[0].lower()
    speaks = language or (own if own in languages() else fallback)
    if own and own not in languages() and not language:
        details = f"the patient speaks {own!r}, there are no words in it: choose with --language"
        return Letters(plan, why=(finding("WKC208", details),))
    letter, call = "", ""
    why: list[Finding] = []
    if kind in ("both", "letter"):
        try:
            letter = letter_html(plan, state, rows, as_of=day, language=speaks)
        except WaykeeperError as none:
            if [f.code for f in none.findings] != [_NO_LETTER]:
                raise
            why += none.findings
    if kind in ("both", "call"):
        call = call_script_html(plan, state, rows, as_of=day, language=speaks)
    return Letters(plan, letter, call, speaks, tuple(why))
