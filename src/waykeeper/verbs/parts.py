"""Where the parts of a pathway are found: beside its file, then in the library."""

from __future__ import annotations

from pathlib import Path

from waykeeper.exchange.files import read_bytes
from waykeeper.pathway.shelf import Parts, Source, library_part


def parts_beside(file: str) -> Parts:
    """The parts that a file may include: `parts/NAME.yaml` beside it, then the library's.

    A part that includes parts has them beside itself. An empty `file`, or `-`, has only the library's.
    """
    folder = Path(file).parent

    def found(name: str) -> Source | None:
        own = folder / f"{name}.yaml" if folder.name == "parts" else folder / "parts" / f"{name}.yaml"
        if file and file != "-" and own.is_file():
            return str(own), read_bytes(str(own))
        return library_part(name)

    return found
