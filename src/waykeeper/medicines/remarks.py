"""What the words of an order say against its being taken as ordered: stopped, on hold, around an operation, changed.

Instructions and notes are free text, so nothing of them is believed: they are quoted, and it is asked.
"""

from __future__ import annotations

import re
from functools import lru_cache

from waykeeper.medicines.recognise import Recognised
from waykeeper.medicines.ruleset import Ruleset
from waykeeper.medicines.spelling import normalise
from waykeeper.medicines.words import read_words
from waykeeper.record.model import MedicineEntry

_CLAUSES = re.compile(r"[;,()\[\]\n]+|\.(?=\s|$)|\s[-–—]+\s")
_MONTH = (
    r"(?:january|february|march|april|june|july|august|september|october|november|december|enero|febrero|marzo|abril"
    r"|mayo|junio|julio|agosto|septiembre|octubre|noviembre|diciembre|jan|feb|mar|apr|jun|jul|aug|sept?|oct|nov|dec"
    r"|may(?= \d)|(?<=\d )may)\b"  # `may` beside a number is the month
)
_DAY = (
    rf"(?:(?:the |el )?(?:\d{{1,2}} (?:st |nd |rd |th )?)?(?:of |de )?{_MONTH}"
    r"|(?:19|20)\d\d\b|\d{1,2} \d{1,2} \d{2,4}\b)"
)
# What is said of what may happen, or must not: `until finished`, `should be held if ...`, `must not be stopped`.
_NOT_SAID_OF_NOW = re.compile(
    r"\b(?:not|never|dont|cannot)(?: \w+){0,2} (?:be )?(?:stopped|discontinued|held|paused|withheld|suspended)\b"
    r"|\b(?:should|may|can|could|must) be (?:stopped|discontinued|held|paused|withheld|suspended)\b"
    r"|\bto be (?:stopped|held|withheld) (?:if|for|when)\b.*"
    r"|\b(?:until|till|unless|hasta que|si|cuando|tras|despues de|antes de|(?:when|if)(?! needed| required| necessary)"
    r"|once(?! dail| a | per | each| every| week| night| in | at )"
    rf"|(?:after|before)(?! meal| food| eat| bed| breakfast| lunch| dinner| supper))\b(?! {_DAY}).*"
    r"|\bsuspended in\b|\b(?:stopped smoking|(?:dejo|dejado) de fumar)\b|\buna vez (?:terminad|finalizad)[ao]s?\b"
)
_NOT_TAKEN = re.compile(
    r"\b(?:stopped|discontinued|d c|d cd|dcd?|finished|completed|ended|ceased|on hold|paused|withheld|suspended"
    r"|no longer(?! than)|not needed any ?more|out of stock|ran out"
    r"|(?<!do )not (?!be \w+ (?:with|within|together|more)\b)(?:\w+ )?(?:taking|taken|using|started|tolerated)"
    r"|never (?:taken|took|started|filled|picked up)"
    r"|(?:does|did|has|is|was)(?:nt| not) (?:\w+ )?(?:take|taken|taking|start|started|tolerate|using)"
    r"|(?:been|is|currently) held|held (?:since|by|until|till|from|pending)"
    r"|(?:patient|pt|is) (?:allergic|intolerant)|(?:allergic|allergy|intolerance) to"
    r"|(?:switched|changed|converted) (?:to|from) (?!\d|half|one|two|once|twice|bedtime|evening|morning|night)"
    r"|replaced (?:by|with) (?!a |new|every)"
    r"|(?:dejo|dejado|dejaron|dejo de|dejado de)(?: de)?|ya no|no (?:l[aeo]s? )?(?:toma|tomo|usa|ha tomado|ha empezado)"
    r"|no (?:l[aeo]s? )?(?:esta|estoy) (?:tomando|usando)|suspendid[ao]s?|terminad[ao]s?|finalizad[ao]s?|retirad[ao]s?"
    r"|interrumpid[ao]s?|en pausa|cambiad[ao] (?:a|por) (?!\d)|sustituid[ao]|alergic[ao] a)\b"
    rf"|\b(?:until|till|hasta) {_DAY}|^held$"
)
# Its day stands anywhere behind it, and is looked for once: in one expression with `.*` a long text takes minutes.
_LAST = re.compile(r"\b(?:last (?:dose|taken|tablet|injection|infusion)|ultima (?:dosis|toma|inyeccion))\b")
_ANY_DAY = re.compile(_DAY)
_THEN_STOP = re.compile(r"\b(?:then|and) (?:stop|discontinue)\b|\b(?:luego|y) (?:parar|suspender)\b")
_AROUND = re.compile(
    r"\b(?:surger(?:y|ies)|operations?|(?:post|pre) ?op(?:erative(?:ly)?)?|perioperative(?:ly)?|cirugia|operacion"
    r"|(?:post|pre)operatori[ao])\b"
)
_TAKEN, _WHICH = "is it taken now?", "is it of this operation, and what was agreed?"
_AVOIDED = re.compile(r"\b(?:avoid|do not|dont|without|not with|evite|evitar|no (?:tomar|tome))\b")


def remarks_question(entry: MedicineEntry, known: Recognised, rules: Ruleset) -> str:
    """What is asked because of the words of an order, each quoted; "" where they say nothing against it."""
    clauses = [c for text in (entry.dose_text, *entry.remarks) for c in _clauses(text)]
    courses = all("steroid" in rules.ingredients[n].tags for n in known.ingredients)  # their courses are asked by rule
    taken = [c for c in clauses if _says_not_taken(c) or (not courses and _THEN_STOP.search(normalise(c)))]
    around = [c for c in clauses if _AROUND.search(normalise(c))]
    asked = [f"its order says {_quoted(taken)}: {_TAKEN}"] if taken else []
    asked += [f"its order speaks of an operation, {_quoted(around)}: {_WHICH}"] if around else []
    for clause in clauses:
        others = _other_thinners(clause, known, rules)
        if others:
            names = " and ".join(others)
            asked.append(f"its order names {names} too, {_quoted([clause])}: is that taken as well, or in its place?")
    return "; ".join(dict.fromkeys(asked))


def _clauses(text: str) -> list[str]:
    return [c.strip() for c in _CLAUSES.split(text) if c.strip()]


@lru_cache(maxsize=4096)
def _says_not_taken(clause: str) -> bool:
    said = " ".join(_NOT_SAID_OF_NOW.sub(" ", normalise(clause)).split())
    last = _LAST.search(said)
    return bool(_NOT_TAKEN.search(said) or (last and _ANY_DAY.search(said, last.end())))


def _other_thinners(clause: str, known: Recognised, rules: Ruleset) -> list[str]:
    """Blood thinners that a clause names beside the medicine of the row, unless it says to keep away from them.

    One that is dropped in silence bleeds; what other medicines a text names is often only how far apart to take them.
    """
    if _AVOIDED.search(normalise(clause)):
        return []
    named = read_words(clause, rules).ingredients
    return [n for n in named if n not in known.ingredients and "antithrombotic" in rules.ingredients[n].tags]


def _quoted(clauses: list[str]) -> str:
    return ", ".join(f'"{c}"' for c in dict.fromkeys(clauses))
