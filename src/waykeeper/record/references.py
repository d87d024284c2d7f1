"""What a Reference names, however it is written."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any


def relative(reference: str) -> str:
    """`Type/id` of a literal reference, which may be absolute or name a version; a urn as it stands."""
    if reference.count("/") == 1:  # as most are
        return reference
    literal = reference.partition("/_history/")[0]
    return literal if literal.startswith("urn:") else "/".join(literal.split("/")[-2:])


def literal_name(reference: str) -> str:
    """What the text of a reference names: `Type/id`, a urn, or of a conditional reference its `system|value`."""
    if "=" in reference and (named := reference.partition("identifier=")[2]):
        return named
    return relative(reference)


def identifier_names(resource: Mapping[str, Any]) -> tuple[str, ...]:
    """The identifiers of a resource as `system|value`."""
    found = resource.get("identifier") or ()
    return tuple([f"{i.get('system') or ''}|{i['value']}" for i in found if i.get("value")])


def system_of(name: str) -> str:
    """The system of `system|value`, "" of another name; a value may hold bars, an address holds none (RFC 3986)."""
    system, bar, _ = name.partition("|")
    return system if bar else ""


def names_of(references: Iterable[Mapping[str, Any]], contained: Sequence[Mapping[str, Any]] = ()) -> tuple[str, ...]:
    """Every name that References give their targets: `Type/id`, a urn, or `system|value`.

    `contained` is what the resource holds that the References stand in: such a target has no identity outside of it, so
    that only its identifiers name it (FHIR R4, References, 2.3.0.2 and 2.3.0.3: logical and contained references).
    """
    found: list[str] = []
    for reference in references:
        literal = str(reference.get("reference") or "")
        if literal.startswith("#"):
            for inner in contained:
                if inner.get("id") == literal[1:]:
                    found += identifier_names(inner)
        elif literal:
            found.append(literal_name(literal))
        identifier = reference.get("identifier")
        if isinstance(identifier, dict) and identifier.get("value"):
            found.append(f"{identifier.get('system') or ''}|{identifier['value']}")
    return tuple(found)
