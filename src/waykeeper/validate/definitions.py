"""Rules of the official validator on resources that define things: what they say of themselves must agree."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from waykeeper.validate.primitives import is_absolute
from waykeeper.validate.run import Place, Run
from waykeeper.validate.tables import value_set_record
from waykeeper.validate.terminology import UNKNOWN, ValueSet, is_unknown_code, system_codes, value_set

Json = dict[str, Any]


def check_definition(value: Json, place: Place, run: Run) -> None:
    """The rules for a resource of one of the types of `DEFINITIONS`."""
    _CHECKS[value["resourceType"]](value, place, run)


def _rows(value: Json, name: str, place: Place) -> Iterator[tuple[Json, Place]]:
    """The objects in a list element, each with its place."""
    held = value.get(name)
    for index, row in enumerate(held if isinstance(held, list) else ()):
        if isinstance(row, dict):
            yield row, ((place, name), index)


def _check_code_system(value: Json, place: Place, run: Run) -> None:
    supplement = value.get("content") == "supplement"
    if supplement and "supplements" not in value:
        run.add("WKV404", (place, "content"), "a supplement must say which code system it supplements")
    elif "supplements" in value and not supplement:
        run.add("WKV404", (place, "supplements"), "a code system that supplements another has content 'supplement'")
    if value.get("content") == "not-present" and "concept" in value:
        run.add("WKV404", (place, "concept"), "content is 'not-present', and there are concepts")
    count, held = value.get("count"), sum(1 for _ in _items(value, place, "concept"))
    if value.get("content") == "complete" and type(count) is int and count != held:
        run.add("WKV404", (place, "count"), f"count is {count}, and the complete code system has {held} concepts")


def _check_guide(value: Json, place: Place, run: Run) -> None:
    for other, here in _rows(value, "dependsOn", place):
        uri = other.get("uri")
        if isinstance(uri, str) and "/ImplementationGuide/" not in uri:
            details = f"{uri!r} is no url of an implementation guide (.../ImplementationGuide/...)"
            run.add("WKV404", (here, "uri"), details)


def _check_concept_map(value: Json, place: Place, run: Run) -> None:
    """R4 ConceptMap.group: the codes of each side are codes of its system, and of the value set that is mapped."""
    for group, here in _rows(value, "group", place):
        for element, at in _rows(group, "element", here):
            _check_mapped(element, group.get("source"), _mapped_set(value, "source"), at, run)
            for target, there in _rows(element, "target", at):
                _check_mapped(target, group.get("target"), _mapped_set(value, "target"), there, run)


def _mapped_set(value: Json, side: str) -> ValueSet:
    url = value.get(side + "Uri", value.get(side + "Canonical"))
    return value_set(url.partition("|")[0]) if isinstance(url, str) else UNKNOWN


def _check_mapped(row: Json, system: Any, mapped: ValueSet, here: Place, run: Run) -> None:
    code = row.get("code")
    if not isinstance(system, str) or not isinstance(code, str) or system_codes(system) is None:
        return
    if is_unknown_code(system, code):
        run.add("WKV302", (here, "code"), f"code {code!r} is not in the code system {system}")
    elif not mapped.has(system, code):
        run.add("WKV404", (here, "code"), f"code {code!r} is not in the value set {mapped.url} that is mapped")


def _check_value_set(value: Json, place: Place, run: Run) -> None:
    """R4 ValueSet.compose.include.system: "An absolute URI which is the code system"."""
    compose = value.get("compose")
    for side in ("include", "exclude"):
        for part, here in _rows(compose if isinstance(compose, dict) else {}, side, (place, "compose")):
            system = part.get("system")
            if not isinstance(system, str):
                continue
            if not is_absolute(system):
                run.add("WKV404", (here, "system"), f"system {system!r} must be an absolute uri")
            elif "|" in system:
                plain, _, version = system.partition("|")
                remedy = f"Write {plain!r} into `system` and {version!r} into `version`."
                run.add("WKV404", (here, "system"), f"system {system!r} has a version in it", remedy)
            elif value_set_record(system) is not None:
                remedy = "Name the code system, or put the value set into `valueSet`."
                run.add("WKV404", (here, "system"), f"{system!r} is a value set, and a code system is needed", remedy)


def _check_questionnaire(value: Json, place: Place, run: Run) -> None:
    """R4 Questionnaire.item.enableWhen.question: the linkId of the question that decides, which is another item.

    What stands below an item can be answered only where that item is enabled, so it cannot decide about it.
    """
    items = list(_items(value, place, "item"))
    numbers: dict[str, int] = {}
    for number, (item, _, _) in enumerate(items):
        if isinstance(item.get("linkId"), str):
            numbers.setdefault(item["linkId"], number)
    for number, (item, here, size) in enumerate(items):
        for condition, at in _rows(item, "enableWhen", here):
            asked = condition.get("question")
            if not isinstance(asked, str):
                continue
            if asked not in numbers:
                run.add("WKV404", (at, "question"), f"no item has the linkId {asked!r}")
            elif number <= numbers[asked] < number + size:
                details = f"item {asked!r} cannot decide about itself or what it stands in"
                run.add("WKV404", (at, "question"), details)


def _items(value: Json, place: Place, name: str) -> Iterator[tuple[Json, Place, int]]:
    """Every item (or concept), outer before inner, with its place and how many items it is with those below it."""
    for item, here in _rows(value, name, place):
        below = list(_items(item, here, name))
        yield item, here, len(below) + 1
        yield from below


_CHECKS = {
    "CodeSystem": _check_code_system,
    "ConceptMap": _check_concept_map,
    "ImplementationGuide": _check_guide,
    "Questionnaire": _check_questionnaire,
    "ValueSet": _check_value_set,
}
DEFINITIONS = frozenset(_CHECKS)
