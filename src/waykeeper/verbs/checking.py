"""Which sort of file is this: a pathway, a part, an overlay, a clinic or medicine rules? Each has its own checker."""

from __future__ import annotations

from waykeeper.exchange.files import read_bytes
from waykeeper.findings import Finding, WaykeeperError, did_you_mean, finding
from waykeeper.medicines import read_synonyms, rule_names
from waykeeper.medicines.check import check_rules
from waykeeper.pathway import check_file
from waykeeper.pathway.checking import FileCheck
from waykeeper.pathway.library import clinic_names, names, overlay_names, part_names, read
from waykeeper.verbs.inputs import policy_names
from waykeeper.verbs.parts import parts_beside

Source = tuple[str, bytes]


def check(*pathways: str) -> tuple[Finding, ...]:
    """Check pathway, part, overlay, clinic and rule files by name or path; all findings of all of them."""
    return tuple(f for wanted in pathways for f in check_any(wanted))


def check_any(wanted: str) -> tuple[Finding, ...]:
    """Every finding of a library name or a file, whatever sort it is.

    Raises WaykeeperError (WKC101, WKC202) where there is nothing to check.
    """
    label, data = _source(wanted)
    parts = parts_beside("" if wanted in _named() else wanted)
    others: dict[str, FileCheck] = {"group": lambda name, _source: tuple(check_rules(name, data))}
    found = check_file(
        label, data, rule_names=rule_names(), policies=policy_names(), others=others, parts=parts, words=read_synonyms
    )
    return found[1]


def _named() -> tuple[str, ...]:
    return (*names(), *clinic_names(), *overlay_names(), *part_names())


def _source(wanted: str) -> Source:
    places = (("", (*names(), *clinic_names())), ("overlays/", overlay_names()), ("parts/", part_names()))
    for place, known in places:
        if wanted in known:
            return read(place + wanted)
    if "/" in wanted or wanted.endswith((".yaml", ".yml")) or wanted == "-":
        return wanted, read_bytes(wanted)
    hint = did_you_mean(wanted, _named())
    raise WaykeeperError(finding("WKC202", f"nothing named {wanted!r} in the library, and it is no file", help=hint))
