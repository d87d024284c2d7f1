"""Where the library's files are, and their bytes. In a wheel they are inside the package, else the repository's own."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

Source = tuple[str, str | bytes]  # label for findings, content
Parts = Callable[[str], Source | None]  # name of a part -> its file, None where there is none


def folder(name: str = "pathways") -> Traversable:
    """The folder `pathways` or `sandbox_bundles`. Raises FileNotFoundError where neither place has it."""
    inside = files("waykeeper") / "_library" / name
    if inside.is_dir():
        return inside
    beside = Path(str(files("waykeeper"))).parents[1] / name
    if beside.is_dir():
        return beside
    raise FileNotFoundError(f"the library has no folder {name!r}")


def read(name: str) -> tuple[str, bytes]:
    """A pathway, overlay, part or clinic of the library: a label for findings (`pathways/NAME.yaml`), and its bytes.

    `overlays/NAME` names an overlay, `parts/NAME` a part. Raises KeyError where the library has no such name.
    """
    parts = [p for p in name.split("/") if p]
    if not parts or any(p in {".", ".."} for p in parts):
        raise KeyError(name)
    found = folder().joinpath(*parts[:-1], f"{parts[-1]}.yaml")
    if not found.is_file():
        raise KeyError(name)
    return "/".join(["pathways", *parts]) + ".yaml", found.read_bytes()


def library_part(name: str) -> Source | None:
    """A part of the library by its name, or None."""
    try:
        return read(f"parts/{name}")
    except KeyError:
        return None


def names_in(place: str) -> tuple[str, ...]:
    """The names of the files in a folder of the library (`""`, `overlays`, `parts`), sorted."""
    held = folder() / place if place else folder()
    found = held.iterdir() if held.is_dir() else iter(())
    return tuple(sorted(f.name.removesuffix(".yaml") for f in found if f.name.endswith(".yaml")))
