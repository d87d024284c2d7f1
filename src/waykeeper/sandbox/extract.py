"""What the index holds of a resource: tokens, references, dates and strings, read by the table of parameters."""

from __future__ import annotations

import calendar
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from waykeeper.sandbox.parameters import Parameter, Path, Step, table
from waykeeper.sandbox.resource_json import Resource

FOREVER = 253402300800000  # the first millisecond of year 10000: an open end
NEVER = -FOREVER

_MOMENT = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d)(\.\d+)?)?(Z|[+-]\d\d:\d\d)?)?)?)?")
_LITERAL = re.compile(
    r"(?:(?P<base>https?://.*)/)?(?P<type>[A-Z][A-Za-z]+)/(?P<id>[A-Za-z0-9.-]{1,64})(?:/_history/(?P<version>[A-Za-z0-9.-]+))?"
)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(slots=True)
class Rows:
    """The index rows of one resource, one list a table; each row begins with the parameter's key."""

    token: list[tuple[str, str, str]] = field(default_factory=list)  # key, system, code
    reference: list[tuple[str, str, str]] = field(default_factory=list)  # key, type, id (or "", canonical)
    date: list[tuple[str, int, int]] = field(default_factory=list)  # key, first ms, first ms after
    string: list[tuple[str, str, str]] = field(default_factory=list)  # key, folded, as it is
    links: list[tuple[str, str]] = field(default_factory=list)  # type, id of every literal reference


@dataclass(frozen=True, slots=True)
class Literal:
    """A literal reference taken apart; `base` is "" for a relative one."""

    base: str
    type: str
    id: str
    version: str


def literal(text: str) -> Literal | None:
    """Take `Type/id`, `Type/id/_history/n` or an absolute form of it apart; None for anything else."""
    found = _LITERAL.fullmatch(text)
    if not found:
        return None
    return Literal(found["base"] or "", found["type"], found["id"], found["version"] or "")


def milliseconds(moment: datetime) -> int:
    """Milliseconds since 1970 (UTC), without the rounding of floats."""
    return (moment - _EPOCH) // timedelta(milliseconds=1)


def bounds(text: str) -> tuple[int, int] | None:
    """A FHIR date, dateTime or instant as [first ms, first ms after); no zone = UTC; None if it is none.

    Date-only values are whole days in UTC, as the server's zone.
    """
    found = _MOMENT.fullmatch(text)
    if not found:
        return None
    year, month, day, hour, minute, second, fraction, zone = found.groups()
    try:
        start = datetime(int(year), int(month or 1), int(day or 1), int(hour or 0), int(minute or 0), tzinfo=UTC)
        start += timedelta(seconds=int(second or 0), microseconds=int(float(fraction or 0) * 1_000_000))
        start -= _offset(zone)
        after = start + _width(found)
    except (ValueError, OverflowError):
        return None
    return milliseconds(start), milliseconds(after)


def _offset(zone: str | None) -> timedelta:
    if not zone or zone == "Z":
        return timedelta(0)
    size = timedelta(hours=int(zone[1:3]), minutes=int(zone[4:6]))
    return -size if zone[0] == "-" else size


def _width(found: re.Match[str]) -> timedelta:
    year, month, day, hour, _, second, fraction, _ = found.groups()
    if fraction:
        return timedelta(milliseconds=1)
    if hour:
        return timedelta(seconds=1) if second else timedelta(minutes=1)
    if day:
        return timedelta(days=1)
    if month:
        return timedelta(days=calendar.monthrange(int(year), int(month))[1])
    return timedelta(days=366 if calendar.isleap(int(year)) else 365)


def folded(text: str) -> str:
    """Text as string search compares it: case and accents do not count."""
    import unicodedata

    plain = unicodedata.normalize("NFKD", text)
    return "".join(c for c in plain if not unicodedata.combining(c)).casefold()


def _children(value: Any, step: Step) -> Iterator[Any]:
    if not isinstance(value, dict):
        return
    if step.choice:
        found = [v for k, v in value.items() if k.startswith(step.name) and k[len(step.name) :][:1].isupper()]
    else:
        found = [value[step.name]] if step.name in value else []
    for one in found:
        for item in one if isinstance(one, list) else [one]:
            if step.where is None or (isinstance(item, dict) and item.get(step.where[0]) == step.where[1]):
                yield item


def values(resource: Resource, path: Path) -> list[Any]:
    """The values under a path, lists flattened."""
    found: list[Any] = [resource]
    for step in path.steps:
        found = [child for one in found for child in _children(one, step)]
    return found


def _tokens(value: Any) -> Iterator[tuple[str, str]]:
    if isinstance(value, bool):
        yield "", "true" if value else "false"
    elif isinstance(value, str):
        yield "", value
    elif isinstance(value, dict):
        if "coding" in value:
            for coding in value["coding"]:
                yield from _tokens(coding)
        elif "code" in value:  # Coding
            yield str(value.get("system", "")), str(value["code"])
        elif "value" in value:  # Identifier, ContactPoint
            yield str(value.get("system", "")), str(value["value"])


def _date(value: Any) -> Iterator[tuple[int, int]]:
    if isinstance(value, str):
        found = bounds(value)
        if found:
            yield found
    elif isinstance(value, dict):
        yield from _span(value)


def _span(value: Resource) -> Iterator[tuple[int, int]]:
    """A Period, or a Timing by its outer limits."""
    if "repeat" in value or "event" in value:
        events = [b for e in value.get("event", ()) for b in _date(e)]
        period = value.get("repeat", {}).get("boundsPeriod")
        events += list(_span(period)) if isinstance(period, dict) else []
        if events:
            yield min(e[0] for e in events), max(e[1] for e in events)
        return
    start, end = bounds(str(value.get("start", ""))), bounds(str(value.get("end", "")))
    if start or end:
        yield start[0] if start else NEVER, end[1] if end else FOREVER


def _strings(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):  # HumanName, Address
        for key in (
            "text",
            "family",
            "given",
            "prefix",
            "suffix",
            "line",
            "city",
            "district",
            "state",
            "postalCode",
            "country",
        ):
            found = value.get(key, ())
            yield from [found] if isinstance(found, str) else [one for one in found if isinstance(one, str)]


def _reference(rows: Rows, one: Parameter, path: Path, value: Any) -> None:
    if isinstance(value, str):  # a canonical
        rows.reference.append((one.key, "", value))
        return
    if not isinstance(value, dict):
        return
    target = literal(str(value.get("reference", "")))
    if target and path.target in ("", target.type):
        rows.reference.append((one.key, target.type, target.id))
    logical = value.get("identifier")
    if isinstance(logical, dict) and path.target in ("", value.get("type", path.target)):
        rows.token.extend((f"{one.key}:identifier", system, code) for system, code in _tokens(logical))


def _add(rows: Rows, one: Parameter, path: Path, value: Any) -> None:
    if one.kind == "token":
        rows.token.extend((one.key, system, code) for system, code in _tokens(value))
    elif one.kind == "date":
        rows.date.extend((one.key, low, high) for low, high in _date(value))
    elif one.kind == "string":
        rows.string.extend((one.key, folded(text), text) for text in _strings(value))
    elif one.kind == "uri":
        rows.string.extend((one.key, value, value) for _ in [0] if isinstance(value, str))
    else:
        _reference(rows, one, path, value)


def references(resource: Resource) -> list[tuple[str, Resource]]:
    """Every Reference in a resource with a literal in it, with its place as a FHIRPath."""
    found: list[tuple[str, Resource]] = []
    _collect(resource, "", found)
    return found


def _collect(value: Any, place: str, found: list[tuple[str, Resource]]) -> None:
    """Walk objects and arrays only: most values are scalars, and every resource is walked at each write."""
    if isinstance(value, list):
        for index, child in enumerate(value):
            if isinstance(child, dict | list):
                _collect(child, f"{place}[{index}]", found)
        return
    if isinstance(value.get("reference"), str):
        found.append((place, value))
    for key, child in value.items():
        if isinstance(child, dict | list):
            _collect(child, f"{place}.{key}" if place else key, found)


def rows_of(resource: Resource) -> Rows:
    """The index rows of a resource, without doubles."""
    rows = Rows()
    for one in table()[resource["resourceType"]].values():
        for path in one.paths:
            for value in values(resource, path):
                _add(rows, one, path, value)
    for _, reference in references(resource):
        target = literal(reference["reference"])
        if target:
            rows.links.append((target.type, target.id))
    return Rows(*[_once(getattr(rows, name)) for name in ("token", "reference", "date", "string", "links")])


def _once(rows: Iterable[Any]) -> list[Any]:
    return list(dict.fromkeys(rows))
