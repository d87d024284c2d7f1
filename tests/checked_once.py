"""A fixture of all tests: each pathway of the library that a command asks for is checked once a run.

Checking is pure, so what is made of equal bytes for an equal clinic is equal; the tests of the pathways themselves load
them without this.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from waykeeper.pathway.library import library_part
from waykeeper.verbs import inputs


@pytest.fixture(scope="session", autouse=True)
def pathways_are_checked_once() -> Iterator[None]:
    """What `load` gave for the same files is given again where no part lies beside the pathway's own file."""
    load, parts_beside = inputs.load, inputs.parts_beside
    known: dict[Any, list[tuple[Any, Any]]] = {}

    def once(source: Any, overlays: Any, rules: Any, policies: Any, clinic: Any, parts: Any) -> Any:
        if parts is not library_part:
            return load(source, overlays, rules, policies, clinic, parts)
        made = known.setdefault((source, *overlays), [])
        found = next((one for other, one in made if other == clinic), None)
        if found is None:
            found = load(source, overlays, rules, policies, clinic, parts)
            made.append((clinic, found))
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(inputs, "load", once)
        patch.setattr(inputs, "parts_beside", lambda file: parts_beside(file) if file else library_part)
        yield
