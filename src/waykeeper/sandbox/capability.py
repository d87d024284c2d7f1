"""The CapabilityStatement, made from the tables that the code itself uses."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version
from typing import Any

from waykeeper.sandbox.parameters import READ_ONLY, Parameter, table

# Interactions by type; the service has a branch for each, and the contract suite calls each of them.
WRITING = ("create", "update", "patch", "delete")
READING = ("read", "vread", "history-instance", "history-type", "search-type")
SYSTEM = ("transaction", "batch", "history-system")
_BULK = "http://hl7.org/fhir/uv/bulkdata/OperationDefinition"
_EXPORTED = ("Patient", "Group")
STARTED = "2026-11-25"  # the day this statement took its shape: a statement has a date, and the code has no clock


def tool_version() -> str:
    """The installed version of the toolkit."""
    try:
        return version("waykeeper")
    except PackageNotFoundError:
        return "0"


def _reverse() -> dict[str, list[str]]:
    """For each type, the parameters that may refer to it; where the table names no target, to any type."""
    found: dict[str, list[str]] = {kind: [] for kind in table()}
    for kind, row in table().items():
        for one in row.values():
            if one.kind == "reference":
                targets = {path.target for path in one.paths}
                for far in found if "" in targets else targets & set(found):
                    found[far].append(f"{kind}:{one.name}")
    return found


def _parameter(one: Parameter) -> dict[str, str]:
    base = "Resource" if one.name.startswith("_") else one.type
    shown = {"name": one.name, "type": one.kind}
    if base != "Resource":
        shown["documentation"] = " | ".join(
            ".".join(step.name + ("[x]" if step.choice else "") for step in path.steps) for path in one.paths
        )
    return shown


def _resource(kind: str, reverse: list[str]) -> dict[str, Any]:
    read_only = kind in READ_ONLY
    made: dict[str, Any] = {
        "type": kind,
        "profile": f"http://hl7.org/fhir/StructureDefinition/{kind}",
        "interaction": [{"code": code} for code in (READING if read_only else READING + WRITING)],
        "versioning": "versioned",
        "readHistory": True,
        "updateCreate": not read_only,
        "conditionalCreate": not read_only,
        "conditionalRead": "not-match",
        "conditionalUpdate": not read_only,
        "conditionalDelete": "not-supported",
        "referencePolicy": ["literal", "logical", "enforced", "local"],
        "searchInclude": [f"{kind}:{one.name}" for one in table()[kind].values() if one.kind == "reference"],
        "searchRevInclude": reverse,
        "searchParam": [_parameter(one) for one in table()[kind].values()],
        "operation": [
            {"name": "validate", "definition": "http://hl7.org/fhir/OperationDefinition/Resource-validate"},
            *([{"name": "export", "definition": f"{_BULK}/{kind.lower()}-export"}] if kind in _EXPORTED else []),
        ],
    }
    return {key: value for key, value in made.items() if value != []}


def capability_statement(base: str, page: int, most: int) -> dict[str, Any]:
    """What this server does, at this address, with these page sizes."""
    reverse = _reverse()
    return {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": STARTED,
        "kind": "instance",
        "software": {"name": "Waykeeper sandbox", "version": tool_version()},
        "implementation": {"description": "a FHIR server for trying things out; never for patients", "url": base},
        "fhirVersion": "4.0.1",
        "format": ["application/fhir+json", "json"],
        "patchFormat": ["application/json-patch+json"],
        "rest": [
            {
                "mode": "server",
                "documentation": f"Pages hold {page} matches unless _count says otherwise, never more than {most}.",
                "security": {"description": "none: it listens on this machine only"},
                "resource": [_resource(kind, reverse[kind]) for kind in sorted(table())],
                "interaction": [{"code": code} for code in SYSTEM],
                "operation": [{"name": "export", "definition": f"{_BULK}/export"}],
            }
        ],
    }
