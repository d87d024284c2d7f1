"""`waykeeper check` for rule files: strict shape first, then what would make a rule unsafe."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache

from waykeeper.findings import Finding, Position, did_you_mean, finding
from waykeeper.medicines.conditions import CONDITIONS, NUMERIC, UNKNOWN, bound
from waykeeper.medicines.context import NEEDLE, PLAIN
from waykeeper.medicines.indications import indication_table
from waykeeper.medicines.policies import policy_table
from waykeeper.medicines.words import vocabulary
from waykeeper.pathway.reader import Node, read_yaml
from waykeeper.pathway.strict import Bool, Choice, Either, Fields, Int, Key, ListOf, MapOf, Record, Text, read_record

_NAME = Text("a name in small letters with hyphens", r"[a-z0-9][a-z0-9-]*")
_SUBSTANCE = Text("a generic name in small letters", r"[a-z][a-z0-9 -]*")
_DAYS = Int(0, 365)
_HALF = Text("hours as a number", r"\d+(\.\d+)?")
_DECISIONS = Choice(("continue", "hold", "adjust", "time", "ask"))

CASE = Record(
    "a case",
    (
        Key("when", MapOf(Either((Text(), ListOf(Text()))), Text("a condition", r"[a-z_]+"))),
        Key("decision", _DECISIONS, required=True),
        Key("missed_days", _DAYS),
        Key("hours", Int(1, 240)),
        Key("cycle_days", ListOf(_DAYS)),
        Key("cycle_months", Int(1, 24)),
        Key("question", Text()),
        Key("notes", ListOf(Text())),
        Key("others", MapOf(_DAYS, Text("a label"))),
        Key("longest_days", _DAYS),
        Key("restart", Text()),
        Key("restart_days", _DAYS),
        Key("source", Text()),
        Key("year", Text("a year", r"\d{4}")),
        Key("confidence", Choice(("H", "M-H", "M", "L-M", "L"))),
        Key("confirm_by", Text()),
        Key("morning", Bool()),
    ),
)
ASK = Record(
    "a question beside the cases",
    (
        Key("when", MapOf(Either((Text(), ListOf(Text()))), Text("a condition", r"[a-z_]+")), required=True),
        Key("question", Text(), required=True),
        Key("confirm_by", Text()),
    ),
)
_SHARED = (
    Key("policy", Choice(())),
    Key("source", Text()),
    Key("year", Text("a year", r"\d{4}")),
    Key("confidence", Choice(("H", "M-H", "M", "L-M", "L"))),
    Key("restart", Text()),
    Key("restart_by", Text()),
    Key("restart_days", _DAYS),
)
_HALF_LIFE = Record(
    "half_life",
    (
        Key("low", _HALF, required=True),
        Key("typical", _HALF),
        Key("high", _HALF, required=True),
        Key("lists", ListOf(_DAYS)),
    ),
)
_INGREDIENT = Record(
    "an ingredient",
    (
        Key("rxnorm", Text("an RxNorm code", r"\d{2,8}")),
        Key("unsure", Bool()),
        Key("names", ListOf(Text())),
        Key("salts", ListOf(Text())),
        Key("weekly", ListOf(Choice((*vocabulary()["forms"], UNKNOWN)))),
        Key("daily_harm", Text()),
        Key("tags", ListOf(_NAME)),
    ),
)
_STOP_KEYS = ("missed_days", "hours", "cycle_days", "cycle_months")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


@cache
def _rule_file() -> Record:
    """The schema, with the policies that exist at this version."""
    shared = tuple(Key("policy", Choice(tuple(policy_table()))) if k.name == "policy" else k for k in _SHARED)
    rule = Record(
        "a rule",
        (
            Key("for", ListOf(_SUBSTANCE), required=True),
            Key("cases", ListOf(CASE), required=True),
            Key("neuraxial", ListOf(CASE)),
            Key("asks", ListOf(ASK)),
            Key("together", Bool()),
            Key("never_stop", Bool()),
            Key("half_life", _HALF_LIFE),
            Key("tests", ListOf(Text()), "the published values that prove it", required=True),
            *shared,
        ),
    )
    return Record(
        "a rule file",
        (
            Key("group", _NAME, required=True),
            Key("title", Text(), required=True),
            Key("defaults", Record("defaults", shared)),
            Key("before", ListOf(CASE)),
            Key("asks", ListOf(ASK)),
            Key("ingredients", MapOf(_INGREDIENT, _SUBSTANCE), required=True),
            Key("rules", MapOf(rule, _NAME), required=True),
        ),
    )


def check_rules(name: str, source: bytes) -> list[Finding]:
    """Check one rule file. `name` is its file name; the group inside must be the same word. Never raises."""
    node, read = read_yaml(source, name)
    found = list(read)
    if node is None:
        return found
    found += _split(node, source.decode("utf-8").splitlines())
    top = read_record(node, _rule_file(), found)
    if any(f.severity == "error" for f in found):
        return sorted(found, key=lambda f: f.position)
    if top.text("group") != name.rpartition("/")[2].removesuffix(".yaml"):
        found.append(finding("WKM101", f"the group is {top.text('group')!r}, the file is {name!r}", top.at("group")))
    found += _ingredients(top)
    for rule_name, rule in top.map("rules").items():
        found += _rule(rule_name, rule, top)
    for case in _cases(top, "before"):
        found += _case("before", case, top, top.record("defaults"))
    for ask in _cases(top, "asks"):
        found += _asked("asks", ask, top.record("defaults"), top.record("defaults"))
    return sorted(found, key=lambda f: f.position)


def _split(node: Node, lines: Sequence[str]) -> Iterator[Finding]:
    """Notes between brackets without quotation marks: YAML makes two of each that holds a comma, and says nothing."""
    for key, value in node.entries:
        at = value.position
        brackets = value.kind == "list" and lines[at.line - 1][at.column - 1 :].startswith("[")
        if key.text == "notes" and brackets and len(value.items) > 1 and not all(i.quoted for i in value.items):
            texts = " | ".join(i.text for i in value.items)
            yield finding("WKM112", f"notes in brackets are cut at each comma: {texts}", at)
        yield from _split(value, lines)
    for item in node.items:
        yield from _split(item, lines)


def check_ruleset(sources: Mapping[str, bytes]) -> list[Finding]:
    """Check several files together: no name, code or rule may stand in two of them."""
    found = [f for name, source in sources.items() for f in check_rules(name, source)]
    if found:
        return found
    first: dict[str, str] = {}
    for name, source in sources.items():
        node, _ = read_yaml(source, name)
        assert node is not None  # it was read a moment ago
        for what, position in _claims(node):
            if what in first:
                found.append(finding("WKM102", f"{what} stands in {first[what]} and in {name}", position))
            first.setdefault(what, name)
    return found


def _claims(node: Node) -> Iterator[tuple[str, Position]]:
    """What a file claims for itself: rule names, names of substances, codes."""
    for key, _ in (node.get("rules") or node).entries:
        yield f"rule {key.text!r}", key.position
    for key, value in (node.get("ingredients") or node).entries:
        yield f"name {key.text!r}", key.position
        code = value.get("rxnorm")
        if code is not None:
            yield f"code {code.text!r}", code.position


def _cases(fields: Fields, key: str) -> tuple[Fields, ...]:
    found: tuple[Fields, ...] = fields.values.get(key, ())
    return found


def _ingredients(top: Fields) -> Iterator[Finding]:
    """Each ingredient has exactly one rule of its own; each rule is for ingredients of the file."""
    known = top.map("ingredients")
    single: dict[str, str] = {}
    for name, rule in top.map("rules").items():
        for ingredient in rule.texts("for"):
            if ingredient not in known:
                details = f"rule {name!r} is for {ingredient!r}, which is no ingredient of this file"
                yield finding("WKM103", details, rule.at("for"), did_you_mean(ingredient, known))
            elif rule.values.get("together") is not True:
                if ingredient in single:
                    details = f"{ingredient!r} has two rules, {single[ingredient]!r} and {name!r}"
                    yield finding("WKM102", details, rule.at("for"))
                single.setdefault(ingredient, name)
    for name in known:
        if name not in single:
            details = f"ingredient {name!r} has no rule: it would be recognised and then dropped"
            yield finding("WKM103", details, top.at("ingredients"))


def _rule(name: str, rule: Fields, top: Fields) -> Iterator[Finding]:
    defaults = top.record("defaults")
    cases = _cases(rule, "cases")
    if cases[-1].map("when"):
        details = f"the last case of {name!r} has a condition: a patient whom none fits would be dropped"
        yield finding("WKM104", details, cases[-1].at("when"))
    for case in cases[:-1]:
        if not case.map("when"):
            details = f"a case of {name!r} without condition hides the cases after it"
            yield finding("WKM104", details, case.node.position)
    for case in (*cases, *_cases(rule, "neuraxial")):
        yield from _case(name, case, top, rule)
    for ask in _cases(rule, "asks"):
        yield from _asked(name, ask, rule, defaults)
    for key in ("source", "year", "confidence"):
        given = rule.text(key) or defaults.text(key) or all(c.text(key) for c in cases)
        if not given:
            yield finding("WKM105", f"rule {name!r} has no {key}", rule.node.position)


def _case(name: str, case: Fields, top: Fields, rule: Fields) -> Iterator[Finding]:
    defaults = top.record("defaults")
    yield from _conditions(name, case, rule, defaults)
    stops = [k for k in _STOP_KEYS if k in case.values]
    decision, at = case.text("decision"), case.node.position
    if len(stops) > 1:
        yield finding("WKM106", f"a case of {name!r} gives {' and '.join(stops)}, only one may stand", at)
    if decision in ("continue", "adjust") and stops:
        yield finding("WKM106", f"a case of {name!r} says {decision} and gives {stops[0]}", case.at(stops[0]))
    if decision != "continue" and case.values.get("morning") is True:
        yield finding(
            "WKM106", f"a case of {name!r} says {decision}, and that it is taken on the morning of surgery", at
        )
    if decision in ("hold", "time") and not stops and "half_life" not in rule.values:
        yield finding("WKM106", f"a case of {name!r} says {decision} and gives no days, hours or cycle", at)
    if decision == "ask" and not case.text("question"):
        yield finding("WKM106", f"a case of {name!r} asks without a question", at)
    cycle = case.values.get("cycle_days", (0, 0))
    if len(cycle) != 2 or cycle[0] > cycle[1]:
        yield finding("WKM106", f"cycle_days of {name!r} must be two days, the smaller first", case.at("cycle_days"))
    if stops or decision == "hold":
        for key in ("restart", "restart_by"):
            if not (case.text(key) or rule.text(key) or defaults.text(key)):
                yield finding("WKM107", f"{name!r} stops a medicine and gives no {key}", at)
    yield from _dated(name, case)


def _asked(name: str, ask: Fields, rule: Fields, defaults: Fields) -> Iterator[Finding]:
    yield from _conditions(name, ask, rule, defaults)
    yield from _dated(name, ask)


def _dated(name: str, case: Fields) -> Iterator[Finding]:
    for key in ("question", "restart", "notes"):
        for text in case.texts(key):
            if _DATE.search(text):
                yield finding("WKM109", f"{key} of {name!r} holds a date: {text!r}", case.at(key))


def _conditions(name: str, case: Fields, rule: Fields, defaults: Fields) -> Iterator[Finding]:
    """Each condition and each of its values must exist: a misspelt one would never hold."""
    for condition in case.map("when"):
        if condition not in CONDITIONS:
            details = f"there is no condition {condition!r} ({name!r})"
            yield finding("WKM108", details, case.at("when"), did_you_mean(condition, CONDITIONS))
            continue
        value = case.map("when")[condition]
        values = (value,) if isinstance(value, str) else value
        policy = rule.text("policy") or defaults.text("policy")
        allowed = _allowed(condition, policy)
        for one in values:
            if condition in NUMERIC and one != UNKNOWN:
                yield from _bound(name, condition, one, case)
            elif one != UNKNOWN and one not in allowed:
                details = f"{condition} of {name!r} cannot be {one!r}"
                yield finding("WKM108", details, case.at("when"), did_you_mean(one, allowed) if allowed else "")


def _bound(name: str, condition: str, text: str, case: Fields) -> Iterator[Finding]:
    try:
        bound(text)
    except ValueError as error:
        yield finding("WKM108", f"{condition} of {name!r}: {error}", case.at("when"))


def _allowed(condition: str, policy: str) -> list[str]:
    words = vocabulary()
    tables: dict[str, Callable[[], list[str]]] = {
        "bleed": lambda: ["low", "high"],
        "anaesthesia": lambda: sorted(NEEDLE | PLAIN),
        "indication": lambda: list(indication_table()),
        "form": lambda: list(words["forms"]),
        "release": lambda: [*words["releases"], "plain"],
        "policy": lambda: list(policy_table()[policy]["values"]) if policy else [],
        "risk": lambda: ["low", "high"],
    }
    return tables[condition]() if condition in tables else []
