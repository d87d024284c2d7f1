"""The toolkit's own StructureDefinitions, CodeSystems and ValueSets, served as they ship."""

from __future__ import annotations

from waykeeper.sandbox.parameters import READ_ONLY
from waykeeper.sandbox.resource_json import Resource, canonical, parse
from waykeeper.sandbox.store import Store
from waykeeper.validate.own import own_definition_files


def own_definitions() -> list[Resource]:
    """Every conformance resource that the package ships."""
    found = [parse(text) for text in own_definition_files()]
    return [one for one in found if isinstance(one, dict) and one.get("resourceType") in READ_ONLY and "id" in one]


def put_definitions(store: Store) -> int:
    """Put the definitions that the store lacks or holds in an older form; returns how many were written."""
    written = 0
    with store.transaction():
        for one in own_definitions():
            standing = store.get(one["resourceType"], one["id"])
            if standing is None or standing.deleted or _bare(standing.resource()) != _bare(one):
                store.put(one["resourceType"], one["id"], one, "PUT")
                written += 1
    return written


def _bare(resource: Resource) -> bytes:
    meta = {k: v for k, v in resource.get("meta", {}).items() if k not in ("versionId", "lastUpdated")}
    return canonical({**resource, "meta": meta})
