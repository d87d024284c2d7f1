"""Fill a store from a folder: records first, then what belongs to no plan, then plans, then bookings.

What refers to something of a later file waits for it, as in an export, whose files stand in the order of their types.
"""

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

# The beginning of a file's name decides its turn: of two files with one resource the later one's is kept.
_TURNS = ("record", "", "plan", "bookings")
_DANGLING = "WKS210"
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
    put under its id, or created where it has none. A file is loaded whole or not at all; what waits for one another is
    loaded together.
    """
    paths = files_in_order(folder) if folder.is_dir() else [folder]
    if not paths:
        raise _no_resource(folder, "no .json and no .ndjson file in this folder")
    service = Service(store)
    waiting: list[_Sent] = []
    theirs: set[str] = set()  # a later version must not go in before the earlier one that waits, which would replace it
    for sent in map(_read, paths):
        if not theirs.isdisjoint(sent.names) or not _loaded(service, sent):
            waiting.append(sent)
            theirs |= sent.names
    while waiting:
        waiting = _later(service, waiting)
    return len(paths)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a resource stands: the file, the line (NDJSON only) and the element."""

    file: Path
    line: int
    path: str


@dataclass(frozen=True, slots=True)
class _Sent:
    """What is sent for a file, and where each entry stands; no places where the file is a request and sent as it is."""

    file: Path
    bundle: Resource
    places: Sequence[_Place]

    @property
    def names(self) -> set[str]:
        """`Type/id` of what it puts under an id; nothing where the file is a request."""
        requests = [entry["request"] for entry in self.bundle["entry"]] if self.places else []
        return {request["url"] for request in requests if request["method"] == "PUT"}


def _loaded(service: Service, sent: _Sent) -> bool:
    """False where nothing was stored because what it refers to does not stand yet."""
    answer = service.answer(Ask("POST", (), (), {}, sent.bundle))
    body = parse(answer.body)
    if answer.status >= 400 and _codes(body) == {_DANGLING}:
        return False
    refused = _refusals(answer.status, body)
    if refused:
        raise WaykeeperError([_refusal(sent, text) for text in refused])
    return True


def _later(service: Service, waiting: Sequence[_Sent]) -> list[_Sent]:
    """Send again what waited: what are no requests together, as they may refer to one another in a circle.

    Returns what waits still, less than before. Raises WaykeeperError where nothing went through.
    """
    resources = [one for one in waiting if one.places]
    together = [_together(resources)] if resources else []
    again = [*together, *(one for one in waiting if not one.places)]
    left = [one for one in again if not _loaded(service, one)]
    if len(left) == len(again):
        answer = service.answer(Ask("POST", (), (), {}, left[0].bundle))
        raise WaykeeperError([_refusal(left[0], text) for text in _refusals(answer.status, parse(answer.body))])
    return left


def _together(files: Sequence[_Sent]) -> _Sent:
    """One transaction of several files; of a resource that stands in two of them the later one's, as file by file."""
    held: dict[object, tuple[Any, _Place]] = {}
    for number, one in enumerate(files):
        own = {}
        for index, (entry, place) in enumerate(zip(one.bundle["entry"], one.places, strict=True)):
            url = entry["request"]["url"]
            # Without an id each is another resource, and twice in one file stays for the server to refuse.
            key = url if entry["request"]["method"] == "PUT" and url not in own else (number, index)
            own[key] = (entry, place)
        held |= own
    return _sent_together(files[0].file, held.values())


def _read(path: Path) -> _Sent:
    """What is sent for a file. Raises WaykeeperError WKS105."""
    try:
        raw = path.read_bytes().removeprefix(BOM_UTF8)
    except OSError as bad:
        raise _no_resource(path, str(bad)) from None
    lines = list(enumerate(raw.splitlines(), 1)) if path.suffix == ".ndjson" else [(0, raw)]
    held = [(_resource(path, text, line), line) for line, text in lines if text.strip() or not line]
    if len(held) == 1 and held[0][0]["resourceType"] == "Bundle":
        whole, line = held[0]
        if whole.get("type") in ("transaction", "batch"):
            return _Sent(path, whole, ())
        parts = _parts(path, whole, line)
    else:
        parts = ((one, _Place(path, line, one["resourceType"])) for one, line in held)
    return _sent_together(path, ((_entry(one), place) for one, place in parts))


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
        yield entry["resource"], _Place(path, line, f"{place}.resource")


def _sent_together(file: Path, entries: Iterable[tuple[Any, _Place]]) -> _Sent:
    held = list(entries)
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry for entry, _ in held]}
    return _Sent(file, bundle, [place for _, place in held])


def _refusal(sent: _Sent, text: str) -> Finding:
    """WKS106 at the place in the file: the server counts the entries that it was sent."""
    found = _SENT.match(text)
    if not found or not sent.places:
        return finding("WKS106", text, Position(str(sent.file)))
    place = sent.places[int(found["number"])]
    return finding("WKS106", f"{place.path}{text[found.end() :]}", Position(str(place.file), place.line))


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


def _codes(outcome: Resource) -> set[str]:
    return {coding["code"] for issue in outcome.get("issue", ()) for coding in issue["details"]["coding"]}


def _texts(outcome: Resource) -> list[str]:
    return [f"{' '.join(i.get('expression', []))} {i['diagnostics']}".strip() for i in outcome.get("issue", ())]
