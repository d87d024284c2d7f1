"""Where an extension stands, by every name that a definition may call that place."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from waykeeper.validate.run import Place, Run, steps
from waykeeper.validate.tables import type_record

_CATEGORIES = ("Resource", "DomainResource", "Element", "BackboneElement")


def container_names(here: Place, run: Run) -> frozenset[str] | None:
    """`element:NAME` and `extension:URL` for what holds the extension at `here`; None where it cannot be told."""
    above = here[0][0]
    path = steps(above)[len(steps(run.base)) :]
    names = _names(run.resource.get("resourceType"), tuple(step for step in path if isinstance(step, str)))
    url = _url_at(run.resource, path)
    return names if names is None or url is None else names | {f"extension:{url}"}


def _url_at(resource: Any, path: list[str | int]) -> str | None:
    """The url of the extension at a path, where it leads to one."""
    if len(path) < 2 or path[-2] not in ("extension", "modifierExtension"):
        return None
    held = resource
    for step in path:
        held = held[step]
    url = held.get("url") if isinstance(held, dict) else None
    return url if isinstance(url, str) else None


@lru_cache(maxsize=4096)
def _names(type_: str, path: tuple[str, ...]) -> frozenset[str] | None:
    record = type_record(type_)
    names = _type_names(type_)
    node = type_
    for step in path:
        element = _element(record, node, step.lstrip("_"))
        if element is None:
            return None
        name = element.get("g", element["n"])
        names = {f"{above}.{name}" for above in names if above not in _CATEGORIES}
        names |= {n.removesuffix("[x]") for n in names}
        kind = element["t"]
        if "." in kind:
            node = kind
            names |= {"BackboneElement", "Element", kind}
        else:
            record, node = type_record(kind), kind
            names |= _type_names(kind)
    return frozenset(f"element:{name}" for name in names) | {"element:Element"}


def _type_names(type_: str) -> set[str]:
    """A type and those it derives from."""
    names = set()
    while type_:
        names.add(type_)
        record = type_record(type_)
        type_ = record["base"] if record else ""
    return names


def _element(record: dict[str, Any] | None, node: str, name: str) -> dict[str, Any] | None:
    if record is None or node not in record["nodes"]:
        return None
    return next((e for e in record["nodes"][node]["e"] if e["n"] == name), None)
