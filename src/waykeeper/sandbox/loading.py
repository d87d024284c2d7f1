"""Fill a store from a folder: records first, then what belongs to no plan, then plans, then bookings."""

from __future__ import annotations

import re
from codecs import BOM_UTF8
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from waykeeper.findings import Finding, Position, WaykeeperError, finding
from waykeeper.sandbox.answers import Ask
from waykeeper.sandbox.resource_json import NotJson, Resource, parse
from waykeeper.sandbox.service import Service
from waykeeper.sandbox.store import Store

# The beginning of a file's name decides its turn: what a later file refers to must stand already.
_TURNS = ("record", "", "plan", "bookings")
_SENT = re.compile(r"Bundle\.entry\[(?P<number>\d+)\](\.resource)?")


def _turn(path: Path) -> int:
    return next((turn for turn, word in enumerate(_TURNS) if word and path.name.startswith(word)), 1)


def files_in_order(folder: Path) -> list[Path]:
    """Every .json and .ndjson file under a folder, in the order in which it is loaded."""
    found = [path for path in folder.rglob("*") if path.suffix in (".json", ".ndjson") and path.is_file()]
    return sorted(found, key=lambda path: (_turn(path), path.as_posix()))


def load_folder(store: Store, folder: Path) -> int:
    """Load a folder (or one file) and return the number of files. Raises WaykeeperError on the first that is refused.

    A transaction or batch is carried out as it is; a resource, a line of NDJSON, an entry of any other Bundle is
    put under its id, or created where it has none. A file is loaded whole or not at all.
    """
    paths = files_in_order(folder) if folder.is_dir() else [folder]
    service = Service(store)
    for path in paths:
        _load(service, path)
    return len(paths)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a resource stands in its file: the line (NDJSON only) and the element."""

    line: int
    path: str


def _load(service: Service, path: Path) -> None:
    bundle, places = _read(path)
    answer = service.answer(Ask("POST", (), (), {}, bundle))
    refused = _refusals(answer.status, parse(answer.body))
    if refused:
        raise WaykeeperError([_refusal(path, text, places) for text in refused])


def _read(path: Path) -> tuple[Resource, list[_Place]]:
    """What is sent for a file, and where in the file each entry stands; no places where the file is sent as it is."""
    try:
        raw = path.read_bytes().removeprefix(BOM_UTF8)
    except OSError as bad:
        raise _no_resource(path, str(bad)) from None
    lines = list(enumerate(raw.splitlines(), 1)) if path.suffix == ".ndjson" else [(0, raw)]
    held = [(_resource(path, text, line), line) for line, text in lines if text.strip() or not line]
    if len(held) == 1 and held[0][0]["resourceType"] == "Bundle":
        whole, line = held[0]
        return (whole, []) if whole.get("type") in ("transaction", "batch") else _put(_parts(path, whole, line))
    return _put((one, _Place(line, one["resourceType"])) for one, line in held)


def _resource(path: Path, text: bytes, line: int) -> Resource:
    try:
        found = parse(text, line or 1)
    except NotJson as bad:
        raise _no_resource(path, str(bad), line) from None
    if not _is_resource(found):
        raise _no_resource(path, "not a FHIR resource: a JSON object with resourceType", line)
    return cast("Resource", found)


def _is_resource(found: Any) -> bool:
    return isinstance(found, dict) and isinstance(found.get("resourceType"), str)


def _no_resource(path: Path, details: str, line: int = 0) -> WaykeeperError:
    return WaykeeperError(finding("WKS105", details, Position(str(path), line)))


def _parts(path: Path, whole: Resource, line: int) -> Iterator[tuple[Resource, _Place]]:
    """The resources of a Bundle that is no request."""
    entries = whole.get("entry", [])
    if not isinstance(entries, list):
        raise _no_resource(path, "Bundle.entry is no list", line)
    for number, entry in enumerate(entries):
        place = f"Bundle.entry[{number}]"
        if not isinstance(entry, dict):
            raise _no_resource(path, f"{place} is no object", line)
        if "resource" not in entry:
            continue
        if not _is_resource(entry["resource"]):
            raise _no_resource(path, f"{place}.resource is no FHIR resource: a JSON object with resourceType", line)
        yield entry["resource"], _Place(line, f"{place}.resource")


def _put(resources: Iterable[tuple[Resource, _Place]]) -> tuple[Resource, list[_Place]]:
    held = list(resources)
    entries = [_entry(one) for one, _ in held]
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}, [place for _, place in held]


def _refusal(path: Path, text: str, places: Sequence[_Place]) -> Finding:
    """WKS106 at the place in the file: the server counts the entries that it was sent."""
    sent = _SENT.match(text)
    if not sent or not places:
        return finding("WKS106", text, Position(str(path)))
    place = places[int(sent["number"])]
    return finding("WKS106", f"{place.path}{text[sent.end() :]}", Position(str(path), place.line))


def _entry(resource: Resource) -> dict[str, Any]:
    kind, key = resource["resourceType"], resource.get("id")
    request = {"method": "PUT", "url": f"{kind}/{key}"} if key else {"method": "POST", "url": kind}
    return {"resource": resource, "request": request}


def _refusals(status: int, answer: Resource) -> list[str]:
    """The sentences of what was refused, of the whole or (batch) of an entry."""
    if status >= 400:
        return _texts(answer)
    found: list[str] = []
    for number, entry in enumerate(answer.get("entry", ())):
        response = entry["response"]
        if int(response["status"][:3]) >= 400:
            found += [f"entry {number}: {text}" for text in _texts(response.get("outcome", {}))]
    return found


def _texts(outcome: Resource) -> list[str]:
    return [f"{' '.join(i.get('expression', []))} {i['diagnostics']}".strip() for i in outcome.get("issue", ())]
