"""The pathway library as package data: pathways, overlays, parts, the demo's clinic, and the sandbox's bundles.

In a wheel they are inside the package (`_library/`); in a checkout they are the repository's own folders.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from waykeeper.findings import Finding, did_you_mean, finding
from waykeeper.pathway.checking import check
from waykeeper.pathway.model import Clinic, Pathway
from waykeeper.pathway.shelf import Parts, Source, folder, library_part, names_in, read

__all__ = [
    "FOLDERS",
    "bundles",
    "clinic_names",
    "folder",
    "load",
    "names",
    "overlay_names",
    "part_names",
    "read",
]

FOLDERS = ("pathways", "sandbox_bundles")


def names() -> tuple[str, ...]:
    """The names of the pathways in the library, sorted. Clinics (`clinic-...`) are not pathways."""
    return tuple(name for name in names_in("") if not name.startswith("clinic-"))


def overlay_names() -> tuple[str, ...]:
    """The names of the overlays in the library, sorted."""
    return names_in("overlays")


def part_names() -> tuple[str, ...]:
    """The names of the parts in the library, which pathways include; sorted."""
    return names_in("parts")


def clinic_names() -> tuple[str, ...]:
    """The names of the clinics in the library, sorted: `clinic-demo`."""
    return tuple(name for name in names_in("") if name.startswith("clinic-"))


def load(
    pathway: str | Source,
    overlays: Sequence[str | Source] = (),
    rule_names: Collection[str] | None = None,
    policies: Collection[str] | None = None,
    clinic: Clinic | None = None,
    parts: Parts = library_part,
) -> tuple[Pathway | None, tuple[Finding, ...]]:
    """Check a pathway of the library (by name) or a file (by label and content), with overlays of either sort.

    Takes and gives the same as `check`; a name that the library does not have is a finding.
    """
    found: list[Finding] = []
    read_from = [_source(pathway, "", names(), found)]
    read_from += [_source(overlay, "overlays/", overlay_names(), found) for overlay in overlays]
    sources = [source for source in read_from if source is not None]
    if found:
        return None, tuple(found)
    return check(sources, rule_names, policies, clinic, parts)


def _source(wanted: str | Source, place: str, known: Collection[str], found: list[Finding]) -> Source | None:
    if not isinstance(wanted, str):
        return wanted
    try:
        return read(place + wanted)
    except KeyError:
        sort = "overlay" if place else "pathway"
        found.append(finding("WKP606", f"the library has no {sort} {wanted!r}", help=did_you_mean(wanted, known)))
        return None


def bundles() -> Iterator[tuple[str, str, bytes]]:
    """Every file of the sandbox's invented patients: patient, file name, bytes; sorted."""
    for patient in sorted(folder("sandbox_bundles").iterdir(), key=lambda f: f.name):
        if patient.is_dir():
            for file in sorted(patient.iterdir(), key=lambda f: f.name):
                if file.is_file():
                    yield patient.name, file.name, file.read_bytes()
