"""Which slice of a profile a value belongs to: discriminators by value, pattern, type and existence."""

from __future__ import annotations

import re
from typing import Any

from waykeeper.validate.profiles import ProfileElement
from waykeeper.validate.references import target_type
from waykeeper.validate.run import Run
from waykeeper.validate.tables import resource_types

Json = dict[str, Any]

_EXTENSION = re.compile(r"extension\('([^']+)'\)")


class NotTold(Exception):  # noqa: N818 - an answer, not an error
    """A discriminator that cannot be evaluated here."""


def slice_of(element: ProfileElement, slicing: Json, value: Any, key: str, run: Run) -> str | None:
    """The first slice whose discriminators all fit the value, or None. Raises NotTold."""
    discriminators = slicing.get("discriminator") or []
    if not discriminators and element.name.endswith("[x]"):
        discriminators = [{"type": "type", "path": "$this"}]  # a choice is sliced by nothing else
    if not discriminators:
        raise NotTold("it has no discriminator")
    for name, part in element.slices.items():
        if all(_fits(part, d, value, key, run) for d in discriminators):
            return name
    return None


def _fits(part: ProfileElement, discriminator: Json, value: Any, key: str, run: Run) -> bool:
    kind, path = discriminator.get("type"), str(discriminator.get("path", "$this"))
    if kind in ("value", "pattern"):
        return _fits_value(part, path, value)
    if kind == "exists":
        if "(" in path:
            raise NotTold(f"existence of {path} is not supported")
        target = _demanded(part, path)
        wanted = target is None or target.most != 0
        return bool(_held(path, value)) == wanted
    if kind == "type":
        return _fits_type(part, path, value, key, run)
    raise NotTold(f"discriminator {kind!r} is not supported")


def _fits_value(part: ProfileElement, path: str, value: Any) -> bool:
    if path == "url" and part.name in ("extension", "modifierExtension"):
        urls = [u for t in part.record.get("type", []) for u in t.get("profile", [])]
        if urls:
            return isinstance(value, dict) and value.get("url") in [u.partition("|")[0] for u in urls]
    demands = _demands(part, path)
    if not demands:
        raise NotTold(f"slice {part.record.get('sliceName', part.path)!r} states no value for {path}")
    return all(any(_equal(held, kind, wanted) for held in _held(below, value)) for below, kind, wanted in demands)


def _equal(held: Any, kind: str, wanted: Any) -> bool:
    return bool(held == wanted) if kind == "fixed" else fits_pattern(held, wanted)


def fits_pattern(value: Any, pattern: Any) -> bool:
    """Whether a value holds everything that the pattern holds (lists: each item somewhere)."""
    if isinstance(pattern, dict):
        return isinstance(value, dict) and all(k in value and fits_pattern(value[k], p) for k, p in pattern.items())
    if isinstance(pattern, list):
        return isinstance(value, list) and all(any(fits_pattern(v, p) for v in value) for p in pattern)
    return bool(value == pattern)


def _demands(part: ProfileElement, path: str) -> list[tuple[str, str, Any]]:
    """(path, fixed or pattern, value) that a slice states at a path, above it or below it."""
    return _demands_from(part, [] if path == "$this" else path.split("."), path)


def _demands_from(at: ProfileElement, steps: list[str], path: str) -> list[tuple[str, str, Any]]:
    """As `_demands`, with the steps of the path that are left below an element.

    What a required slice below states (`coding:SBPCode` of blood pressure) one of the values there must hold.
    """
    if at.fixed:
        kind, wanted = at.fixed
        below = _dig(wanted, steps)
        return [] if below is None else [(path, "pattern" if steps else kind, below)]
    if not steps:
        return _below(at, path)
    child = at.children.get(steps[0]) or at.children.get(steps[0] + "[x]")
    if child is None:
        return []
    needed = [child, *(part for part in child.slices.values() if part.least)]
    return next((found for one in needed if (found := _demands_from(one, steps[1:], path))), [])


def _below(at: ProfileElement, path: str) -> list[tuple[str, str, Any]]:
    out = []
    for name, child in at.children.items():
        here = name if path == "$this" else f"{path}.{name}"
        if child.fixed:
            out.append((here, *child.fixed))
        else:
            out += _below(child, here)
    return out


def _dig(value: Any, steps: list[str]) -> Any:
    for step in steps:
        if isinstance(value, list):
            value = value[0] if value else None
        value = value.get(step) if isinstance(value, dict) else None
    return value


def _demanded(part: ProfileElement, path: str) -> ProfileElement | None:
    at: ProfileElement | None = part
    for step in [] if path == "$this" else path.split("."):
        at = at.children.get(step) if at else None
    return at


def _held(path: str, value: Any) -> list[Any]:
    """The values that an instance has at a discriminator's path."""
    held = [value]
    for step in [] if path == "$this" else re.split(r"\.(?![^(]*\))", path):
        extension = _EXTENSION.fullmatch(step)
        below = []
        for one in held:
            if extension:
                items = one.get("extension", []) if isinstance(one, dict) else []
                below += [i for i in items if isinstance(i, dict) and i.get("url") == extension[1]]
            elif isinstance(one, dict):
                below += _step(one, step)
        held = below
    return held


def _step(value: Json, step: str) -> list[Any]:
    stem = step.removesuffix("[x]")
    found = []
    for key, held in value.items():
        if key == step or (
            key.startswith(stem)
            and key[len(stem) : len(stem) + 1].isupper()
            and stem in ("value", "effective", "onset")
        ):
            found += held if isinstance(held, list) else [held]
    return found


def _fits_type(part: ProfileElement, path: str, value: Any, key: str, run: Run) -> bool:
    codes = {str(t.get("code")) for t in part.record.get("type", [])}
    if path == "$this":
        stem = part.name.removesuffix("[x]")
        return any(key == stem + code[:1].upper() + code[1:] for code in codes) or (
            isinstance(value, dict) and value.get("resourceType") in codes
        )
    if path.endswith("resolve()"):
        return _fits_target(part, path.removesuffix("resolve()").rstrip("."), value, run)
    target = _demanded(part, path)
    wanted = {str(t.get("code")) for t in (target.record.get("type", []) if target else [])}
    if not wanted:
        raise NotTold(f"slice {part.record.get('sliceName', part.path)!r} states no type for {path}")
    if not wanted <= resource_types() | {"Resource"}:
        return bool(_typed(path, value, wanted))
    return any(isinstance(v, dict) and v.get("resourceType") in wanted for v in _held(path, value))


def _typed(path: str, value: Any, wanted: set[str]) -> list[str]:
    """The keys of a choice at a path whose type is one of those wanted. Raises NotTold where it is no choice."""
    *above, last = path.split(".")
    stem = last.removesuffix("[x]")
    keys = [k for held in _held(".".join(above) or "$this", value) if isinstance(held, dict) for k in held]
    if stem in keys:
        raise NotTold(f"the type of {path} is not told by its name")
    return [k for k in keys if any(k == stem + code[:1].upper() + code[1:] for code in wanted)]


def _fits_target(part: ProfileElement, path: str, value: Any, run: Run) -> bool:
    target = _demanded(part, path) if path else part
    urls = [u for t in (target.record.get("type", []) if target else []) for u in t.get("targetProfile", [])]
    wanted = {u.rpartition("/")[2] for u in urls}
    if not wanted or not wanted <= resource_types():
        raise NotTold(f"the targets of slice {part.record.get('sliceName', part.path)!r} are no plain resource types")
    for held in _held(path or "$this", value):
        text = held.get("reference") if isinstance(held, dict) else None
        if isinstance(text, str) and target_type(text, run) in wanted:
            return True
    return False
