"""Single-fault mutants of a resource, by layer. Most are invalid, some stay valid: the judge decides."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from waykeeper.validate.tables import resource_types, type_record

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Spot:
    """One element in a resource: the object or list that holds it, its key, and the table's record of it."""

    holder: Any
    key: Any
    element: Json
    owner: Json

    @property
    def value(self) -> Any:
        return self.holder[self.key]


def spots(resource: Json) -> list[Spot]:
    """Every element below a resource that the tables know."""
    return list(_below(resource, resource["resourceType"], resource["resourceType"]))


def _below(value: Json, type_: str, node: str) -> Iterator[Spot]:
    record = type_record(type_)
    elements = {e["n"]: e for e in record["nodes"][node]["e"]} if record and node in record["nodes"] else {}
    for key, held in list(value.items()):
        element = elements.get(key)
        if element is None:
            continue
        yield Spot(value, key, element, value)
        items = held if isinstance(held, list) else [held]
        for index, item in enumerate(items):
            if isinstance(held, list):
                yield Spot(held, index, element, value)
            if isinstance(item, dict):
                yield from _inside(item, type_, element["t"])


def _inside(item: Json, type_: str, kind: str) -> Iterator[Spot]:
    if kind == "Resource":
        if item.get("resourceType") in resource_types():
            yield from _below(item, item["resourceType"], item["resourceType"])
    elif "." in kind:
        yield from _below(item, type_, kind)
    else:
        yield from _below(item, kind, kind)


BAD: dict[str, list[Any]] = {
    "date": ["2026-02-30", "2026-2-3", "20260203", "2026-13-01", "banana", "2026-01-01T00:00:00Z", "0000", "2026-00"],
    "dateTime": [
        "2026-02-30",
        "2026-01-01T10:00:00",
        "2026-01-01T10:00Z",
        "2026-01-01T25:00:00Z",
        "2026-01-01 10:00:00Z",
        "banana",
        "2026-01-01T10:00:00+25:00",
    ],
    "instant": ["2026-01-01", "2026-01-01T10:00:00", "2026-01-01T10:00Z", "2026-02-30T10:00:00Z", "banana"],
    "time": ["10:00", "25:00:00", "10:00:00Z", "banana", "10:00:00.5"],
    "id": ["a b", "a_b", "x" * 65, "ä", "a/b"],
    "uri": ["http://example.org/a b", " http://example.org", "urn:uuid:XYZ", "urn:oid:9.banana", "uuid:1", "oid:1.2"],
    "url": ["http://example.org/a b", "banana", "urn:uuid:1"],
    "canonical": ["http://example.org/a b", "banana", "|1"],
    "oid": ["1.2.3", "urn:oid:3.1", "urn:oid:1.02", "banana"],
    "uuid": [
        "0b1c2d3e-0000-4000-8000-00000000000b",
        "urn:uuid:banana",
        "urn:uuid:0B1C2D3E-0000-4000-8000-00000000000B",
    ],
    "code": [" a", "a ", "a  b", "a\tb", "banana"],
    "string": [" ", "\t", " lead", "trail ", "a\u0001b", "a\u00a0b"],
    "markdown": [" ", "a\u0001b"],
    "base64Binary": ["a", "abc", "@@@@", "aGVs bG8=", "aGVsbG8"],
    "boolean": ["true", 1, "banana", "false"],
    "integer": ["1", 1.5, 2**31, -(2**31) - 1, "banana", True],
    "unsignedInt": [-1, "1", 2**31, 1.5, 0],
    "positiveInt": [0, -1, "1", 2**31, 1.5],
    "decimal": ["1", "banana", True],
    "xhtml": [
        "text",
        "<p>text</p>",
        "<div>text</div>",
        '<div xmlns="http://www.w3.org/1999/xhtml"></div>',
        '<div xmlns="http://www.w3.org/1999/xhtml"><script>x</script></div>',
        '<div xmlns="http://www.w3.org/1999/xhtml"><p onclick="x()">t</p></div>',
        '<div xmlns="http://www.w3.org/1999/xhtml"><p>open</div>',
        '<div xmlns="http://www.w3.org/1999/xhtml">a&nbsp;b</div>',
        '<div xmlns="http://www.w3.org/1999/xhtml">a&#160;b</div>',
        '<div xmlns="http://www.w3.org/1999/xhtml"><form>t</form></div>',
        '<div xmlns="http://www.w3.org/1999/xhtml"><a href="http://example.org">t</a></div>',
        '<div xmlns="http://www.w3.org/1999/xhtml"><img src="a.png" alt="t"/></div>',
        '<div xmlns="http://www.w3.org/1999/xhtml"><p class="a" style="b" title="c">t</p></div>',
        '<div xmlns="http://www.w3.org/1999/xhtml"><table border="1"><tr><td colspan="2">t</td></tr></table></div>',
        '<div xmlns="http://www.w3.org/1999/xhtml"><iframe src="http://example.org"/></div>',
        '<div xmlns="http://www.w3.org/1999/xhtml"> </div>',
        '<div xmlns="http://example.org">t</div>',
    ],
}

KNOWN_EXTENSIONS: list[Json] = [
    {"url": "http://hl7.org/fhir/StructureDefinition/careplan-activity-title", "valueString": "t"},
    {"url": "http://hl7.org/fhir/StructureDefinition/request-doNotPerform", "valueBoolean": True},
    {"url": "http://hl7.org/fhir/StructureDefinition/request-statusReason", "valueCodeableConcept": {"text": "t"}},
    {
        "url": "http://hl7.org/fhir/StructureDefinition/workflow-episodeOfCare",
        "valueReference": {"reference": "EpisodeOfCare/1"},
    },
    {
        "url": "http://hl7.org/fhir/StructureDefinition/resource-pertainsToGoal",
        "valueReference": {"reference": "Goal/1"},
    },
    {
        "url": "http://hl7.org/fhir/StructureDefinition/resource-pertainsToGoal",
        "valueReference": {"reference": "Patient/1"},
    },
    {"url": "http://hl7.org/fhir/StructureDefinition/resource-pertainsToGoal", "valueString": "x"},
    {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"},
    {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "banana"},
    {
        "url": "http://hl7.org/fhir/StructureDefinition/patient-nationality",
        "extension": [{"url": "code", "valueCodeableConcept": {"text": "x"}}],
    },
    {
        "url": "http://hl7.org/fhir/StructureDefinition/patient-nationality",
        "extension": [{"url": "banana", "valueString": "x"}],
    },
    {"url": "http://hl7.org/fhir/StructureDefinition/patient-birthPlace", "valueAddress": {"city": "X"}},
    {"url": "http://hl7.org/fhir/StructureDefinition/rendering-style", "valueString": "color: red"},
    {
        "url": "http://hl7.org/fhir/StructureDefinition/translation",
        "extension": [{"url": "lang", "valueCode": "de"}, {"url": "content", "valueString": "x"}],
    },
    {"url": "http://hl7.org/fhir/StructureDefinition/iso21090-EN-use", "valueCode": "banana"},
    {"url": "http://example.org/unknown", "valueString": "x"},
    {"url": "http://example.org/unknown", "valueInteger": 3},
    {"url": "http://example.org/unknown"},
    {
        "url": "http://example.org/unknown",
        "valueString": "x",
        "extension": [{"url": "http://example.org/y", "valueString": "y"}],
    },
    {"valueString": "no url"},
    {"url": "http://example.org/unknown", "valueBanana": "x"},
    {"url": "relative", "valueString": "x"},
]


def _set_bad(spot: Spot, rng: random.Random) -> str | None:
    kind = spot.element["t"]
    if kind not in BAD or isinstance(spot.value, list):
        return None
    bad = rng.choice(BAD[kind])
    spot.holder[spot.key] = bad
    return f"primitive/{kind}={str(bad)[:60]!r}"


def _empty(spot: Spot, rng: random.Random) -> str:
    bad = rng.choice([{}, [], "", None, [None], [{}], [[]]])
    spot.holder[spot.key] = bad
    return f"json/empty={bad!r}"


def _shape(spot: Spot, rng: random.Random) -> str | None:
    value = spot.value
    if isinstance(value, list):
        spot.holder[spot.key] = value[0]
        return "structure/list to one"
    if isinstance(spot.holder, list):
        spot.holder.append(copy.deepcopy(value))
        return "structure/twice"
    wrapped = rng.choice(["list", "text", "number", "object"])
    spot.holder[spot.key] = {"list": [value], "text": "x", "number": 3, "object": {"x": 1}}[wrapped]
    return f"structure/{'object' if isinstance(value, dict) else 'primitive'} to {wrapped}"


def _remove(spot: Spot, rng: random.Random) -> str | None:
    if isinstance(spot.holder, list):
        return None
    del spot.holder[spot.key]
    return "structure/remove required" if spot.element.get("m") else "structure/remove optional"


def _unknown(spot: Spot, rng: random.Random) -> str | None:
    if isinstance(spot.value, dict):
        name = rng.choice(["banana", "_banana", "Status", "valueFoo", "resourceType", "id", "fhir_comments"])
        spot.value[name] = rng.choice(["x", {"x": 1}, ["x"]])
        return f"structure/unknown {name}"
    if not isinstance(spot.holder, list):
        spot.holder[str(spot.key) + rng.choice(["s", "X"])] = spot.value
        return "structure/unknown sibling"
    return None


def _sibling(spot: Spot, rng: random.Random) -> str | None:
    if isinstance(spot.holder, list) or spot.element["t"] not in BAD:
        return None
    good: Any = {"extension": [{"url": "http://example.org/e", "valueString": "x"}]}
    if isinstance(spot.value, list):
        good = [good, *([None] * (len(spot.value) - 1))]
    kinds: dict[str, Any] = {
        "good": good,
        "text": "x",
        "empty": {},
        "list": [good],
        "id": {"id": "a"},
        "null": None,
        "unknown": {"banana": 1},
    }
    kind = rng.choice(list(kinds))
    spot.holder[f"_{spot.key}"] = kinds[kind]
    if rng.random() < 0.3:
        del spot.holder[spot.key]
        return f"sibling/{kind} alone"
    return f"sibling/{kind}"


def _binding(spot: Spot, rng: random.Random) -> str | None:
    element, value = spot.element, spot.value
    if isinstance(value, list):
        return None
    strength = element["b"][0] if "b" in element else "none"
    if element["t"] == "code":
        spot.holder[spot.key] = "banana"
        return f"binding/code {strength}"
    if element["t"] not in ("CodeableConcept", "Coding"):
        return None
    bad = rng.choice(
        [
            {"system": "http://hl7.org/fhir/CodeSystem/task-code", "code": "banana"},
            {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "CAREGAP"},
            {"system": "http://example.org/x", "code": "banana"},
            {"code": "banana"},
            {"system": "http://example.org/x"},
            {"display": "x"},
            {"system": "http://snomed.info/sct", "code": "1"},
            {"system": "http://loinc.org", "code": "banana"},
            {"system": "banana", "code": "x"},
            {"system": "http://hl7.org/fhir/ValueSet/task-code", "code": "x"},
            {"system": "http://terminology.hl7.org/CodeSystem/v3-NullFlavor", "code": "UNK"},
        ]
    )
    concept = element["t"] == "CodeableConcept"
    if concept and rng.random() < 0.15:
        spot.holder[spot.key] = {"text": "only text"}
        return f"binding/text {strength}"
    spot.holder[spot.key] = {"coding": [bad]} if concept else bad
    return f"binding/{element['t']} {strength} {json.dumps(bad)}"


def _reference(spot: Spot, rng: random.Random) -> str | None:
    if spot.element["t"] != "Reference" or not isinstance(spot.value, dict):
        return None
    bad = rng.choice(
        [
            {"reference": "Encounter/1"},
            {"reference": "Slot/1"},
            {"reference": "#nothing"},
            {"reference": "Banana/1"},
            {"reference": "Patient/a b"},
            {"reference": "Patient"},
            {"reference": "http://example.org/fhir/Basic/1"},
            {"reference": "urn:uuid:0b1c2d3e-0000-4000-8000-00000000000c"},
            {"reference": "Patient?identifier=a|b"},
            {"reference": "Patient/1", "type": "Slot"},
            {"type": "Banana", "display": "x"},
            {"display": "only"},
            {"identifier": {"system": "http://example.org", "value": "1"}},
            {"reference": "#"},
            {"reference": "Basic/1/_history/2"},
            {"reference": "urn:uuid:banana"},
            {"reference": "http://example.org/some/page"},
            {"reference": "x"},
            {"type": "Slot", "identifier": {"value": "1"}},
            {"reference": "Patient/" + "x" * 70},
        ]
    )
    spot.holder[spot.key] = bad
    return f"reference/{json.dumps(bad)[:70]}"


def _extension(spot: Spot, rng: random.Random) -> str | None:
    if not isinstance(spot.value, dict) or spot.element["t"] == "Resource":
        return None
    extension = copy.deepcopy(rng.choice(KNOWN_EXTENSIONS))
    spot.value.setdefault("extension", []).append(extension)
    return f"extension/{json.dumps(extension)[:100]}"


def _add(spot: Spot, rng: random.Random) -> str | None:
    """Another element of the same object: may break a choice or an invariant."""
    from contract.validator.instances import Maker

    kind = spot.element["t"]
    if isinstance(spot.value, dict) and "." not in kind and kind != "Resource":
        type_ = node = kind
    else:
        return None
    record = type_record(type_)
    if record is None:
        return None
    element = rng.choice(record["nodes"][node]["e"])
    if element["n"] in spot.value or element["n"] in ("extension", "contained", "modifierExtension", "id"):
        return None
    made = Maker(rng).value(type_, element, 3)
    if made is None:
        return None
    spot.value[element["n"]] = [made] if element.get("l") else made
    return f"invariant/add {node}.{element['n']}"


def _period(spot: Spot, rng: random.Random) -> str | None:
    if spot.element["t"] != "Period" or not isinstance(spot.value, dict):
        return None
    pairs = [
        ("2026-02-01", "2026-01-01"),
        ("2026-01-01", "2026-01-01T10:00:00Z"),
        ("2026-01", "2026-01-05"),
        ("2026-01-01T10:00:00+02:00", "2026-01-01T09:00:00Z"),
        ("2026-01-01", "2026-01-01"),
        ("2025", "2026-01"),
        ("2026-01-01T10:00:00Z", "2026-01-01"),
    ]
    start, end = rng.choice(pairs)
    spot.value["start"], spot.value["end"] = start, end
    return f"invariant/per-1 {start} {end}"


STEPS: list[Callable[[Spot, random.Random], str | None]] = [
    _set_bad,
    _set_bad,
    _set_bad,
    _empty,
    _shape,
    _remove,
    _unknown,
    _sibling,
    _binding,
    _binding,
    _reference,
    _reference,
    _extension,
    _add,
    _add,
    _period,
]


def _pick(choice: list[Spot], rng: random.Random) -> Spot:
    """One spot, each element type as likely as another, so that ids and codes do not crowd out the rest."""
    kinds: dict[str, list[Spot]] = {}
    for spot in choice:
        kinds.setdefault(spot.element["t"], []).append(spot)
    return rng.choice(kinds[rng.choice(sorted(kinds))])


def text_mutants(resource: Json, rng: random.Random) -> Iterator[tuple[str, str]]:
    """(what, text): faults of the JSON itself."""
    text = json.dumps(resource)
    first = list(resource)[-1]
    cut = rng.randrange(1, len(text) - 1)
    yield "json/duplicate key", text[:-1] + f', "{first}": {json.dumps(resource[first])}}}'
    yield "json/cut off", text[:cut]
    yield "json/trailing comma", text[:-1] + ",}"
    yield "json/NaN", text[:-1] + ', "x": NaN}'
    yield "json/two values", text + " {}"
    yield "json/single quotes", text.replace('"', "'")
    yield "json/comment", text[:-1] + " /* c */ }"
    yield "json/no object", json.dumps([resource])
    yield "json/raw tab", text.replace('"id": "', '"id": "\t', 1)
    yield "json/escaped", text.replace('"id"', '"\\u0069d"', 1)
    yield "json/number as written", text[:-1] + ', "x": 01}'


def mutants(resource: Json, rng: random.Random, count: int) -> Iterator[tuple[str, Json]]:
    """(layer/what, mutant) for `count` random single faults of a resource."""
    made = tries = 0
    while made < count and tries < count * 40:
        tries += 1
        changed = copy.deepcopy(resource)
        spot = _pick(spots(changed), rng)
        what = rng.choice(STEPS)(spot, rng)
        if what is None or changed == resource:
            continue
        made += 1
        yield f"{what} @{spot.element['n']}:{spot.element['t']}", changed


def root_mutants(resource: Json, rng: random.Random, count: int) -> Iterator[tuple[str, Json]]:
    """(what, mutant) for faults at the root: another element of the type added, or one removed."""
    from contract.validator.instances import Maker

    name = resource["resourceType"]
    record = type_record(name)
    assert record is not None
    for _ in range(count):
        changed = copy.deepcopy(resource)
        element = rng.choice(record["nodes"][name]["e"])
        if element["n"] in changed:
            del changed[element["n"]]
            yield f"root/remove {name}.{element['n']}", changed
        elif element["n"] not in ("contained", "extension", "modifierExtension"):
            made = Maker(rng, 0.5).value(name, element, 1)
            if made is not None:
                changed[element["n"]] = [made] if element.get("l") else made
                yield f"root/add {name}.{element['n']}", changed
