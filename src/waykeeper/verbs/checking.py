"""Which sort of file is this: a pathway, a part, an overlay, a clinic or medicine rules? Each has its own checker."""

from __future__ import annotations

from collections.abc import Iterator

from waykeeper.exchange.files import read_bytes
from waykeeper.findings import Finding, WaykeeperError, did_you_mean, finding
from waykeeper.medicines import read_synonyms, rule_names
from waykeeper.medicines.check import check_rules
from waykeeper.pathway import check_file
from waykeeper.pathway.checking import FileCheck
from waykeeper.pathway.library import clinic_names, names, overlay_names, part_names, read
from waykeeper.verbs.inputs import clinic_of, in_clinic, overlay_source, policy_names
from waykeeper.verbs.parts import parts_beside
from waykeeper.verbs.words import PathText, as_text

Source = tuple[str, bytes]


def check(*pathways: PathText, clinic: PathText = "") -> tuple[Finding, ...]:
    """Check pathway, part, overlay, clinic and rule files by name or path; all findings of all of them.

    clinic   pathways are checked as they hold in it: with its overlays laid over them, its roles and its open days
    """
    return tuple(f for wanted in pathways for f in check_any(as_text(wanted), as_text(clinic)))


def check_any(wanted: str, clinic: str = "") -> tuple[Finding, ...]:
    """Every finding of a library name or a file, whatever sort it is.

    Raises WaykeeperError (WKC101, WKC202) where there is nothing to check.
    """
    label, data = _source(wanted)
    parts = parts_beside("" if wanted in _named() else wanted)
    others: dict[str, FileCheck] = {"group": lambda name, _source: tuple(check_rules(name, data))}
    sort, found = check_file(
        label, data, rule_names=rule_names(), policies=policy_names(), others=others, parts=parts, words=read_synonyms
    )
    if sort == "pathway" and clinic:
        return in_clinic((label, data), wanted, clinic_of(clinic), clinic)[1]
    if sort == "clinic" and wanted not in _named() and wanted != "-" and all(f.severity != "error" for f in found):
        return (*found, *_overlays_missing(wanted))
    return found


def _overlays_missing(clinic: str) -> Iterator[Finding]:
    """A clinic's file may name an overlay that is not there: then nothing could be compiled for it."""
    for name in clinic_of(clinic).overlays:
        try:
            overlay_source(name, clinic)
        except WaykeeperError as error:
            yield from error.findings


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
