"""JSON Patch (RFC 6902) on a resource."""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping
from typing import Any

from waykeeper.sandbox.refusals import Refusal
from waykeeper.sandbox.resource_json import Resource, canonical

_NEEDS = {
    "add": ("value",),
    "replace": ("value",),
    "test": ("value",),
    "remove": (),
    "move": ("from",),
    "copy": ("from",),
}


def _refuse(details: str, number: int) -> Refusal:
    return Refusal("WKS219", f"operation {number}: {details}", f"[{number}]")


def _tokens(pointer: Any, number: int) -> list[str]:
    if not isinstance(pointer, str) or (pointer and not pointer.startswith("/")):
        raise _refuse("a pointer is text that begins with /", number)
    return [part.replace("~1", "/").replace("~0", "~") for part in pointer.split("/")[1:]]


def _index(token: str, length: int, number: int, *, end: bool) -> int:
    """An array index as RFC 6901 writes it; one past the end only where something is added."""
    if end and token == "-":
        return length
    if not token.isascii() or not token.isdigit() or (len(token) > 1 and token[0] == "0"):
        raise _refuse(f"{token!r} is no place in an array", number)
    if int(token) >= length + (1 if end else 0):
        raise _refuse(f"the array has {length} entries, no entry {token}", number)
    return int(token)


def _step(value: Any, token: str, number: int) -> Any:
    if isinstance(value, list):
        return value[_index(token, len(value), number, end=False)]
    if isinstance(value, dict) and token in value:
        return value[token]
    raise _refuse(f"there is nothing at {token!r}", number)


def _walk(value: Any, tokens: list[str], number: int) -> Any:
    for token in tokens:
        value = _step(value, token, number)
    return value


def _add(whole: Any, tokens: list[str], value: Any, number: int) -> Any:
    if not tokens:
        return value
    parent = _walk(whole, tokens[:-1], number)
    if isinstance(parent, list):
        parent.insert(_index(tokens[-1], len(parent), number, end=True), value)
    elif isinstance(parent, dict):
        parent[tokens[-1]] = value
    else:
        raise _refuse("the place to add to is neither object nor array", number)
    return whole


def _remove(whole: Any, tokens: list[str], number: int) -> Any:
    if not tokens:
        raise _refuse("the whole resource cannot be removed", number)
    parent = _walk(whole, tokens[:-1], number)
    taken = _step(parent, tokens[-1], number)
    if isinstance(parent, list):
        del parent[int(tokens[-1])]
    else:
        del parent[tokens[-1]]
    return taken


def _do_add(whole: Any, path: list[str], one: Resource, number: int) -> Any:
    return _add(whole, path, copy.deepcopy(one["value"]), number)


def _do_remove(whole: Any, path: list[str], _one: Resource, number: int) -> Any:
    _remove(whole, path, number)
    return whole


def _do_replace(whole: Any, path: list[str], one: Resource, number: int) -> Any:
    if path:
        _remove(whole, path, number)
    return _add(whole, path, copy.deepcopy(one["value"]), number)


def _do_test(whole: Any, path: list[str], one: Resource, number: int) -> Any:
    if canonical(_walk(whole, path, number)) != canonical(one["value"]):
        raise _refuse("the value is another one than the test expects", number)
    return whole


def _do_copy(whole: Any, path: list[str], one: Resource, number: int) -> Any:
    found = _walk(whole, _tokens(one["from"], number), number)
    return _add(whole, path, copy.deepcopy(found), number)


def _do_move(whole: Any, path: list[str], one: Resource, number: int) -> Any:
    source = _tokens(one["from"], number)
    if path[: len(source)] == source and path != source:
        raise _refuse("a value cannot be moved into itself", number)
    return _add(whole, path, _remove(whole, source, number), number)


_Do = Callable[[Any, list[str], Resource, int], Any]
_DO: Mapping[str, _Do] = {
    "add": _do_add,
    "remove": _do_remove,
    "replace": _do_replace,
    "test": _do_test,
    "copy": _do_copy,
    "move": _do_move,
}


def patched(resource: Any, operations: Any) -> Any:
    """Apply the operations to a copy. Raises Refusal at the first that cannot be done; nothing is half done."""
    if not isinstance(operations, list) or not operations:
        raise Refusal("WKS219", "a JSON Patch is a list of at least one operation")
    whole = copy.deepcopy(resource)
    for number, one in enumerate(operations):
        if not isinstance(one, dict) or not isinstance(one.get("op"), str) or one["op"] not in _DO:
            raise _refuse(f"op is one of {', '.join(sorted(_DO))}", number)
        missing = [name for name in ("path", *_NEEDS[one["op"]]) if name not in one]
        if missing:
            raise _refuse(f"{one['op']} lacks {missing[0]}", number)
        whole = _DO[one["op"]](whole, _tokens(one["path"], number), one, number)
    return whole
