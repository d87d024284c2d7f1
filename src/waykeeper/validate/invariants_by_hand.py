"""Hand-written tests of invariants, by key (`Type:key` where a key is used twice).

A test gets the object and the run, and answers whether the invariant holds. Each is proven equal to the
published expression, repaired where the official validator repairs it (`tests/validate/test_invariants.py`).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from typing import Any

from waykeeper.validate.order import at_most
from waykeeper.validate.run import Run

Value = dict[str, Any]
Test = Callable[[Value, Run], object]

UCUM = "http://unitsofmeasure.org"


def has(value: Value, *names: str) -> bool:
    """Whether one of the elements is there, by value or by extension."""
    return any(name in value or "_" + name in value for name in names)


def chosen(value: Value, stem: str) -> bool:
    """Whether a choice such as `value[x]` is there."""
    cut = len(stem)
    for key in value:
        name = key[1:] if key[:1] == "_" else key
        if name.startswith(stem) and name[cut : cut + 1].isupper():
            return True
    return False


def rows(value: Any, name: str) -> list[Any]:
    """The objects in a list element; nothing where it is absent or misshapen."""
    held = value.get(name) if isinstance(value, dict) else None
    return [row for row in held if isinstance(row, dict)] if isinstance(held, list) else []


def coded(value: Value, name: str, system: str, *codes: str) -> bool:
    """Whether a concept has a coding of the system with one of the codes."""
    return any(c.get("system") == system and c.get("code") in codes for c in rows(value.get(name), "coding"))


def distinct(values: list[Any]) -> bool:
    """Whether no two of the values are equal."""
    return len({repr(v) for v in values}) == len(values)


def _texts(value: Any) -> set[str]:
    """Every string below a value."""
    found: set[str] = set()
    todo = [value]
    while todo:
        held = todo.pop()
        if isinstance(held, dict):
            todo += held.values()
        elif isinstance(held, list):
            todo += held
        elif isinstance(held, str):
            found.add(held)
    return found


def _dom_3(value: Value, _run: Run) -> bool:
    contained = rows(value, "contained")
    if not contained:
        return True
    said = _texts(value)
    lost = [str(c.get("id")) for c in contained if f"#{c.get('id')}" not in said and "#" not in _texts(c)]
    return not lost or set(lost) <= _linked(said)


def _linked(texts: set[str]) -> set[str]:
    """The ids that links and images of narratives name.

    "Referred to from elsewhere in the resource" (dom-3, in R4 and R5) is said of these too; the published expression
    does not read narratives, and the official validator does.
    """
    narratives = (text for text in texts if _NARRATIVE(text))
    return {name for text in narratives for name in _LINKS(text)}


_NARRATIVE = re.compile(r"\s*<div\b").match
_LINKS = re.compile(r"""\s(?:href|src)\s*=\s*["']#([^"']+)["']""").findall


def _ref_1(value: Value, run: Run) -> bool:
    text = value.get("reference")
    if not isinstance(text, str) or not text.startswith("#"):
        return True
    if text == "#":  # the resource that contains this one
        return run.resource is not run.root
    return bool(run.contained(text[1:]))


def _per_1(value: Value, _run: Run) -> bool:
    start, end = value.get("start"), value.get("end")
    return start is None or end is None or at_most(start, end)


def _number(value: Any) -> Decimal | None:
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        return None
    return Decimal(str(value))


def _rng_2(value: Value, _run: Run) -> bool:
    low, high = value.get("low"), value.get("high")
    if not isinstance(low, dict) or not isinstance(high, dict):
        return True
    one, two = _number(low.get("value")), _number(high.get("value"))
    return one is None or two is None or low.get("code") != high.get("code") or one <= two


def _at_least(name: str) -> Test:
    def test(value: Value, _run: Run) -> bool:
        number = _number(value.get(name))
        return number is None or number >= 0

    return test


def _ucum_only(value: Value) -> bool:
    return not has(value, "system") or value.get("system") == UCUM


def _code_with_value(value: Value) -> bool:
    return has(value, "code") or not has(value, "value")


def _count(value: Value, _run: Run) -> bool:
    whole = "." not in str(value.get("value", ""))
    return _code_with_value(value) and _ucum_only(value) and value.get("code") in (None, "1") and whole


def _rat_1(value: Value, _run: Run) -> bool:
    both = has(value, "numerator") == has(value, "denominator")
    return both and (has(value, "numerator") or has(value, "extension"))


def _tim_9(value: Value, _run: Run) -> bool:
    when = value.get("when") or []
    return not has(value, "offset") or (bool(when) and not {"C", "CM", "CD", "CV"} & set(map(str, when)))


def _trd_3(value: Value, _run: Run) -> bool:
    kind = value.get("type")
    if kind == "named-event":
        return has(value, "name")
    if kind == "periodic":
        return chosen(value, "timing")
    return not str(kind).startswith("data-") or has(value, "data")


def needs(name: str, *other: str) -> Test:
    """`name` is there only beside one of the others."""
    return lambda value, _run: not has(value, name) or has(value, *other)


def one_of(*names: str) -> Test:
    """One of the names is there, or more."""
    return lambda value, _run: has(value, *names)


def not_both(one: str, two: str) -> Test:
    """Not both names are there."""
    return lambda value, _run: not (has(value, one) and has(value, two))


def _exactly_one(one: str, two: str) -> Test:
    return lambda value, _run: has(value, one) != has(value, two)


def _name(value: Value, _run: Run) -> bool:
    name = value.get("name")
    if not isinstance(name, str):
        return True
    return name.isascii() and len(name) <= 255 and name[:1].isupper() and name.replace("_", "a").isalnum()


_AIT = "http://terminology.hl7.org/CodeSystem/allergyintolerance-verification"
_VER = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
_CLIN = "http://terminology.hl7.org/CodeSystem/condition-clinical"


def _ait_1(value: Value, _run: Run) -> bool:
    return coded(value, "verificationStatus", _AIT, "entered-in-error") or has(value, "clinicalStatus")


def _ait_2(value: Value, _run: Run) -> bool:
    return not coded(value, "verificationStatus", _AIT, "entered-in-error") or not has(value, "clinicalStatus")


def _con_4(value: Value, _run: Run) -> bool:
    return not chosen(value, "abatement") or coded(value, "clinicalStatus", _CLIN, "resolved", "remission", "inactive")


def _con_5(value: Value, _run: Run) -> bool:
    return not coded(value, "verificationStatus", _VER, "entered-in-error") or not has(value, "clinicalStatus")


def _con_3(value: Value, _run: Run) -> bool:
    return (
        has(value, "clinicalStatus")
        or coded(value, "verificationStatus", _VER, "entered-in-error")
        or True  # `category.select($this='problem-list-item')` compares a concept with text: never equal
    )


def _app_3(value: Value, _run: Run) -> bool:
    return (has(value, "start") and has(value, "end")) or value.get("status") in ("proposed", "cancelled", "waitlist")


def _app_4(value: Value, _run: Run) -> bool:
    # As published: the expression says `no-show`, the code is `noshow`, so a no-show cannot state its reason.
    return not has(value, "cancelationReason") or value.get("status") == "cancelled"


def _task_inv_1(value: Value, _run: Run) -> bool:
    done, made = value.get("lastModified"), value.get("authoredOn")
    return done is None or made is None or at_most(made, done)


def ends_after_start(value: Value, _run: Run) -> bool:
    """Whether `end` is not before `start`, where both are instants."""
    start, end = value.get("start"), value.get("end")
    return start is None or end is None or at_most(start, end)


def _mdd_1(value: Value, _run: Run) -> bool:
    over, prepared = value.get("whenHandedOver"), value.get("whenPrepared")
    return over is None or prepared is None or at_most(prepared, over)


def _obs_7(value: Value, _run: Run) -> bool:
    if not chosen(value, "value"):
        return True
    mine = {(c.get("system"), c.get("code")) for c in rows(value.get("code"), "coding")}
    return not any(
        (c.get("system"), c.get("code")) in mine
        for part in rows(value, "component")
        for c in rows(part.get("code"), "coding")
        if c in rows(value.get("code"), "coding")
    )


def _que_1(value: Value, _run: Run) -> bool:
    kind = value.get("type")
    return bool(value.get("item")) if kind == "group" else kind != "display" or not value.get("item")


def _link_ids(value: Value) -> list[Any]:
    return [v for i in rows(value, "item") for v in [i.get("linkId"), *_link_ids(i)] if v is not None]


_ANSWERABLE = ("choice", "open-choice", "decimal", "integer", "date", "dateTime", "time", "string", "quantity")
_TEXTUAL = ("boolean", "decimal", "integer", "string", "text", "url", "open-choice")


def _unless_type(kinds: tuple[str, ...], *names: str) -> Test:
    """None of the names is there where the item has one of these types."""
    return lambda value, _run: value.get("type") not in kinds or not has(value, *names)


def _no_home(value: Value, _run: Run) -> bool:
    return value.get("use") != "home"


def _trigger(value: Value, _run: Run) -> bool:
    return not (has(value, "data") and chosen(value, "timing"))


def _param(value: Value, _run: Run) -> bool:
    held = chosen(value, "value")
    if has(value, "part"):
        return not held and not has(value, "resource")
    return held != has(value, "resource")


def _bdl_5(value: Value, _run: Run) -> bool:
    resource = value.get("resource")
    # A resource of which only the type is said counts as none, as the official validator holds.
    said = isinstance(resource, dict) and len(resource) > 1
    return said or has(value, "request", "response")


def _que_7(value: Value, _run: Run) -> bool:
    return value.get("operator") != "exists" or "answerBoolean" in value or "_answerBoolean" in value


BY_HAND: dict[str, Test] = {
    "dom-2": lambda value, _run: not any("contained" in c for c in rows(value, "contained")),
    "dom-3": _dom_3,
    "dom-4": lambda value, _run: (
        not any(
            has(m, "versionId", "lastUpdated") for c in rows(value, "contained") if isinstance(m := c.get("meta"), dict)
        )
    ),
    "dom-5": lambda value, _run: (
        not any(has(m, "security") for c in rows(value, "contained") if isinstance(m := c.get("meta"), dict))
    ),
    "ref-1": _ref_1,
    "per-1": _per_1,
    "rng-2": _rng_2,
    "rat-1": _rat_1,
    "qty-3": needs("code", "system"),
    "sqty-1": lambda value, _run: not has(value, "comparator"),
    "mqty-1": lambda value, _run: _code_with_value(value) and value.get("system") in (None, "urn:iso:std:iso:4217"),
    "age-1": lambda value, _run: (
        _code_with_value(value) and _ucum_only(value) and ((n := _number(value.get("value"))) is None or n > 0)
    ),
    "cnt-3": _count,
    "dis-1": lambda value, _run: _code_with_value(value) and _ucum_only(value),
    "drt-1": lambda value, _run: not has(value, "code") or (value.get("system") == UCUM and has(value, "value")),
    "att-1": needs("data", "contentType"),
    "cpt-2": needs("value", "system"),
    "exp-1": one_of("expression", "reference"),
    "drq-1": _exactly_one("path", "searchParam"),
    "drq-2": _exactly_one("path", "searchParam"),
    "trd-1": _trigger,
    "trd-2": needs("condition", "data"),
    "trd-3": _trd_3,
    "tim-1": needs("duration", "durationUnit"),
    "tim-2": needs("period", "periodUnit"),
    "tim-4": _at_least("duration"),
    "tim-5": _at_least("period"),
    "tim-6": needs("periodMax", "period"),
    "tim-7": needs("durationMax", "duration"),
    "tim-8": needs("countMax", "count"),
    "tim-9": _tim_9,
    "tim-10": not_both("timeOfDay", "when"),
    "ait-1": _ait_1,
    "ait-2": _ait_2,
    "app-1": one_of("type", "actor"),
    "app-2": lambda value, _run: has(value, "start") == has(value, "end"),
    "app-3": _app_3,
    "app-4": _app_4,
    "apr-1": one_of("participantType", "actor"),
    "sev-1": not_both("name", "query"),
    "cpl-3": not_both("detail", "reference"),
    "con-1": one_of("summary", "assessment"),
    "con-2": one_of("code", "detail"),
    "con-3": _con_3,
    "con-4": _con_4,
    "con-5": _con_5,
    "fhs-1": lambda value, _run: not (chosen(value, "age") and chosen(value, "born")),
    "fhs-2": lambda value, _run: chosen(value, "age") or not has(value, "estimatedAge"),
    "gol-1": lambda value, _run: not chosen(value, "detail") or has(value, "measure"),
    "grp-1": lambda value, _run: not has(value, "member") or value.get("actual") is True,
    "imm-1": one_of("documentType", "reference"),
    "imr-1": one_of("vaccineCode", "targetDisease"),
    "ipn-1": one_of("identifier", "name"),
    "lnk-1": lambda value, _run: len(rows(value, "item")) > 1,
    "lst-1": not_both("emptyReason", "entry"),
    "lst-2": lambda value, _run: (
        value.get("mode") == "changes" or not any(has(e, "deleted") for e in rows(value, "entry"))
    ),
    "lst-3": lambda value, _run: (
        value.get("mode") == "working" or not any(has(e, "date") for e in rows(value, "entry"))
    ),
    "mad-1": lambda value, _run: has(value, "dose") or chosen(value, "rate"),
    "mdd-1": _mdd_1,
    "obs-3": one_of("low", "high", "text"),
    "obs-6": lambda value, _run: not (has(value, "dataAbsentReason") and chosen(value, "value")),
    "obs-7": _obs_7,
    "org-1": one_of("identifier", "name"),
    "org-2": _no_home,
    "org-3": _no_home,
    "pat-1": one_of("name", "telecom", "address", "organization"),
    "Parameters:inv-1": _param,
    "Task:inv-1": _task_inv_1,
    "ras-2": lambda value, _run: (n := _number(value.get("probabilityDecimal"))) is None or n <= 100,
    "prr-1": needs("orderDetail", "code"),
    "rqg-1": _exactly_one("resource", "action"),
    "cmp-1": one_of("text", "entry", "section"),
    "cmp-2": not_both("emptyReason", "entry"),
    "qrs-1": not_both("answer", "item"),
    "que-1": _que_1,
    "que-2": lambda value, _run: distinct(_link_ids(value)),
    "que-3": _unless_type(("display",), "code"),
    "que-4": not_both("answerOption", "answerValueSet"),
    "que-5": lambda value, _run: value.get("type") in _ANSWERABLE or not has(value, "answerValueSet", "answerOption"),
    "que-6": _unless_type(("display",), "required", "repeats"),
    "que-7": _que_7,
    "que-8": _unless_type(("group", "display"), "initial"),
    "que-9": _unless_type(("display",), "readOnly"),
    "que-10": lambda value, _run: value.get("type") in _TEXTUAL or not has(value, "maxLength"),
    "que-11": not_both("answerOption", "initial"),
    "que-12": lambda value, _run: len(rows(value, "enableWhen")) < 2 or has(value, "enableBehavior"),
    "que-13": lambda value, _run: value.get("repeats") is True or len(rows(value, "initial")) <= 1,
    "bdl-1": lambda value, _run: not has(value, "total") or value.get("type") in ("searchset", "history"),
    "bdl-2": lambda value, _run: (
        value.get("type") == "searchset" or not any(has(e, "search") for e in rows(value, "entry"))
    ),
    "bdl-3": lambda value, _run: all(
        has(e, "request") == (value.get("type") in ("batch", "transaction", "history")) for e in rows(value, "entry")
    ),
    "bdl-4": lambda value, _run: all(
        has(e, "response") == (value.get("type") in ("batch-response", "transaction-response", "history"))
        for e in rows(value, "entry")
    ),
    "bdl-5": _bdl_5,
    "bdl-7": lambda value, _run: value.get("type") == "history" or distinct(_versions(value)),
    "bdl-8": lambda value, _run: "/_history/" not in str(value.get("fullUrl", "")),
    "bdl-9": lambda value, _run: (
        value.get("type") != "document"
        or (isinstance(i := value.get("identifier"), dict) and has(i, "system") and has(i, "value"))
    ),
    "bdl-10": lambda value, _run: value.get("type") != "document" or "timestamp" in value,
    "bdl-11": lambda value, _run: value.get("type") != "document" or _first(value) == "Composition",
    "bdl-12": lambda value, _run: value.get("type") != "message" or _first(value) == "MessageHeader",
    "txt-1": lambda _value, _run: True,  # the narrative check does these two
    "txt-2": lambda _value, _run: True,
} | {
    f"{key}-0": _name
    for key in (
        "adf",
        "cpb",
        "cid",
        "csd",
        "cpd",
        "cmd",
        "ees",
        "evd",
        "evi",
        "evv",
        "esc",
        "gdf",
        "ig",
        "lib",
        "mea",
        "msd",
        "nsd",
        "opd",
        "pdf",
        "que",
        "rsd",
        "red",
        "rvs",
        "spd",
        "sdf",
        "smp",
        "tcp",
        "tst",
        "vsd",
    )
}


def _versions(value: Value) -> list[Any]:
    found = []
    for entry in rows(value, "entry"):
        if isinstance(entry.get("fullUrl"), str):
            resource = entry.get("resource")
            meta = resource.get("meta") if isinstance(resource, dict) else None
            found.append((entry["fullUrl"], meta.get("versionId") if isinstance(meta, dict) else None))
    return found


def _first(value: Value) -> Any:
    for entry in rows(value, "entry")[:1]:
        resource = entry.get("resource")
        return resource.get("resourceType") if isinstance(resource, dict) else None
    return None
