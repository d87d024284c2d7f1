"""Coverage-guided fuzzing of the parser and the checks, for as long as one likes; no part of the test run.

    python tests/validate/fuzz.py [-max_total_time=SECONDS] [FOLDER]      # needs the package atheris

Anything but a list of findings is a crash. The seeds are the examples of the catalogue.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["waykeeper.validate"]):
    from waykeeper.findings import Finding, catalogue
    from waykeeper.validate import own_definitions, validate_json

OWN = (own_definitions(),)


def check(data: bytes) -> None:
    """Any bytes give findings."""
    found = validate_json(data, OWN)
    assert all(isinstance(f, Finding) and f.details for f in found)


def seeds(folder: Path) -> None:
    """The examples of the catalogue, a file each."""
    for code, entry in catalogue().items():
        if not code.startswith("WKV"):
            continue
        for name, example in (("raises", entry.raises), ("passes", entry.passes)):
            text = example if isinstance(example, str) else json.dumps(example)
            (folder / f"{code}-{name}").write_bytes(text.encode())


def main() -> None:
    """Fuzz with the seeds, beside what the command line names."""
    with tempfile.TemporaryDirectory() as folder:
        seeds(Path(folder))
        atheris.Setup([*sys.argv, folder], check)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
