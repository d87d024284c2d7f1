"""Write the golden plans again (`make golden`): `sandbox_bundles/NAME/plan.bundle.json`, compiled from the records.

With `--check` nothing is written; what differs in meaning is listed and the exit code is 1. `contents.yaml` beside this
file says which content each version of a pathway and of a part has: a released version never changes its content.
`item_keys.yaml` says by which keys the items of each pathway were ever known: an item under another key is another
item, and what was booked, done or answered for the first is lost to it.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import yaml

from waykeeper import verbs
from waykeeper.pathway import library, read_yaml
from waykeeper.plan.prepared import prepared
from waykeeper.verbs.output import bundle_bytes

BUNDLES = Path(__file__).parents[2] / "sandbox_bundles"
CONTENTS = Path(__file__).parent / "contents.yaml"
KEYS = Path(__file__).parent / "item_keys.yaml"


def cases() -> dict[str, dict[str, Any]]:
    """The invented cases by name, every value as the text that the command would get."""
    return yaml.load((BUNDLES / "cases.yaml").read_text("utf-8"), Loader=yaml.BaseLoader)


def compiled(name: str, case: Mapping[str, Any]) -> verbs.Compiled:
    """The case compiled by the public function."""
    return verbs.compile(
        case["pathway"],
        clinic=case["clinic"],
        patient=str(BUNDLES / name / case["record"]),
        surgery=case["surgery"],
        discharge=case.get("discharge", ""),
        side=case.get("side", ""),
        anaesthesia=case.get("anaesthesia", "unknown"),
        patient_identifier=case.get("patient", ""),
        episode=int(case.get("episode", 1)),
    )


def differences(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[str]:
    """What changed in meaning: entries by their fullUrl, and which elements of them."""
    before, after = ({e["fullUrl"]: e["resource"] for e in b.get("entry", [])} for b in (old, new))
    for url in before.keys() - after.keys():
        yield f"gone: {_name(before[url])}"
    for url in after.keys() - before.keys():
        yield f"new: {_name(after[url])}"
    for url in before.keys() & after.keys():
        changed = [k for k in sorted({*before[url], *after[url]}) if before[url].get(k) != after[url].get(k)]
        if changed:
            yield f"changed: {_name(after[url])}: {', '.join(changed)}"


def _name(resource: Mapping[str, Any]) -> str:
    parts = [p for e in resource.get("extension", []) for p in e.get("extension", [])]
    said = {p["url"]: p.get("valueString") for p in parts if p.get("url") in ("key", "part")}
    return f"{resource['resourceType']} {said.get('key', '')} {said.get('part', '')}".strip()


def contents() -> dict[str, str]:
    """`pathway NAME VERSION` and `part NAME VERSION` -> a short name of its whole content, without layout."""
    found = {}
    for name in library.names():
        pathway, _ = library.load(name)
        if pathway is not None:
            found[f"pathway {name} {pathway.version}"] = pathway.digest
    for name in library.part_names():
        root, _ = read_yaml(*reversed(library.read(f"parts/{name}")))
        if root is not None:
            plain = root.plain()
            text = json.dumps(plain, ensure_ascii=False).encode()
            found[f"part {name} {plain['version']}"] = hashlib.sha256(text).hexdigest()[:16]
    return found


def item_keys() -> dict[str, list[str]]:
    """Pathway -> the keys of its items and questions, sorted."""
    found = {}
    for name in library.names():
        pathway, _ = library.load(name)
        if pathway is not None:
            items = [str(point.key) for one in prepared(pathway) for point in one.points]
            found[name] = sorted({*items, *(f"question/{fact.name}" for fact in pathway.facts)})
    return found


def known_keys() -> dict[str, list[str]]:
    """The keys that were ever written down."""
    return yaml.safe_load(KEYS.read_text("utf-8")) if KEYS.exists() else {}


def main(check: bool) -> int:
    """Compile every case and compare; write unless only checking."""
    found = 0
    known = yaml.safe_load(CONTENTS.read_text("utf-8")) if CONTENTS.exists() else {}
    for name, digest in contents().items():
        if known.get(name, digest) != digest:
            print(f"{name}: its content changed; if that version was released, raise it instead")
    if not check:
        CONTENTS.write_text(yaml.safe_dump(contents(), width=120), "utf-8")
        known, now = known_keys(), item_keys()
        every = {name: sorted({*known.get(name, []), *now.get(name, [])}) for name in {*known, *now}}
        KEYS.write_text(yaml.safe_dump(every, width=120), "utf-8")
    for name, case in cases().items():
        target = BUNDLES / name / "plan.bundle.json"
        made = compiled(name, case).bundle
        old = json.loads(target.read_text("utf-8")) if target.exists() else {}
        lines = sorted(differences(old, made))
        found += bool(lines)
        for line in lines[:20]:
            print(f"{name}: {line}")
        if len(lines) > 20:
            print(f"{name}: ... {len(lines) - 20} more")
        if not check:
            target.write_bytes(bundle_bytes(made))
    print(f"{found} of {len(cases())} plans differ" + ("" if check else ", all written"))
    return int(check and found > 0)


if __name__ == "__main__":
    sys.exit(main("--check" in sys.argv))
