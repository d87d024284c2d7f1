"""Bundles of every type, and single faults of them that only show in a bundle."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable, Iterator
from typing import Any

Json = dict[str, Any]

A, B, C = (f"urn:uuid:0b1c2d3e-0000-4000-8000-0000000000a{n}" for n in (1, 2, 3))


def _patient(name: str) -> Json:
    return {"resourceType": "Patient", "id": name, "active": True}


def _task(name: str, about: str) -> Json:
    return {"resourceType": "Task", "id": name, "status": "requested", "intent": "plan", "for": {"reference": about}}


def _entry(url: str, resource: Json, **more: Any) -> Json:
    return {"fullUrl": url, "resource": resource, **more}


def base_bundles() -> dict[str, Json]:
    """A small valid bundle of each type."""
    base = "http://example.org/fhir"
    pair = [_entry(f"{base}/Patient/p", _patient("p")), _entry(f"{base}/Task/t", _task("t", "Patient/p"))]
    urns = [_entry(A, _patient("p")), _entry(B, _task("t", A))]

    def requests(entries: list[Json], method: str) -> list[Json]:
        return [
            e
            | {
                "request": {
                    "method": method,
                    "url": e["resource"]["resourceType"] + ("" if method == "POST" else "/" + e["resource"]["id"]),
                }
            }
            for e in copy.deepcopy(entries)
        ]

    narrative = {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">t</div>'}
    composition = {
        "resourceType": "Composition",
        "id": "c",
        "status": "final",
        "type": {"text": "t"},
        "date": "2026-01-01",
        "author": [{"reference": A}],
        "title": "t",
        "text": narrative,
        "section": [{"title": "s", "text": narrative, "entry": [{"reference": B}]}],
    }
    header = {
        "resourceType": "MessageHeader",
        "id": "m",
        "eventUri": "http://example.org/e",
        "source": {"endpoint": "http://example.org/s"},
        "focus": [{"reference": A}],
    }
    identifier = {"system": "urn:ietf:rfc:3986", "value": C}
    stamp = "2026-01-01T10:00:00Z"
    return {
        "collection": {"type": "collection", "entry": pair},
        "collection-urn": {"type": "collection", "entry": urns},
        "searchset": {
            "type": "searchset",
            "total": 2,
            "entry": [e | {"search": {"mode": "match"}} for e in copy.deepcopy(pair)],
        },
        "transaction-post": {"type": "transaction", "entry": requests(urns, "POST")},
        "transaction-put": {"type": "transaction", "entry": requests(urns, "PUT")},
        "batch": {"type": "batch", "entry": requests(pair, "PUT")},
        "history": {
            "type": "history",
            "total": 2,
            "entry": [e | {"response": {"status": "200"}} for e in requests(pair, "PUT")],
        },
        "transaction-response": {"type": "transaction-response", "entry": [{"response": {"status": "201"}}]},
        "batch-response": {
            "type": "batch-response",
            "entry": [{"response": {"status": "200"}, "resource": _patient("p")}],
        },
        "document": {
            "type": "document",
            "identifier": identifier,
            "timestamp": stamp,
            "entry": [_entry(C, composition), *copy.deepcopy(urns)],
        },
        "message": {"type": "message", "timestamp": stamp, "entry": [_entry(C, header), *copy.deepcopy(urns)]},
    }


def _each(change: Callable[[Json], object]) -> Callable[[Json], None]:
    def apply(bundle: Json) -> None:
        for entry in bundle["entry"]:
            change(entry)

    return apply


def _one(index: int, change: Callable[[Json], object]) -> Callable[[Json], None]:
    def apply(bundle: Json) -> None:
        change(bundle["entry"][index])

    return apply


def _set(**values: Any) -> Callable[[Json], None]:
    return lambda held: held.update(values)


def _drop(name: str) -> Callable[[Json], None]:
    return lambda held: held.pop(name, None)


def _reference(text: str) -> Callable[[Json], None]:
    def change(entry: Json) -> None:
        if "resource" in entry and entry["resource"]["resourceType"] == "Task":
            entry["resource"]["for"] = {"reference": text}

    return change


FAULTS: dict[str, Callable[[Json], object]] = {
    "none": lambda b: None,
    "no fullUrl": _one(-1, _drop("fullUrl")),
    "no fullUrl at all": _each(_drop("fullUrl")),
    "first without fullUrl": _one(0, _drop("fullUrl")),
    "same fullUrl": lambda b: b["entry"].append(copy.deepcopy(b["entry"][-1])),
    "fullUrl upper uuid": _one(-1, _set(fullUrl="urn:uuid:0B1C2D3E-0000-4000-8000-0000000000A9")),
    "fullUrl no uuid": _one(-1, _set(fullUrl="urn:uuid:banana")),
    "fullUrl oid": _one(-1, _set(fullUrl="urn:oid:1.2.3.4.5")),
    "fullUrl relative": _one(-1, _set(fullUrl="Task/t")),
    "fullUrl other id": _one(-1, _set(fullUrl="http://example.org/fhir/Task/other")),
    "fullUrl other type": _one(-1, _set(fullUrl="http://example.org/fhir/Patient/t")),
    "fullUrl history": _one(-1, _set(fullUrl="http://example.org/fhir/Task/t/_history/1")),
    "fullUrl no rest": _one(-1, _set(fullUrl="http://example.org/x")),
    "fullUrl word": _one(-1, _set(fullUrl="banana")),
    "no resource id": _one(-1, lambda e: e.get("resource", {}).pop("id", None)),
    "no resource": _one(-1, _drop("resource")),
    "no request": _one(-1, _drop("request")),
    "request added": _one(-1, _set(request={"method": "PUT", "url": "Task/t"})),
    "request bad method": _one(-1, _set(request={"method": "FETCH", "url": "Task/t"})),
    "request no url": _one(-1, _set(request={"method": "PUT"})),
    "response added": _one(-1, _set(response={"status": "200"})),
    "no response": _one(-1, _drop("response")),
    "search added": _one(-1, _set(search={"mode": "match"})),
    "search bad mode": _one(-1, _set(search={"mode": "banana"})),
    "total added": lambda b: b.update(total=2),
    "total wrong": lambda b: b.update(total=77),
    "no entry": lambda b: b.pop("entry"),
    "entry empty": lambda b: b.update(entry=[]),
    "entry empty object": lambda b: b["entry"].append({}),
    "no type": lambda b: b.pop("type"),
    "bad type": lambda b: b.update(type="banana"),
    "type collection": lambda b: b.update(type="collection"),
    "type transaction": lambda b: b.update(type="transaction"),
    "no identifier": lambda b: b.pop("identifier", None),
    "no timestamp": lambda b: b.pop("timestamp", None),
    "first entry gone": lambda b: b["entry"].pop(0),
    "first entry last": lambda b: b["entry"].append(b["entry"].pop(0)),
    "dangling urn": _each(_reference("urn:uuid:0b1c2d3e-0000-4000-8000-0000000000ff")),
    "dangling relative": _each(_reference("Patient/nobody")),
    "urn to a Task": _each(_reference(B)),
    "relative to a wrong type": _each(_reference("Slot/1")),
    "relative to entry": _each(_reference("Patient/p")),
    "absolute to entry": _each(_reference("http://example.org/fhir/Patient/p")),
    "absolute elsewhere": _each(_reference("http://example.com/fhir/Patient/p")),
    "conditional": _each(_reference("Patient?identifier=http://example.org/i|1")),
    "owner urn wrong type": _one(
        -1,
        lambda e: (
            e.get("resource", {}).update(owner={"reference": B})
            if e.get("resource", {}).get("resourceType") == "Task"
            else None
        ),
    ),
    "focus urn task": _one(
        -1,
        lambda e: (
            e.get("resource", {}).update(partOf=[{"reference": A}])
            if e.get("resource", {}).get("resourceType") == "Task"
            else None
        ),
    ),
    "unknown entry key": _one(-1, _set(banana=1)),
    "unknown resource type": _one(-1, _set(resource={"resourceType": "Banana", "id": "t"})),
    "resource without type": _one(-1, _set(resource={"id": "t"})),
    "resource fault": _one(-1, lambda e: e.get("resource", {}).update(status="banana")),
    "link": lambda b: b.update(link=[{"relation": "self", "url": "http://example.org"}]),
    "link without url": lambda b: b.update(link=[{"relation": "self"}]),
    "two links": lambda b: b.update(link=[{"relation": "self", "url": "http://example.org"}] * 2),
    "post to another type": _one(-1, _set(request={"method": "POST", "url": "Slot"})),
    "get with a body": _one(-1, _set(request={"method": "GET", "url": "Task/t"})),
    "ifNoneExist": _one(
        -1, lambda e: e.get("request", {}).update(ifNoneExist="identifier=a|b") if "request" in e else None
    ),
    "versions differ": lambda b: b["entry"].append(_with_version(b["entry"][-1])),
    "duplicate ids": lambda b: b["entry"].append(
        copy.deepcopy(b["entry"][-1]) | {"fullUrl": "urn:uuid:0b1c2d3e-0000-4000-8000-0000000000b7"}
    ),
    "nested bundle": lambda b: b["entry"].append(
        _entry(
            "urn:uuid:0b1c2d3e-0000-4000-8000-0000000000b8", {"resourceType": "Bundle", "id": "n", "type": "collection"}
        )
    ),
}


def _with_version(entry: Json) -> Json:
    made = copy.deepcopy(entry)
    if "resource" in made:
        made["resource"]["meta"] = {"versionId": "2"}
    return made


def bundle_cases(rng: random.Random | None = None, count: int = 0) -> Iterator[tuple[str, Json]]:
    """Every fault of every bundle type; with `count`, a random choice of that size."""
    cases = [(kind, name) for kind in base_bundles() for name in FAULTS]
    if rng is not None:
        cases = rng.sample(cases, min(count, len(cases)))
    for kind, name in cases:
        bundle = {"resourceType": "Bundle", "id": "b"} | json.loads(json.dumps(base_bundles()[kind]))
        try:
            FAULTS[name](bundle)
        except (KeyError, IndexError, AttributeError):
            continue
        yield f"bundle/{kind}/{name}", bundle
