"""Rules of the official validator on resources that define things: what they say of themselves must agree."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from waykeeper.validate.primitives import is_absolute
from waykeeper.validate.run import Place, Run
from waykeeper.validate.tables import value_set_record

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


def _check_guide(value: Json, place: Place, run: Run) -> None:
    for other, here in _rows(value, "dependsOn", place):
        uri = other.get("uri")
        if isinstance(uri, str) and "/ImplementationGuide/" not in uri:
            details = f"{uri!r} is no url of an implementation guide (.../ImplementationGuide/...)"
            run.add("WKV404", (here, "uri"), details)


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
            elif value_set_record(system.partition("|")[0]) is not None:
                remedy = "Name the code system, or put the value set into `valueSet`."
                run.add("WKV404", (here, "system"), f"{system!r} is a value set, and a code system is needed", remedy)


def _check_questionnaire(value: Json, place: Place, run: Run) -> None:
    """R4 Questionnaire.item.enableWhen.question: the linkId of the question that decides, which is another item.

    What stands below an item can be answered only where that item is enabled, so it cannot decide about it.
    """
    items = list(_items(value, place))
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


def _items(value: Json, place: Place) -> Iterator[tuple[Json, Place, int]]:
    """Every item, outer before inner, with its place and how many items it is with those below it."""
    for item, here in _rows(value, "item", place):
        below = list(_items(item, here))
        yield item, here, len(below) + 1
        yield from below


_CHECKS = {
    "CodeSystem": _check_code_system,
    "ImplementationGuide": _check_guide,
    "Questionnaire": _check_questionnaire,
    "ValueSet": _check_value_set,
}
DEFINITIONS = frozenset(_CHECKS)
