"""A folder with the records of many patients: which file is whose."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Any

from waykeeper.exchange.files import documents, file_and_line
from waykeeper.findings import Finding, Position, finding


class Records:
    """Which file holds whose record. Files are looked at once and let go."""

    def __init__(self, path: str) -> None:
        """Look at every file. Raises WaykeeperError WKC101, WKC102."""
        self._path = path
        self._files: defaultdict[str, set[str]] = defaultdict(set)
        self._many: dict[str, int] = {}
        for place, document in documents(path):
            file, _ = file_and_line(place)
            who = list(_patients(document))
            self._many[file] = self._many.get(file, 0) + len(who)
            for names in who:
                for name in names:
                    self._files[name].add(file)

    def of(self, patient: str, place: Position) -> str | Finding:
        """The file of the record of `system|value`, or why there is none; `place` is where the patient is named."""
        files = sorted(self._files.get(patient, ()))
        if len(files) != 1:
            if not files:
                return finding("WKX511", f"no record in {self._path} has this identifier", place)
            said = f"{len(files)} records in {self._path} have this patient's identifier: {', '.join(files)}"
            return finding("WKX511", said, place, "Keep the one that is true, and take the others out.")
        if self._many[files[0]] != 1:
            said = f"{files[0]} holds {self._many[files[0]]} patients, one file a patient is read"
            return finding("WKX511", said, place, "Split it, or give the server with --from.")
        return files[0]


def _patients(document: Any) -> Iterator[list[str]]:
    """The identifiers of each Patient in a document."""
    entries = document.get("entry") if isinstance(document, dict) else document if isinstance(document, list) else None
    parts = (
        [e.get("resource", e) if isinstance(e, dict) else None for e in entries] if isinstance(entries, list) else []
    )
    for one in (document, *parts):
        if isinstance(one, dict) and one.get("resourceType") == "Patient":
            held = one.get("identifier")
            names = [i for i in held if isinstance(i, dict)] if isinstance(held, list) else []
            yield [f"{i.get('system')}|{i.get('value')}" for i in names]
