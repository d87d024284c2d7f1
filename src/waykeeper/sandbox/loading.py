"""Fill a store from a folder: records first, then what belongs to no plan, then plans, then bookings."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from waykeeper.findings import Position, WaykeeperError, finding
from waykeeper.sandbox.answers import Ask
from waykeeper.sandbox.resource_json import NotJson, Resource, parse
from waykeeper.sandbox.service import Service
from waykeeper.sandbox.store import Store

# The beginning of a file's name decides its turn: what a later file refers to must stand already.
_TURNS = ("record", "", "plan", "bookings")


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
    if not folder.exists():
        raise WaykeeperError(finding("WKS104", f"{folder} does not exist"))
    paths = files_in_order(folder) if folder.is_dir() else [folder]
    service = Service(store)
    for path in paths:
        _load(service, path)
    return len(paths)


def _load(service: Service, path: Path) -> None:
    position = Position(file=str(path))
    try:
        raw = path.read_bytes()
        parsed = (
            [parse(line) for line in raw.splitlines() if line.strip()] if path.suffix == ".ndjson" else [parse(raw)]
        )
    except (OSError, NotJson) as bad:
        raise WaykeeperError(finding("WKS105", str(bad), position)) from None
    if any(not isinstance(one, dict) or not isinstance(one.get("resourceType"), str) for one in parsed):
        raise WaykeeperError(finding("WKS105", "not a FHIR resource: a JSON object with resourceType", position))
    answer = service.answer(Ask("POST", (), (), {}, _bundle(parsed)))
    refused = _refusals(answer.status, parse(answer.body))
    if refused:
        raise WaykeeperError([finding("WKS106", text, position) for text in refused])


def _bundle(resources: list[Resource]) -> Resource:
    if len(resources) == 1 and resources[0]["resourceType"] == "Bundle":
        whole = resources[0]
        if whole.get("type") in ("transaction", "batch"):
            return whole
        resources = [one["resource"] for one in whole.get("entry", ()) if "resource" in one]
    return {"resourceType": "Bundle", "type": "transaction", "entry": [_entry(one) for one in resources]}


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
