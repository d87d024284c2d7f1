"""Our complex extensions as name -> values, and back. One way to write a value, so that digests are stable."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

import orjson

from waykeeper.pathway.model import Coding
from waykeeper.timing.model import Moment

TRANSLATION = "http://hl7.org/fhir/StructureDefinition/translation"
Said = Mapping[str, Sequence[Any]]  # what `decode` gives
POSITIVE = {"round", "order", "harm", "minutes", "episode", "scheme"}


def encode(url: str, pairs: Iterable[tuple[str, Any]]) -> dict[str, Any]:
    """A complex extension with a sub-extension for each value; None, "" and empty tuples are left out."""
    parts: list[dict[str, Any]] = []
    for name, value in pairs:
        kind = type(value)
        if kind is str:  # first, because nearly all are texts
            if value:
                parts.append({"url": name, "valueString": value})
        elif kind is tuple:
            parts += [_part(name, one) for one in value]
        elif value is not None:
            parts.append(_part(name, value))
    return {"url": url, "extension": parts}


def _part(name: str, value: Any) -> dict[str, Any]:
    kind = type(value)
    if kind is str:
        return {"url": name, "valueString": value}
    if kind is bool:
        return {"url": name, "valueBoolean": value}
    if kind is int:
        return {"url": name, "valuePositiveInt" if name in POSITIVE else "valueInteger": value}
    if kind is Moment:
        return {"url": name, "valueDateTime": str(value)}
    if kind is date:
        return {"url": name, "valueDate": value.isoformat()}
    if kind is Coding:
        return {"url": name, "valueCoding": coding(value)}
    if kind is dict:  # already a nested extension
        return {"url": name, **value}
    return {"url": name, "valueString": str(value)}


def decode(extension: Mapping[str, Any] | None, zone: str) -> Said:
    """The values by name; dateTimes become Moments in the zone, dates become dates."""
    return _decoded(orjson.dumps(extension), zone) if extension else {}


@lru_cache(maxsize=4096)  # the plans of a caseload say the same things of the same items
def _decoded(extension: bytes, zone: str) -> Said:
    found: dict[str, list[Any]] = {}
    for part in orjson.loads(extension).get("extension") or ():
        found.setdefault(str(part.get("url")), []).append(_value(part, zone))
    return {name: tuple(values) for name, values in found.items()}


def first_of(said: Said, name: str) -> Any:
    """The first value of a name, None where there is none."""
    return said[name][0] if said.get(name) else None


def text_of(said: Said, name: str) -> str:
    """The first value of a name as text, "" where there is none."""
    held = said.get(name)
    return str(held[0]) if held else ""


def texts_of(said: Said, name: str) -> tuple[str, ...]:
    """Every value of a name as text."""
    return tuple(map(str, said.get(name, ())))


def firsts(extension: Mapping[str, Any], names: Collection[str]) -> dict[str, Any]:
    """The first value of each of these names, as `decode` gives it in UTC; the rest is not looked at."""
    found: dict[str, Any] = {}
    for part in extension.get("extension") or ():
        name = part.get("url")
        if name in names and name not in found:
            text = part.get("valueString")
            found[name] = _value(part, "UTC") if text is None else text
            if len(found) == len(names):
                break
    return found


def _value(part: Mapping[str, Any], zone: str) -> Any:
    for name, value in part.items():
        if name == "url":
            continue
        if name == "valueString":  # first, because nearly all are texts
            return value
        if name == "valueDateTime":
            return moment(str(value), zone)
        if name == "valueDate":
            return date.fromisoformat(value)
        if name == "valueCoding":
            return Coding(value.get("system", ""), value.get("code", ""), value.get("display", ""))
        if name.startswith("value"):
            return value
    return part


@lru_cache(maxsize=16384)  # a caseload says the same days again and again
def moment(text: str, zone: str) -> Moment:
    """A FHIR date or dateTime as a moment of the zone."""
    if "T" not in text:
        return Moment(date.fromisoformat(text))
    local = datetime.fromisoformat(text).astimezone(ZoneInfo(zone))
    return Moment(local.date(), local.time().replace(tzinfo=None, fold=0), zone, local.fold)


def amount(text: str) -> Decimal | None:
    """A number written as text; None where there is none, or something else."""
    try:
        found = Decimal(text) if text else None
    except ArithmeticError:
        return None
    return found if found is not None and found.is_finite() else None


def find(resource: Mapping[str, Any], url: str) -> Mapping[str, Any] | None:
    """The resource's extension of this url, or None."""
    for extension in resource.get("extension") or ():
        if extension.get("url") == url:
            return extension  # type: ignore[no-any-return]
    return None


def coding(value: Coding) -> dict[str, Any]:
    """A FHIR Coding."""
    full = {"system": value.system, "code": value.code, "display": value.display}
    return {k: v for k, v in full.items() if v}


def with_translations(element: str, words: Mapping[str, str]) -> dict[str, Any]:
    """`element` and `_element` for a text in several languages; the first language is the main one."""
    if not words:
        return {}
    main, *others = ordered(words)
    found: dict[str, Any] = {element: words[main]}
    if others:
        found[f"_{element}"] = {
            "extension": [
                {
                    "url": TRANSLATION,
                    "extension": [{"url": "lang", "valueCode": lang}, {"url": "content", "valueString": words[lang]}],
                }
                for lang in others
            ]
        }
    return found


def words_of(holder: Mapping[str, Any], element: str, main: str) -> dict[str, str]:
    """The reverse of `with_translations`; `main` is the language of the element itself."""
    if not holder.get(element):
        return {}
    found = {main or "en": str(holder[element])}
    for extension in (holder.get(f"_{element}") or {}).get("extension") or []:
        if extension.get("url") == TRANSLATION:
            parts = {p["url"]: p.get("valueCode") or p.get("valueString") for p in extension.get("extension") or []}
            found[str(parts.get("lang"))] = str(parts.get("content"))
    return found


def ordered(words: Mapping[str, str]) -> list[str]:
    """The languages, English first where it is there, else as they sort."""
    return sorted(words, key=lambda lang: (lang != "en", lang))
