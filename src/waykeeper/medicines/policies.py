"""The named policies that a clinic may set, and what is used where it sets none."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from typing import Any

from waykeeper.findings import Finding, did_you_mean, finding
from waykeeper.medicines.tables import table

_BLANKET = re.compile(r"BLANKET_([1-9]\d?)D")


@cache
def policy_table() -> Mapping[str, Any]:
    """The package's policies.yaml: policy -> title, default, values with their meaning."""
    return table("policies")


def policy_value(policies: Mapping[str, str], name: str) -> str:
    """What the clinic set, else the default. An unknown value counts as the default: `check_policies` says so."""
    known = policy_table()[name]
    value = policies.get(name, known["default"])
    allowed = value in known["values"] or (name == "blood_thinners" and blanket_days(value) is not None)
    return str(value if allowed else known["default"])


def blanket_days(value: str) -> int | None:
    """`BLANKET_7D` -> 7; None where the clinic has no blanket rule."""
    found = _BLANKET.fullmatch(value)
    return int(found[1]) if found else None


def check_policies(policies: Mapping[str, str]) -> list[Finding]:
    """A finding for each policy or value that does not exist."""
    found: list[Finding] = []
    table = policy_table()
    for name, value in policies.items():
        if name not in table:
            found.append(finding("WKM110", f"there is no medicine policy {name!r}", help=did_you_mean(name, table)))
        elif policy_value({name: value}, name) != value:
            allowed = [*table[name]["values"], *(["BLANKET_7D"] if name == "blood_thinners" else [])]
            found.append(finding("WKM110", f"policy {name}: {value!r} is not known", help=did_you_mean(value, allowed)))
    return found
