"""Which substances is a row about? An exact code or an exact name classifies; anything less only asks."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache

from waykeeper.findings import Finding, finding
from waykeeper.medicines.ruleset import RXNORM, Ruleset
from waykeeper.medicines.spelling import normalise
from waykeeper.medicines.words import Reading, ended_words, near_names, read_words, vocabulary
from waykeeper.quickly_made import quickly_made
from waykeeper.record.model import MedicineEntry, Part

UNKNOWN_NAME = "not recognised"
HINT = "; did you mean "


@quickly_made
@dataclass(frozen=True, slots=True)
class Recognised:
    """What a row is about; without ingredients it was not recognised and `question` says why.

    named   substances that are known, but that no rule may answer for: the row contradicts itself
    doubt   what is asked although a rule answers: the row is about more substances than its name says
    """

    ingredients: tuple[str, ...] = ()
    reading: Reading = Reading()
    question: str = ""
    notes: tuple[str, ...] = ()
    near: tuple[str, ...] = ()
    named: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class _Coded:
    """What the codes of a row say: ingredients by known codes, codes from memory, whole readings of displays.

    others   whole readings of displays of other systems than RxNorm: they classify nothing, but they may contradict
    """

    known: tuple[str, ...]
    unsure: tuple[str, ...]
    displays: tuple[tuple[str, ...], ...]
    others: tuple[tuple[str, ...], ...]


def recognise(entry: MedicineEntry, rules: Ruleset) -> Recognised:
    """Read code, words and ingredients of a row; where they disagree, or any is in doubt, the answer is a question."""
    known = _by_name(entry, rules)
    if not entry.parts or known.reading.turned or any(f.code == "WKM201" for f in known.findings):
        return known
    return _with_parts(entry, known, rules)


def _with_parts(entry: MedicineEntry, known: Recognised, rules: Ruleset) -> Recognised:
    """A name beside the ingredients that the Medication lists: a trade name is known by them, and none of them is lost.

    Ingredients that the name does not say are held to their rules, and asked about. Where each says what the other
    does not, nobody chooses.
    """
    told = [p for p in entry.parts if not _says_nothing(p, bool(known.ingredients))]
    read = [(p, _part(p, rules)) for p in told]
    listed = tuple(dict.fromkeys(name for _, names in read for name in names))
    unread = [p.words or "one without a name" for p, names in read if not names]
    coded = _coded(entry, rules)
    spoken = {*known.ingredients, *known.reading.ingredients, *coded.known, *coded.unsure}
    spoken.update(name for display in coded.displays for name in display)
    near = tuple(dict.fromkeys((*sorted(spoken), *listed, *known.near)))
    if unread:
        beside = f" beside {' and '.join(listed)}" if listed else ""
        why = f"its ingredients name {' and '.join(unread)}{beside}, which is not recognised"
        if known.ingredients and set(listed) <= set(known.ingredients):
            return replace(known, doubt=why)  # the rule of the name stands, and its last dose
        asks = why if known.ingredients else f"{why}; {known.question}"
        found = known.findings or (finding("WKM202", f"{entry.words!r}: {why}"),)
        return replace(known, ingredients=(), question=asks, near=near, findings=found)
    if set(listed) <= set(known.ingredients):
        return known
    names, said = " and ".join(listed), " and ".join(sorted(spoken))
    if not spoken <= set(listed):
        conflict = finding("WKM201", f"the name {entry.words!r} says {said}, its ingredients say {names}")
        return Recognised(reading=known.reading, question=conflict.details, near=near, findings=(conflict,))
    if not known.ingredients and set(near) - set(listed):
        return known
    note = f"recognised by its ingredients: {names}"
    doubt = (
        f"the name says {said} only, its ingredients {names}: which is it?" if set(listed) - spoken and spoken else ""
    )
    return replace(
        known, ingredients=listed, question="", near=(), findings=(), notes=(*known.notes, note), doubt=doubt
    )


def _part(part: Part, rules: Ruleset) -> tuple[str, ...]:
    """The substances of an ingredient, also as `Product containing apixaban (medicinal product)`."""
    found = _by_name(MedicineEntry("", words=part.words, codes=part.codes), rules).ingredients
    return (
        found or _by_name(MedicineEntry("", words=_WRITTEN.sub(" ", part.words), codes=part.codes), rules).ingredients
    )


_WRITTEN = re.compile(
    r"\((?:substance|medicinal product|product|medicinal product form|clinical drug)\)"
    r"|^\s*products? containing (?:only )?(?:precisely )?|[\s-]containing products?\b"
    r"|\b(?:hydrogen|bisulfate|sulfate|monohydrate|anhydrous)\b",
    re.IGNORECASE,
)


def _says_nothing(part: Part, named: bool) -> bool:
    """True for what no medicine is made of it by, and, beside a name that is known, for a part without words."""
    bare = not part.words.strip() or any(part.words.strip() == c.code for c in part.codes)
    return normalise(_WRITTEN.sub(" ", part.words)) in _excipients() or (named and bare and not _known_code(part))


def _known_code(part: Part) -> bool:
    return any(c.system == RXNORM for c in part.codes)


@cache
def _excipients() -> frozenset[str]:
    return frozenset(normalise(w) for w in vocabulary()["excipients"])


def _by_name(entry: MedicineEntry, rules: Ruleset) -> Recognised:
    said, brand = _said(entry, rules)
    coded = _coded(entry, rules)
    if said.turned:
        return _asked(entry, said, "the words may say that it is not taken", rules)
    conflict = _conflict(entry, said, coded)
    if conflict:
        shown = (n for display in (*coded.displays, *coded.others) for n in display)
        meant = tuple(dict.fromkeys((*coded.known, *coded.unsure, *shown)))
        near = tuple(dict.fromkeys((*meant, *said.ingredients)))
        return Recognised(reading=said, question=conflict.details, near=near, findings=(conflict,))
    sure = coded.known or next(iter(coded.displays), ())
    if said.whole:
        return Recognised(said.ingredients, said, notes=(*brand, *_doubt(coded)))
    if not said.ingredients and not said.left and sure:
        return Recognised(sure, said, notes=("recognised by its code, no words given",))
    if sure and set(said.ingredients) == set(sure):
        return Recognised(sure, said, notes=(f"words not understood: {' '.join(said.left)}",))
    if sure:
        why = f"the code says {' and '.join(sure)}, but the words do not say so"
        return _asked(entry, said, why, rules)
    return _asked(entry, said, _why(said), rules)


# A branded product ends with its brand in brackets: `apixaban 5 MG Oral Tablet [Eliquis]` (NLM, RxNorm overview, term
# type SBD; from memory). Only RxNorm's own names keep to that: in any other text a bracket may hold `stopped`.
_BRANDED = re.compile(r"(.*\S)\s*\[([^\[\]]+)\]\s*")
_BRAND = re.compile(r"[A-Z][A-Za-z]*(?:-[A-Za-z]+)*(?: [A-Z][A-Za-z]*(?:-[A-Za-z]+)*){0,2}")  # one to three such words


def _said(entry: MedicineEntry, rules: Ruleset) -> tuple[Reading, tuple[str, ...]]:
    """What the words say, and a note where they are RxNorm's name of a branded product, which is read without it."""
    if _is_code(entry):
        return read_words("", rules), ()
    plain, brand = entry.words, ""
    if any(c.system == RXNORM and c.code and normalise(c.display) == normalise(entry.words) for c in entry.codes):
        plain, brand = _without_brand(entry.words, rules)
    return read_words(plain, rules), (f"sold as {brand}",) if brand else ()


def _without_brand(name: str, rules: Ruleset) -> tuple[str, str]:
    """A name of RxNorm and its brand; the whole name and "" where the brackets hold anything that is no brand."""
    found = _BRANDED.fullmatch(name)
    if not found:
        return name, ""
    return (found[1], found[2]) if _is_brand(found[2].strip(), rules) else (name, "")


def _is_brand(text: str, rules: Ruleset) -> bool:
    """True for one to three words that begin with a capital and that nobody has read: no word that says anything else,
    and no name of a medicine, not even one that is written nearly so."""
    held = read_words(text, rules)
    tokens = normalise(text).split()
    if not _BRAND.fullmatch(text) or held.turned or held.ingredients or len(held.left) != len(tokens):
        return False
    return not ended_words().intersection(tokens) and not near_names(held.left, rules)


def _is_code(entry: MedicineEntry) -> bool:
    return any(entry.words.strip() == c.code for c in entry.codes)


def _coded(entry: MedicineEntry, rules: Ruleset) -> _Coded:
    codings = [c for c in entry.codes if c.system == RXNORM]
    named = [rules.codes[c.code] for c in codings if c.code in rules.codes]
    unsure = tuple(dict.fromkeys(n for n in named if rules.ingredients[n].unsure))
    known = tuple(dict.fromkeys(n for n in named if not rules.ingredients[n].unsure))
    readings = [
        read_words(_without_brand(c.display, rules)[0] if c.code else c.display, rules) for c in codings if c.display
    ]
    displays = tuple(dict.fromkeys(r.ingredients for r in readings if r.whole))
    foreign = [read_words(_WRITTEN.sub(" ", c.display), rules) for c in entry.codes if c.system != RXNORM and c.display]
    return _Coded(known, unsure, displays, tuple(dict.fromkeys(r.ingredients for r in foreign if r.whole)))


def _conflict(entry: MedicineEntry, said: Reading, coded: _Coded) -> Finding | None:
    """Two statements of one row that name different substances: never choose between them."""
    by_code = set(coded.known) | set(coded.unsure)
    sides = [*(set(d) for d in (*coded.displays, *coded.others)), by_code, set(said.ingredients)]
    spoken = [s for s in sides if s]
    if all(s == spoken[0] for s in spoken):
        return None
    codes = ", ".join(f"{c.code} ({c.display})" if c.display else c.code for c in entry.codes)
    named = " / ".join(dict.fromkeys(" + ".join(sorted(s)) for s in spoken))
    return finding("WKM201", f"code {codes} and the words {entry.words!r} name different medicines: {named}")


def _doubt(coded: _Coded) -> tuple[str, ...]:
    return ("its RxNorm code could not be verified; recognised by name",) if coded.unsure else ()


def _why(said: Reading) -> str:
    if said.ingredients:
        named, left = " and ".join(said.ingredients), " ".join(said.left)
        return f"beside {named} there are words that were not understood: {left}"
    return UNKNOWN_NAME


def _asked(entry: MedicineEntry, said: Reading, why: str, rules: Ruleset) -> Recognised:
    near = () if said.turned else near_names(said.left, rules)
    hint = f"{HINT}{' or '.join(near)}?" if near else ""
    code, details = ("WKM203", "looks like") if near else ("WKM202", "is not recognised as")
    words = normalise(entry.words) or "(no words)"
    found = finding(code, f"{words!r} {details} {' or '.join(near) if near else 'any medicine of the rules'}")
    named = said.ingredients if said.turned else ()
    asks = f"{why}{hint}"
    return Recognised(reading=said, question=asks, near=(*said.ingredients, *near), named=named, findings=(found,))
