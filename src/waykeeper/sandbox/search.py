"""Search: a query string becomes one SELECT over the index, by the table of parameters."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, cast
from urllib.parse import parse_qsl

from waykeeper.findings import did_you_mean
from waykeeper.sandbox.extract import bounds, folded, literal
from waykeeper.sandbox.parameters import Parameter, table
from waykeeper.sandbox.refusals import Issue, Refusal
from waykeeper.sandbox.store import Store

Pairs = Sequence[tuple[str, str]]

# What shapes the answer rather than chooses the resources.
CONTROLS = ("_count", "_include", "_revinclude", "_sort", "_summary", "_total", "_format", "_pretty", "_offset")

MODIFIERS: Mapping[str, tuple[str, ...]] = {
    "token": ("not", "missing"),
    "reference": ("identifier", "missing"),  # and the name of a type
    "date": ("missing",),
    "string": ("exact", "missing"),
    "uri": ("missing",),
}


@dataclass(frozen=True, slots=True)
class Include:
    """One `_include` or `_revinclude`: source type, parameter, target type ("" = any), with `:iterate` or not."""

    source: str
    parameter: str
    target: str
    iterate: bool
    reverse: bool


@dataclass(frozen=True, slots=True)
class Condition:
    """One test of the WHERE clause, in the form that leads and in the form that is probed row by row."""

    sql: str
    values: tuple[Any, ...]
    leads: bool = False


@dataclass(slots=True)
class Query:
    """A search as understood: conditions, order, includes, page size, and what had to be left out."""

    type: str
    conditions: list[Condition] = field(default_factory=list)
    includes: list[Include] = field(default_factory=list)
    sort: list[tuple[Parameter, bool]] = field(default_factory=list)
    count: int | None = None
    only_count: bool = False
    total: bool = False
    used: list[tuple[str, str]] = field(default_factory=list)
    ignored: list[Issue] = field(default_factory=list)


def split(text: str, by: str) -> list[str]:
    """Split at a character that no backslash escapes (itself escaped, a backslash escapes nothing); escapes stay."""
    if "\\" not in text:
        return text.split(by)
    parts = [""]
    for one in re.findall(r"\\.|.", text, re.DOTALL):
        if one == by:
            parts.append("")
        else:
            parts[-1] += one
    return parts


def plain(text: str) -> str:
    """Take the backslashes of `\\,` `\\|` `\\$` `\\\\` away."""
    return re.sub(r"\\([,|$\\])", r"\1", text)


def pairs_of(query: str) -> list[tuple[str, str]]:
    """A query string as pairs in order. Raises Refusal where a value is missing."""
    try:
        return parse_qsl(query.lstrip("?"), keep_blank_values=True, strict_parsing=bool(query), errors="strict")
    except ValueError:
        raise Refusal("WKS216", f"{len(query)} characters of query are no list of name=value") from None


def understand(kind: str, pairs: Pairs, *, lenient: bool = False) -> Query:
    """Read a search. Raises Refusal on what is not understood, or (lenient) leaves unknown names out and says so."""
    query = Query(kind)
    for name, value in pairs:
        try:
            _take(query, name, value)
        except Refusal as refusal:
            if not lenient or refusal.code != "WKS215":
                raise
            query.ignored.append(Issue(str(refusal), severity="warning", code="WKS215"))
            continue
        query.used.append((name, value))
    return query


def _take(query: Query, name: str, value: str) -> None:
    code, _, modifier = name.partition(":")
    if code in CONTROLS:
        _control(query, code, modifier, value)
        return
    code, dot, chained = name.partition(".")
    if dot:
        query.conditions.append(_chain(query.type, code, chained, value))
        return
    code, _, modifier = name.partition(":")
    one = parameter(query.type, code)
    query.conditions.append(condition(one, modifier, value))


def parameter(kind: str, code: str) -> Parameter:
    """A parameter of a type by name. Raises Refusal with the nearest names where there is none."""
    known = table()[kind]
    if code not in known:
        raise Refusal("WKS215", f"{kind} has no search parameter {code!r} here. {did_you_mean(code, known)}")
    return known[code]


def condition(one: Parameter, modifier: str, text: str) -> Condition:
    """One parameter with its values (comma = or) as a condition. Raises Refusal on a bad value or modifier."""
    if modifier and modifier not in MODIFIERS[one.kind] and not (one.kind == "reference" and modifier in table()):
        allowed = ", ".join(MODIFIERS[one.kind])
        raise Refusal("WKS216", f"{one.name} takes no modifier {modifier!r}; a {one.kind} takes {allowed}")
    if not text:
        raise Refusal("WKS216", f"{one.name} has no value")
    if modifier == "missing":
        return _missing(one, text)
    if one.kind == "date" and "," in text:
        raise Refusal("WKS216", f"{one.name}: one date a parameter; other servers take no list of dates")
    if one.name in ("_id", "_lastUpdated"):
        return _column(one, modifier, text)
    tests = [_TESTS[one.kind](one, modifier, value) for value in split(text, ",")]
    sql = " OR ".join(f"({test})" for test, _ in tests)
    values = tuple(v for _, some in tests for v in some)
    key = f"{one.key}:identifier" if modifier == "identifier" else one.key
    name = "token" if modifier == "identifier" else _TABLE[one.kind]
    inside = f"SELECT x.pk FROM {name} x WHERE x.key = ? AND ({sql})"
    if modifier == "not":
        return Condition(f"r.pk NOT IN ({inside})", (key, *values))
    return Condition(f"r.pk IN ({inside})", (key, *values), leads=one.kind == "reference")


_TABLE = {"token": "token", "reference": "reference", "date": "date", "string": "string", "uri": "string"}


def _missing(one: Parameter, text: str) -> Condition:
    if text not in ("true", "false"):
        raise Refusal("WKS216", f"{one.name}:missing takes true or false")
    if one.name in ("_id", "_lastUpdated"):
        return Condition("1 = 0" if text == "true" else "1 = 1", ())
    negated = "NOT " if text == "true" else ""
    return Condition(
        f"{negated}EXISTS (SELECT 1 FROM {_TABLE[one.kind]} x WHERE x.pk = r.pk AND x.key = ?)", (one.key,)
    )


def _column(one: Parameter, modifier: str, text: str) -> Condition:
    """`_id` and `_lastUpdated` are columns of the resource's row."""
    if one.name == "_id":
        wanted = [plain(value) for value in split(text, ",")]
        word = "NOT IN" if modifier == "not" else "IN"
        return Condition(f"r.id {word} ({','.join('?' * len(wanted))})", tuple(wanted), leads=not modifier)
    tests = [_date(one, modifier, value) for value in split(text, ",")]
    sql = " OR ".join(f"({test})" for test, _ in tests)
    sql = sql.replace("x.low", "r.updated").replace("x.after", "(r.updated + 1)")
    return Condition(f"({sql})", tuple(v for _, some in tests for v in some))


def _token(one: Parameter, _modifier: str, text: str) -> tuple[str, tuple[Any, ...]]:
    parts = [plain(part) for part in split(text, "|")]
    if len(parts) > 2 or not any(parts):
        raise Refusal("WKS216", f"{one.name}: a token is code, system|code, |code or system|")
    if len(parts) == 1:
        return "x.code = ?", (parts[0],)
    if not parts[1]:
        return "x.system = ?", (parts[0],)
    return "x.code = ? AND x.system = ?", (parts[1], parts[0])


def _reference(one: Parameter, modifier: str, text: str) -> tuple[str, tuple[Any, ...]]:
    if modifier == "identifier":
        return _token(one, "", text)
    text = plain(text)
    target = literal(text)
    if target and modifier in ("", target.type):
        return "x.type = ? AND x.id = ?", (target.type, target.id)
    if re.fullmatch(r"[A-Za-z0-9.-]{1,64}", text):
        return ("x.type = ? AND x.id = ?", (modifier, text)) if modifier else ("x.id = ? AND x.type <> ''", (text,))
    if ":" in text and not modifier:  # a canonical
        return "x.type = '' AND x.id = ?", (text,)
    raise Refusal("WKS216", f"{one.name}: a reference is id, Type/id or a canonical url")


# Prefixes as FHIR R4 search.html#prefix compares ranges; [low, after) is the resource, two values are the search's.
_PREFIXES: Mapping[str, tuple[str, str]] = {
    "eq": ("x.low >= ? AND x.after <= ?", "low after"),
    "ne": ("NOT (x.low >= ? AND x.after <= ?)", "low after"),
    "gt": ("x.after > ?", "after"),
    "lt": ("x.low < ?", "low"),
    "ge": ("x.after > ?", "low"),
    "le": ("x.low < ?", "after"),
    "sa": ("x.low >= ?", "after"),
    "eb": ("x.after <= ?", "low"),
}


def _date(one: Parameter, _modifier: str, text: str) -> tuple[str, tuple[Any, ...]]:
    prefix = text[:2] if text[:2].isalpha() else "eq"
    found = bounds(text[2:] if text[:2].isalpha() else text)
    if prefix not in _PREFIXES or not found:
        known = ", ".join(_PREFIXES)
        raise Refusal("WKS216", f"{one.name}: a date is YYYY, YYYY-MM, YYYY-MM-DD or an instant, after one of {known}")
    sql, words = _PREFIXES[prefix]
    ends = {"low": found[0], "after": found[1]}
    return sql, tuple(ends[word] for word in words.split())


def _string(_one: Parameter, modifier: str, text: str) -> tuple[str, tuple[Any, ...]]:
    text = plain(text)
    if modifier == "exact":
        return "x.value = ?", (text,)
    start = folded(text)
    return "x.folded >= ? AND x.folded < ?", (start, start + "\U0010ffff")


def _uri(_one: Parameter, _modifier: str, text: str) -> tuple[str, tuple[Any, ...]]:
    return "x.value = ?", (plain(text),)


_Test = Callable[[Parameter, str, str], tuple[str, tuple[Any, ...]]]
_TESTS: Mapping[str, _Test] = {"token": _token, "reference": _reference, "date": _date, "string": _string, "uri": _uri}


def _chain(kind: str, code: str, chained: str, text: str) -> Condition:
    """`patient.identifier=...` or `subject:Patient.identifier=...`: one step, to one type."""
    name, _, target = code.partition(":")
    one = parameter(kind, name)
    targets = {target} if target else {path.target for path in one.paths}
    if name == "patient":
        targets = {"Patient"}
    if one.kind != "reference" or len(targets) != 1 or "" in targets or not targets <= set(table()):
        raise Refusal("WKS216", f"{code}.{chained}: name one type of target, as in subject:Patient.identifier")
    far = targets.pop()
    inner_name, _, modifier = chained.partition(":")
    inner = condition(parameter(far, inner_name), modifier, text)
    sql = (
        "r.pk IN (SELECT x.pk FROM reference x WHERE x.key = ? AND x.type = ? AND x.id IN"
        f" (SELECT r.id FROM resource r WHERE r.type = ? AND r.deleted = 0 AND {inner.sql}))"
    )
    return Condition(sql, (one.key, far, far, *inner.values), leads=True)


def _control(query: Query, code: str, modifier: str, value: str) -> None:
    if code in ("_include", "_revinclude"):
        query.includes.append(_include(code, modifier, value))
        return
    if modifier:
        raise Refusal("WKS216", f"{code} takes no modifier")
    if code == "_count":
        if not value.isdecimal():
            raise Refusal("WKS216", "_count is a whole number")
        query.count = int(value)
        query.only_count = query.only_count or int(value) == 0
    elif code == "_sort":
        query.sort = [(parameter(query.type, part.lstrip("-")), part.startswith("-")) for part in value.split(",")]
    elif code == "_summary":
        if value not in ("count", "false"):
            raise Refusal("WKS216", "_summary takes count or false here")
        query.only_count = value == "count"
    elif code == "_total":
        if value not in ("accurate", "estimate", "none"):
            raise Refusal("WKS216", "_total takes accurate, estimate or none")
        query.total = value != "none"
    elif code == "_format" and "json" not in value:
        raise Refusal("WKS203", "_format: only JSON is offered")


def _include(code: str, modifier: str, value: str) -> Include:
    if modifier not in ("", "iterate"):
        raise Refusal("WKS216", f"{code} takes the modifier iterate only")
    source, _, rest = value.partition(":")
    name, _, target = rest.partition(":")
    if source not in table() or not name or (target and target not in table()):
        raise Refusal("WKS216", f"{code} is Type:parameter or Type:parameter:Target; every one is named, no *")
    if parameter(source, name).kind != "reference":
        raise Refusal("WKS216", f"{code}: {source}.{name} is no reference")
    return Include(source, name, target, modifier == "iterate", code == "_revinclude")


def rows(store: Store, query: Query) -> list[int]:
    """The row numbers of every resource that matches, in order."""
    where, values = _where(query)
    order, order_values = _order(query)
    sql = f"SELECT r.pk FROM resource r WHERE {where} ORDER BY {order}"
    return [row[0] for row in store.query(sql, (*values, *order_values))]


def _where(query: Query) -> tuple[str, tuple[Any, ...]]:
    """The conditions; where one of them leads (an id, a reference), the others are probed row by row."""
    ordered = sorted(query.conditions, key=lambda c: not c.leads)
    led = any(c.leads for c in ordered)
    parts, values = ["r.type = ?", "r.deleted = 0"], [cast("Any", query.type)]
    for one in ordered:
        probed = led and not one.leads and one.sql.startswith("r.pk IN (SELECT x.pk FROM ")
        parts.append(
            one.sql.replace("r.pk IN (SELECT x.pk", "EXISTS (SELECT 1", 1).replace(
                "WHERE x.key", "WHERE x.pk = r.pk AND x.key", 1
            )
            if probed
            else one.sql
        )
        values.extend(one.values)
    return " AND ".join(parts), tuple(values)


def _order(query: Query) -> tuple[str, tuple[Any, ...]]:
    parts: list[str] = []
    values: list[Any] = []
    columns = {"token": "code", "reference": "id", "date": "low", "string": "folded", "uri": "folded"}
    for one, down in query.sort:
        way = "DESC" if down else "ASC"
        if one.name in ("_id", "_lastUpdated"):
            parts.append(f"r.{'id' if one.name == '_id' else 'updated'} {way}")
            continue
        pick = "max" if down else "min"
        column = "after" if one.kind == "date" and down else columns[one.kind]
        parts.append(f"(SELECT {pick}(x.{column}) FROM {_TABLE[one.kind]} x WHERE x.pk = r.pk AND x.key = ?) {way}")
        values.append(one.key)
    return ", ".join([*parts, "r.pk ASC"]), tuple(values)


def included(store: Store, includes: Sequence[Include], matched: Sequence[int], most: int = 5000) -> list[int]:
    """The row numbers that the includes add to a page. Raises Refusal where they are more than `most`."""
    found = dict.fromkeys(matched)
    fresh: list[int] = list(matched)
    first = True
    while fresh:
        added: dict[int, None] = {}
        for one in includes:
            if first or one.iterate:
                added.update(dict.fromkeys(_reach(store, one, fresh)))
        fresh = [pk for pk in added if pk not in found]
        found.update(dict.fromkeys(fresh))
        first = False
        if len(found) > most + len(matched):
            raise Refusal("WKS216", f"the includes add more than {most} resources; ask for a smaller page")
    return [pk for pk in found if pk not in set(matched)]


def _reach(store: Store, one: Include, pks: Sequence[int]) -> list[int]:
    key = f"{one.source}.{one.parameter}"
    found: list[int] = []
    for start in range(0, len(pks), 500):
        part = pks[start : start + 500]
        marks = ",".join("?" * len(part))
        here, there = ("b", "a") if one.reverse else ("a", "b")
        sql = (
            f"SELECT DISTINCT {there}.pk FROM resource a JOIN reference x ON x.pk = a.pk AND x.key = ?"
            f" JOIN resource b ON b.type = x.type AND b.id = x.id AND b.deleted = 0"
            f" WHERE a.deleted = 0 AND a.type = ? AND {here}.pk IN ({marks}) AND (? = '' OR b.type = ?)"
            f" ORDER BY {there}.pk"
        )
        found += [row[0] for row in store.query(sql, (key, one.source, *part, one.target, one.target))]
    return found
