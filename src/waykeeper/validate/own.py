"""The definitions of what Waykeeper itself adds to resources, ready to be laid over them.

They are data of the room `fhir`, which makes them; they are read here as data so that validating a file does not wait
for that room and for everything that it stands on.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import orjson

from waykeeper.validate.profiles import Profiles, load_profiles


def own_definition_files() -> tuple[bytes, ...]:
    """Each definition as it ships, by file name: the one place that lists the folder."""
    folder = files("waykeeper") / "fhir" / "definitions"
    found = sorted((f for f in folder.iterdir() if f.name.endswith(".json")), key=lambda f: f.name)
    return tuple(file.read_bytes() for file in found)


@cache
def own_definitions() -> Profiles:
    """Our extensions and code systems, read and compiled once a process."""
    return load_profiles(orjson.loads(text) for text in own_definition_files())
