"""The pathway library as package data: pathways, overlays, the demo's clinic, and the sandbox's bundles.

In a wheel they are inside the package (`_library/`); in a checkout they are the repository's own folders.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from waykeeper.findings import Finding, did_you_mean, finding
from waykeeper.pathway.checking import check
from waykeeper.pathway.model import Clinic, Pathway

Source = tuple[str, str | bytes]  # label for findings, content

FOLDERS = ("pathways", "sandbox_bundles")


def folder(name: str = "pathways") -> Traversable:
    """The folder `pathways` or `sandbox_bundles`. Raises FileNotFoundError where neither place has it."""
    inside = files("waykeeper") / "_library" / name
    if inside.is_dir():
        return inside
    beside = Path(str(files("waykeeper"))).parents[1] / name
    if beside.is_dir():
        return beside
    raise FileNotFoundError(f"the library has no folder {name!r}")


def names() -> tuple[str, ...]:
    """The names of the pathways in the library, sorted. Clinics (`clinic-...`) are not pathways."""
    found = (f.name.removesuffix(".yaml") for f in folder().iterdir() if f.name.endswith(".yaml"))
    return tuple(sorted(name for name in found if not name.startswith("clinic-")))


def overlay_names() -> tuple[str, ...]:
    """The names of the overlays in the library, sorted."""
    held = folder() / "overlays"
    found = held.iterdir() if held.is_dir() else iter(())
    return tuple(sorted(f.name.removesuffix(".yaml") for f in found if f.name.endswith(".yaml")))


def clinic_names() -> tuple[str, ...]:
    """The names of the clinics in the library, sorted: `clinic-demo`."""
    found = (f.name.removesuffix(".yaml") for f in folder().iterdir() if f.name.endswith(".yaml"))
    return tuple(sorted(name for name in found if name.startswith("clinic-")))


def read(name: str) -> tuple[str, bytes]:
    """A pathway, overlay or clinic of the library: a label for findings (`pathways/NAME.yaml`), and its bytes.

    `overlays/NAME` names an overlay. Raises KeyError where the library has no such name.
    """
    parts = [p for p in name.split("/") if p]
    if not parts or any(p in {".", ".."} for p in parts):
        raise KeyError(name)
    found = folder().joinpath(*parts[:-1], f"{parts[-1]}.yaml")
    if not found.is_file():
        raise KeyError(name)
    return "/".join(["pathways", *parts]) + ".yaml", found.read_bytes()


def load(
    pathway: str | Source,
    overlays: Sequence[str | Source] = (),
    rule_names: Collection[str] | None = None,
    policies: Collection[str] | None = None,
    clinic: Clinic | None = None,
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
    return check(sources, rule_names, policies, clinic)


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
