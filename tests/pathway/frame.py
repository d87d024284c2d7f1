"""Puts the fragments of catalogue and case files into whole files, so that each shows only what it is about."""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping
from typing import Any

from waykeeper.findings import Finding
from waykeeper.pathway import check, check_file, check_overlay, load, read_clinic, read_yaml
from waykeeper.pathway.shelf import Parts

PATHWAY = {
    "pathway": "pathway: example\n",
    "version": "version: 1.0.0\n",
    "url": "url: https://example.org/pathways/example\n",
    "title": "title: Example\n",
    "anchors": "anchors:\n  surgery: {required: true}\n",
}
CLINIC = {
    "clinic": "Alder Quay",
    "url": "https://alder-quay.example",
    "zone": "America/Chicago",
    "holidays": "{calendar: US}",
    "hours": "{monday: 08:00 to 16:30, friday: 08:00 to 16:30}",
    "parts": "{morning: 08:00, afternoon: 14:00, evening: 20:00}",
    "roles": "{surgeon: {title: Surgeon, telephone: 312-555-0103}}",
    "identifiers": "{patient: https://alder-quay.example/mrn}",
}
COMMON_TASK = (
    "{title: Wash, who: coordinator, why: Clean skin, harm: 2, source: {grade: common practice}, "
    "by: 1 day before surgery}"
)
POLICIES = ("glp1: ask", "glp1: hold")


def pathway(fragment: str) -> str:
    """The fragment after the frame's head; a key of the fragment takes the place of the frame's."""
    own = set(re.findall(r"(?m)^§?([a-z_]+):", fragment))
    return "".join(text for key, text in PATHWAY.items() if key not in own) + fragment


def clinic(changes: Mapping[str, str]) -> str:
    """The invented clinic with other values for some keys; the value None takes a key out."""
    fields = {**CLINIC, **changes}
    return "".join(f"{key}: {value}\n" for key, value in fields.items() if value is not None)


def run(example: Mapping[str, Any]) -> tuple[Finding, ...]:
    """The findings of an example: a pathway (with overlays, rules or a clinic), a clinic, or plain YAML."""
    if "yaml" in example or "base64" in example:
        source = example["yaml"] if "yaml" in example else base64.b64decode(example["base64"])
        return read_yaml(source, "file.yaml")[1]
    if "file" in example:
        return check_file("file.yaml", example["file"])[1]
    if "load" in example:
        return load(example["load"])[1]
    if "pathway" not in example:
        if "overlay" in example:
            return check_overlay("overlay.yaml", example["overlay"], POLICIES)[1]
        return read_clinic("clinic.yaml", clinic(example["clinic"]), POLICIES)[1]
    sources = [("pathway.yaml", pathway(example["pathway"]))]
    sources += [(f"{key}.yaml", example[key]) for key in ("overlay", "second") if key in example]
    given = read_clinic("clinic.yaml", clinic(example["clinic"]))[0] if "clinic" in example else None
    return check(sources, example.get("rules"), POLICIES, given, shelf(example.get("parts", {})))[1]


def shelf(parts: Mapping[str, str]) -> Parts:
    """The parts of an example by their names, as files of the folder `parts`."""
    return lambda name: (f"parts/{name}.yaml", parts[name]) if name in parts else None
