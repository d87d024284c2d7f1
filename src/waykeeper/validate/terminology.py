"""Which codes a value set holds and a code system knows, as far as it can be told offline."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

from waykeeper.validate.tables import code_system_record, value_set_record
from waykeeper.validate.ucum import is_unit

Test = Callable[[str], object]

UCUM = "http://unitsofmeasure.org"

_TWO_LETTERS_WORDS = (
    "aa ab ae af ak am an ar as av ay az ba be bg bh bi bm bn bo br bs ca ce ch co cr cs cu cv cy da de "
    "dv dz ee el en eo es et eu fa ff fi fj fo fr fy ga gd gl gn gu gv ha he hi ho hr ht hu hy hz ia id "
    "ie ig ii ik io is it iu ja jv ka kg ki kj kk kl km kn ko kr ks ku kv kw ky la lb lg li ln lo lt lu "
    "lv mg mh mi mk ml mn mr ms mt my na nb nd ne ng nl nn no nr nv ny oc oj om or os pa pi pl ps pt qu "
    "rm rn ro ru rw sa sc sd se sg si sk sl sm sn so sq sr ss st su sv sw ta te tg th ti tk tl tn to tr "
    "ts tt tw ty ug uk ur uz ve vi vo wa wo xh yi yo za zh zu sh mo in iw ji jw"
)
_TWO_LETTERS = frozenset(_TWO_LETTERS_WORDS.split())
_LANGUAGE = re.compile(r"([A-Za-z]{2,3})(-[A-Za-z0-9]{1,8})*", re.ASCII)


def is_language(code: str) -> bool:
    """A BCP 47 tag: a language of ISO 639-1, or three letters (ISO 639-2/3, not listed here), and subtags."""
    match = _LANGUAGE.fullmatch(code)
    return match is not None and (len(match[1]) == 3 or match[1].lower() in _TWO_LETTERS)


# Systems without a published list of codes, by the syntax of their codes.
_SYNTAX: dict[str, Test] = {
    "urn:ietf:bcp:13": re.compile(r"[^\s]+( [^\s]+)*").fullmatch,
    "urn:ietf:bcp:47": is_language,
    "urn:ietf:rfc:3986": re.compile(r"\S+").fullmatch,
}


@dataclass(frozen=True, slots=True)
class ValueSet:
    """A value set: the codes of each system; `codes` is None where not every code can be listed."""

    url: str
    by_system: dict[str, frozenset[str] | None]
    codes: frozenset[str] | None
    syntax: tuple[Test, ...] = ()
    known: bool = True

    def has_code(self, code: str) -> bool:
        """Whether a bare code may belong to the set; True where it cannot be told."""
        if self.codes is None or code in self.codes:
            return True
        return any(test(code) for test in self.syntax)

    def has(self, system: str | None, code: str) -> bool:
        """Whether system and code belong to the set; True where it cannot be told."""
        if not self.known:
            return True
        if system not in self.by_system:
            return False
        codes = self.by_system[system]
        if codes is not None:
            return code in codes
        test = _SYNTAX.get(system or "")
        return test is None or bool(test(code))


UNKNOWN = ValueSet("", {}, None, known=False)


@cache
def value_set(url: str) -> ValueSet:
    """The value set of a canonical url; one that holds everything where it is not shipped."""
    record = value_set_record(url)
    if record is None:
        return UNKNOWN
    by_system: dict[str, frozenset[str] | None] = {}
    for system, codes in record["in"]:
        _merge(by_system, system, system_codes(system) if codes is None else frozenset(codes))
    for system in record.get("open", []):
        by_system[system] = None
    for system, codes in record.get("out", []):
        held = by_system.get(system)
        if held is not None and codes is not None:
            by_system[system] = held - frozenset(codes)
    known = _import(by_system, record.get("sets", []))
    return _value_set(url, by_system, known)


def _merge(into: dict[str, frozenset[str] | None], system: str, codes: frozenset[str] | None) -> None:
    held = into.get(system, frozenset())
    into[system] = None if held is None or codes is None else held | codes


def _import(into: dict[str, frozenset[str] | None], urls: list[str]) -> bool:
    known = True
    for url in urls:
        imported = value_set(url)
        known &= imported.known
        for system, codes in imported.by_system.items():
            _merge(into, system, codes)
    return known


def _value_set(url: str, by_system: dict[str, frozenset[str] | None], known: bool) -> ValueSet:
    listed = [codes for codes in by_system.values() if codes is not None]
    unlisted = [system for system, codes in by_system.items() if codes is None]
    if not known or any(system not in _SYNTAX for system in unlisted):
        return ValueSet(url, by_system, None, known=known)
    codes = frozenset().union(*listed)
    return ValueSet(url, by_system, codes, tuple(_SYNTAX[system] for system in unlisted))


@cache
def system_codes(url: str) -> frozenset[str] | None:
    """Every code of a published code system, or None where the list is not known to be complete."""
    record = code_system_record(url)
    if record is None or record.get("content"):
        return None
    return frozenset(record["c"])


@cache
def _folded(url: str) -> frozenset[str] | None:
    record = code_system_record(url)
    if record is None or not record.get("ci"):
        return None
    return frozenset(code.casefold() for code in record["c"])


def is_unknown_code(system: str, code: str) -> bool:
    """Whether the code system is published whole and lacks this code."""
    if system == UCUM:
        return not is_unit(code)
    codes = system_codes(system)
    if codes is None or code in codes:
        return False
    folded = _folded(system)
    return folded is None or code.casefold() not in folded
