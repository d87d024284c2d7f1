"""Rules of the official validator on resources that define things: what they say of themselves must agree."""

from __future__ import annotations

from typing import Any

from waykeeper.validate.run import Place, Run

Json = dict[str, Any]


def check_definition(value: Json, place: Place, run: Run) -> None:
    """The rules for a code system or an implementation guide; nothing for any other type."""
    kind = value.get("resourceType")
    if kind == "CodeSystem":
        _check_code_system(value, place, run)
    elif kind == "ImplementationGuide":
        depends = value.get("dependsOn")
        for index, other in enumerate(depends if isinstance(depends, list) else ()):
            if isinstance(other, dict):
                _check_dependency(other, ((place, "dependsOn"), index), run)


def _check_code_system(value: Json, place: Place, run: Run) -> None:
    supplement = value.get("content") == "supplement"
    if supplement and "supplements" not in value:
        run.add("WKV404", (place, "content"), "a supplement must say which code system it supplements")
    elif "supplements" in value and not supplement:
        run.add("WKV404", (place, "supplements"), "a code system that supplements another has content 'supplement'")
    if value.get("content") == "not-present" and "concept" in value:
        run.add("WKV404", (place, "concept"), "content is 'not-present', and there are concepts")


def _check_dependency(value: Json, here: Place, run: Run) -> None:
    uri = value.get("uri")
    if isinstance(uri, str) and "/ImplementationGuide/" not in uri:
        run.add("WKV404", (here, "uri"), f"{uri!r} is no url of an implementation guide (.../ImplementationGuide/...)")
