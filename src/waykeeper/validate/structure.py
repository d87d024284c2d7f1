"""The walk: elements, cardinality, choices, primitives and bindings, driven by the tables."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

from waykeeper.findings import did_you_mean
from waykeeper.validate.attachments import check_attachment
from waykeeper.validate.bindings import (
    check_coding_system,
    check_concept_coding,
    check_identifier,
    check_lone_coding,
    check_measure,
    check_quantity,
    coded_check,
)
from waykeeper.validate.bundles import check_bundle, entries_by_url
from waykeeper.validate.definitions import DEFINITIONS, check_definition
from waykeeper.validate.extensions_known import check_extension
from waykeeper.validate.invariants import MISSHAPEN, Rule, rules_of
from waykeeper.validate.narrative import check_narrative
from waykeeper.validate.primitives import FORMS, MOST_CHARACTERS, NUMBER_TYPES, TEXT_TESTS, number_test
from waykeeper.validate.reader import MOST_DEPTH
from waykeeper.validate.references import check_reference
from waykeeper.validate.run import Place, Run, depth
from waykeeper.validate.tables import resource_types, type_record
from waykeeper.validate.terminology import value_set

Check = Callable[[Any, dict[str, Any], Place, str, Run], None]
One = Callable[[Any, Place, Run], None]


MOST_REMEDIES = 100  # findings for which the nearest name is looked for: it takes longer than everything else


class Element:
    """One element of a node: how its JSON value is checked.

    `fast` tests a JSON string where that is all there is to check; `check` does everything.
    """

    __slots__ = ("bound", "check", "fast", "group", "is_list", "name", "primitive", "type")

    def __init__(self, record: dict[str, Any], owner: str) -> None:
        """Prepare the checks of one table record; `owner` is the type whose node this belongs to."""
        self.name: str = record["n"]
        self.type: str = record["t"]
        self.is_list = bool(record.get("l"))
        self.group: str = record.get("g", "")
        self.primitive = self.type in TEXT_TESTS or self.type in NUMBER_TYPES
        self.bound = self.type == "code" and record.get("b", ("",))[0] == "required"
        self.fast: Callable[[str], object] | None = None
        if self.primitive:
            test, form = _primitive(record)
            self.fast = None if self.is_list or self.type in NUMBER_TYPES else test
            self.check: Check = (
                _primitive_list(test, form, self.type) if self.is_list else _single(test, form, self.type)
            )
            if self.name == "id" and self.type == "string":
                self.fast, self.check = None, _once(self.check)
            elif self.type == "string" and record.get("i"):
                self.fast, self.check = None, _ruled(self.check, _rule_checks(record, owner))
        else:
            one = _complex(record, owner)
            self.check = _complex_list(one) if self.is_list else _complex_single(one)


class Node:
    """A type or a backbone element: its elements by JSON name, what must be there, its rules."""

    __slots__ = ("choices", "elements", "groups", "name", "required", "rules", "tests", "type")

    def __init__(self, name: str, record: dict[str, Any], type_: str) -> None:
        """Prepare a node of the record of type `type_`."""
        self.name = name
        self.type = type_
        self.elements = {e["n"]: Element(e, type_) for e in _as_held(record["nodes"][name]["e"], name)}
        self.groups: dict[str, frozenset[str]] = {}
        self.required: list[tuple[str, ...]] = []
        self._requirements(record["nodes"][name]["e"])
        self.choices = tuple(self.groups.values())
        self.rules: tuple[Rule, ...] = rules_of(type_, name, record)
        self.tests = tuple((rule.test, rule) for rule in self.rules)
        if name == type_ and record["k"] == "resource":
            self.elements["resourceType"] = _resource_type_element()

    def _requirements(self, elements: list[dict[str, Any]]) -> None:
        members: dict[str, list[str]] = {}
        for element in elements:
            group = element.get("g", element["n"])
            members.setdefault(group, []).append(element["n"])
            if element.get("m") and (group,) not in self.required:
                self.required.append((group,))
        self.groups = {g: frozenset(names) for g, names in members.items() if g.endswith("[x]")}
        self.required = [tuple(members[group[0]]) for group in self.required]


# Resources with a url that are no definitions, so that it need not be absolute.
_NO_DEFINITIONS = frozenset({"Contract", "Device", "DeviceDefinition"})


def _as_held(elements: list[dict[str, Any]], node: str) -> list[dict[str, Any]]:
    """The elements of a node; the url of a definition is held to be canonical, as the official validator does."""
    if node not in resource_types() or node in _NO_DEFINITIONS:
        return elements
    return [{**e, "t": "canonical"} if e["n"] == "url" and e["t"] == "uri" else e for e in elements]


def _resource_type_element() -> Element:
    element = Element({"n": "resourceType", "t": "code"}, "")
    element.primitive = False
    return element


@cache
def node_of(type_: str, name: str = "") -> Node:
    """The node of a type, or of a backbone element of it. Raises KeyError where R4 has no such type."""
    record = type_record(type_)
    if record is None:
        raise KeyError(type_)
    return Node(name or type_, record, type_)


def walk(node: Node, value: dict[str, Any], place: Place, run: Run) -> None:
    """Check one object against its node."""
    find = node.elements.get
    for key, held in value.items():
        element = find(key)
        if element is None:
            _other(node, key, held, value, place, run)
        else:
            fast = element.fast
            if fast is None or type(held) is not str or not fast(held):
                element.check(held, value, place, key, run)
    for names in node.required:
        if names[0] not in value:
            _missing(names, value, place, run)
    if node.choices and len(value) > 1:
        _check_choices(node, value, place, run)
    for test, rule in node.tests:
        try:
            if not test(value, run):
                rule.report(place, run)
        except MISSHAPEN:  # what the rule asks for has the wrong shape, and is reported as that
            continue


def _check_choices(node: Node, value: dict[str, Any], place: Place, run: Run) -> None:
    for choice in node.choices:
        given = choice.intersection(value)
        if len(given) > 1:
            run.add("WKV106", place, f"more than one of a choice is given: {', '.join(sorted(given))}")


def _missing(names: tuple[str, ...], value: dict[str, Any], place: Place, run: Run) -> None:
    if not any(name in value or "_" + name in value for name in names):
        wanted = names[0] if len(names) == 1 else "one of " + ", ".join(names[:6])
        run.add("WKV102", place, f"element {wanted} is missing and must be there")


def _other(node: Node, key: Any, held: Any, value: dict[str, Any], place: Place, run: Run) -> None:
    """A key that is no element: the `_` sibling of a primitive, or unknown."""
    if isinstance(key, str) and key.startswith("_"):
        element = node.elements.get(key[1:])
        if element is not None and element.primitive:
            _sibling(node, element, held, value, place, key, run)
            return
    if run.full:
        return
    run.add(
        "WKV101",
        (place, str(key)),
        f"element {key!r} does not exist in {node.name}",
        did_you_mean(str(key), node.elements) if len(run.found) < MOST_REMEDIES else "",
    )


def _sibling(node: Node, element: Element, held: Any, value: dict[str, Any], place: Place, key: str, run: Run) -> None:
    """The id and extensions of a primitive, in an object (or a list of objects and nulls) named `_name`."""
    here = (place, key)
    if not element.is_list:
        if element.group and any(n != key[1:] and n in value for n in node_group(value, element)):
            run.add("WKV106", here, f"more than one of a choice is given: {key} beside another value")
        _sibling_object(held, here, run, alone=key[1:] not in value)
        if element.type == "xhtml":
            run.add("WKV101", here, "XHTML has no id and no extensions beside it")
        if key[1:] not in value and (element.bound or (node.type == node.name and key == "_id")):
            run.add("WKV301", here, f"{key[1:]} has no code, and one of a value set is required")
        return
    if not isinstance(held, list):
        run.add("WKV109", here, f"{key} must be a list, as {key[1:]} is one")
        return
    values = value.get(key[1:])
    if run.stricter and isinstance(values, list) and len(values) != len(held):
        run.add("WKV111", here, f"{key} has {len(held)} entries and {key[1:]} has {len(values)}; they must pair up")
    for index, item in enumerate(held):
        if item is not None:
            _sibling_object(item, (here, index), run, alone=not _at(values, index))
            if element.bound and not _at(values, index):
                run.add("WKV301", (here, index), f"{key[1:]} has no code here, and one of a value set is required")
        elif not _at(values, index):
            run.add("WKV108", (here, index), "null stands here and beside it, so there is nothing at all")


def node_group(value: dict[str, Any], element: Element) -> list[str]:
    """The keys of an object that give a value to the same choice as `element`."""
    stem = element.group.removesuffix("[x]")
    return [k for k in value if isinstance(k, str) and k.startswith(stem) and k[len(stem) : len(stem) + 1].isupper()]


def _at(values: Any, index: int) -> bool:
    """Whether a list has a value at an index."""
    return isinstance(values, list) and index < len(values) and values[index] is not None


def _sibling_object(held: Any, here: Place, run: Run, *, alone: bool) -> None:
    if not isinstance(held, dict):
        run.add("WKV110", here, f"an object is needed, {_kind(held)} was found")
    elif not held:
        run.add("WKV107", here, "the object is empty", "Leave the element out.")
    else:
        if alone and "extension" not in held:
            run.add("WKV401", here, "invariant ele-1 is broken: all FHIR elements must have a value or children")
        walk(node_of("Element"), held, here, run)


def _primitive(record: dict[str, Any]) -> tuple[Callable[[Any], object], str]:
    name = record["t"]
    if name in NUMBER_TYPES:
        return number_test(name), FORMS[name]
    strength, url = record.get("b", ("", ""))
    if strength in ("required", "max") and name in ("code", "string", "uri", "id"):
        bound = value_set(url)
        if bound.codes is not None:
            return (bound.codes.__contains__ if not bound.syntax else bound.has_code), url
    return TEXT_TESTS[name], FORMS[name]


def _single(test: Callable[[Any], object], form: str, type_: str) -> Check:
    def check(value: Any, _owner: dict[str, Any], place: Place, key: str, run: Run) -> None:
        if value is None:
            run.add("WKV108", (place, key), "null is not allowed here", "Leave the element out.")
        else:
            _one_primitive(value, (place, key), run, test, form, type_)

    return check


def _primitive_list(test: Callable[[Any], object], form: str, type_: str) -> Check:
    def check(values: Any, owner: dict[str, Any], place: Place, key: str, run: Run) -> None:
        here = (place, key)
        if not _is_filled_list(values, here, run, "WKV114"):
            return
        beside = owner.get("_" + key)
        for index, value in enumerate(values):
            if value is not None:
                _one_primitive(value, (here, index), run, test, form, type_)
            elif not isinstance(beside, list) or index >= len(beside) or beside[index] is None:
                run.add("WKV108", (here, index), "null stands here and beside it, so there is nothing at all")

    return check


def _once(check: Check) -> Check:
    """The id of an element stands once in its resource."""

    def once(value: Any, owner: dict[str, Any], place: Place, key: str, run: Run) -> None:
        check(value, owner, place, key, run)
        if isinstance(value, str):
            if value in run.ids:
                run.add("WKV112", (place, key), f"id {value!r} is given to two elements of the resource")
            run.ids.add(value)

    return once


def _one_primitive(value: Any, here: Place, run: Run, test: Callable[[Any], object], form: str, type_: str) -> None:
    wanted_text = type_ in TEXT_TESTS
    if isinstance(value, list):
        run.add("WKV105", here, "one value is needed, a list was found")
    elif (wanted_text and not isinstance(value, str)) or (not wanted_text and isinstance(value, str | dict)):
        run.add("WKV201", here, f"{type_} must be {FORMS[type_]}, {_kind(value)} was found")
    elif value == "" and wanted_text:
        run.add("WKV107", here, "the text is empty", "Leave the element out.")
    elif not test(value):
        _refuse(value, here, run, form, type_)


def _refuse(value: Any, here: Place, run: Run, form: str, type_: str) -> None:
    if type_ in ("string", "markdown"):
        if type_ == "string" and len(value) > MOST_CHARACTERS:
            run.add("WKV208", here, f"the text has {len(value)} characters; allowed: {MOST_CHARACTERS}")
        elif run.stricter:
            run.add("WKV207", here, "the text has a control character")
    elif form != FORMS[type_]:
        allowed = value_set(form)
        remedy = did_you_mean(value, allowed.codes or ())
        run.add("WKV301", here, f"code {value!r} is not in the required value set {form}", remedy)
    else:
        shown = value if not isinstance(value, str) or len(value) <= 80 else value[:80] + "..."
        run.add("WKV202", here, f"{shown!r} is no {type_}; allowed: {form}")


def _kind(value: Any) -> str:
    names = {dict: "an object", list: "a list", str: "text", bool: "true or false", type(None): "null"}
    return names.get(type(value), "a number")


def _is_filled_list(values: Any, here: Place, run: Run, empty: str) -> bool:
    if not isinstance(values, list):
        run.add("WKV104", here, f"a list is needed, {_kind(values)} was found")
        return False
    if not values and (empty == "WKV107" or run.stricter):
        run.add(empty, here, "the list is empty", "Leave the element out.")
    return bool(values)


def _has_content(value: dict[str, Any], here: Place, run: Run) -> bool:
    if not value:
        run.add("WKV107", here, "the object is empty", "Leave the element out.")
        return False
    if run.stricter and len(value) == 1 and "id" in value:
        run.add("WKV113", here, "the object has an id and nothing else")
    return True


def _complex_single(one: One) -> Check:
    def check(value: Any, _owner: dict[str, Any], place: Place, key: str, run: Run) -> None:
        here = (place, key)
        if type(value) is dict:
            one(value, here, run)
        elif isinstance(value, list):
            run.add("WKV105", here, "one object is needed, a list was found")
        elif value is None:
            run.add("WKV108", here, "null is not allowed here", "Leave the element out.")
        else:
            run.add("WKV110", here, f"an object is needed, {_kind(value)} was found")

    return check


def _complex_list(one: One) -> Check:
    def check(values: Any, _owner: dict[str, Any], place: Place, key: str, run: Run) -> None:
        here = (place, key)
        if not _is_filled_list(values, here, run, "WKV107"):
            return
        for index, value in enumerate(values):
            if type(value) is dict:
                one(value, (here, index), run)
            else:
                run.add("WKV110", (here, index), f"an object is needed, {_kind(value)} was found")

    return check


def _complex(record: dict[str, Any], owner: str) -> One:
    """The check of one object of a complex element, with everything its table record asks for."""
    type_ = record["t"]
    if type_ == "Resource":
        return _contained if record["n"] == "contained" else walk_resource
    extra = _extra_checks(record, owner)
    node: Node | None = None

    def one(value: Any, here: Place, run: Run) -> None:
        nonlocal node
        if node is None:  # types refer to each other in circles, so nodes are made on first use
            node = node_of(owner, type_) if "." in type_ else node_of(type_)
        if len(value) > 1 or _has_content(value, here, run):
            walk(node, value, here, run)
            for check in extra:
                check(value, here, run)

    return _with_own_ids(one) if type_ == "StructureDefinition.snapshot" else one


def _with_own_ids(one: One) -> One:
    """A snapshot repeats the elements of the differential, and so their ids (sdf-16, sdf-17: unique in each)."""

    def check(value: Any, here: Place, run: Run) -> None:
        ids, run.ids = run.ids, set()
        one(value, here, run)
        run.ids = ids

    return check


_MEASURES = frozenset({"Age", "Distance", "Duration", "Count"})
_QUANTITIES = frozenset({"Quantity", "SimpleQuantity", "MoneyQuantity"})


# Codings with a preferred binding, which the tables do not hold.
_PREFERRED = frozenset(
    {("Contract", "type"), ("DocumentReference", "format"), ("Location", "operationalStatus"), ("Signature", "type")}
)


def _extra_checks(record: dict[str, Any], owner: str) -> list[One]:
    checks: list[One] = []
    type_ = record["t"]
    if (type_ == "Extension" and owner == "Extension") or record.get("c"):
        checks.append(check_depth)
    if type_ == "Reference":
        checks.append(check_reference(tuple(record.get("r", ()))))
    elif type_ == "Extension":
        modifier = record["n"] == "modifierExtension"
        checks.append(lambda value, here, run: check_extension(value, here, run, modifier))
    elif type_ == "Coding":
        checks.append(check_concept_coding if owner == "CodeableConcept" else check_lone_coding)
        bound = "b" in record and value_set(record["b"][1]).known
        if owner != "CodeableConcept" and not bound and (owner, record["n"]) not in _PREFERRED:
            checks.append(check_coding_system)
    elif type_ in _QUANTITIES:
        checks.append(check_quantity)
    elif type_ == "Attachment":
        checks.append(check_attachment)
    elif type_ in _MEASURES:
        checks.append(check_measure)
    elif type_ == "Identifier":
        checks.append(check_identifier)
    elif type_ == "Narrative":
        checks.append(check_narrative)
    if "b" in record:
        checks.append(coded_check(type_, *record["b"]))
    return checks + _rule_checks(record, owner)


def _rule_checks(record: dict[str, Any], owner: str) -> list[One]:
    return [_rule_check(rule) for rule in rules_of(owner, "", type_record(owner) or {}, record.get("i", ()))]


def _ruled(check: Check, rules: list[One]) -> Check:
    """A text with invariants of its own."""

    def ruled(value: Any, owner: dict[str, Any], place: Place, key: str, run: Run) -> None:
        check(value, owner, place, key, run)
        if isinstance(value, str):
            for rule in rules:
                rule(value, (place, key), run)

    return ruled


def check_depth(_value: Any, here: Place, run: Run) -> None:
    """Elements that may hold themselves stop at the depth that the official validator reads."""
    above = here[0][0]
    if above is None or above[0] is None or above[0][1] != here[0][1]:
        return  # not in another of its kind
    if depth(here) > MOST_DEPTH:
        run.add("WKV005", here, f"the JSON is nested deeper than {MOST_DEPTH}")


def _rule_check(rule: Rule) -> One:
    def check(value: Any, here: Place, run: Run) -> None:
        if not rule.holds(value, run):
            rule.report(here, run)

    return check


def walk_resource(value: Any, place: Place, run: Run) -> None:
    """Check a resource: the outermost one, an entry of a bundle, or a parameter."""
    root, base = run.root, run.base
    run.root = value
    _resource(value, place, run)
    run.root, run.base = root, base


def _contained(value: Any, place: Place, run: Run) -> None:
    base, name = run.base, value.get("id")
    if not isinstance(name, str):
        run.add("WKV102", place, "a contained resource must have an id")
    elif len(run.contained(name)) > 1:
        run.add("WKV112", (place, "id"), f"id {name!r} is given to two contained resources")
    _resource(value, place, run)
    run.base = base


def _resource(value: Any, place: Place, run: Run) -> None:
    name = value.get("resourceType")
    if not isinstance(name, str):
        run.add("WKV008", place, "the object has no resourceType, so it is no resource")
        return
    if name not in resource_types():
        remedy = did_you_mean(name, resource_types())
        run.add("WKV009", (place, "resourceType"), f"{name!r} is no R4 resource type", remedy)
        return
    outer, bundle, links, ids = run.resource, run.bundle, run.links, run.ids
    run.resource, run.base, run.ids = value, place, set()
    if name == "Bundle":
        run.bundle, run.links = entries_by_url(value), []
    walk(node_of(name), value, place, run)
    if name == "Bundle":
        check_bundle(value, place, run)
    elif name in DEFINITIONS:
        check_definition(value, place, run)
    if run.profiles is not None:
        run.profiles(value, place)
    run.resource, run.bundle, run.links, run.ids = outer, bundle, links, ids
