"""A plain FHIR client for the contract tests: no cleverness, so that what a test sees is what the server said."""

from __future__ import annotations

import base64
import json
import uuid
from typing import Any

import requests

from contract.peers import Peer

FHIR = "application/fhir+json"
SYSTEM = "https://contract.example/id"


class Talk:
    """Requests to one server. `mark` is new for each Talk, so that tests never see each other's resources."""

    def __init__(self, peer: Peer) -> None:
        """Talk to a peer."""
        self.name, self.base = peer.name, peer.base
        self.mark = uuid.uuid4().hex[:12]
        self._session = requests.Session()

    def __enter__(self) -> Talk:
        return self

    def __exit__(self, *_: object) -> None:
        self._session.close()

    def send(
        self, method: str, path: str = "", body: Any = None, params: Any = None, **headers: str
    ) -> requests.Response:
        """One request; headers by name with _ for -."""
        sent = {"Accept": FHIR, "Cache-Control": "no-cache", **{k.replace("_", "-"): v for k, v in headers.items()}}
        if body is not None:
            sent.setdefault("Content-Type", FHIR)
        data = None if body is None else body if isinstance(body, str | bytes) else json.dumps(body)
        url = self.base + (f"/{path}" if path else "")
        return self._session.request(method, url, params=params, data=data, headers=sent, timeout=60)

    def get(self, path: str, params: Any = None, **headers: str) -> requests.Response:
        """GET."""
        return self.send("GET", path, None, params, **headers)

    def identifier(self, name: str = "a") -> dict[str, str]:
        """An identifier that no other test has."""
        return {"system": f"{SYSTEM}/{self.mark}", "value": name}

    def key(self, name: str) -> str:
        """A client id that no other test has."""
        return f"{name}-{self.mark}"

    def query(self, name: str = "a") -> str:
        """`identifier=system|value` for a condition."""
        return f"identifier={SYSTEM}/{self.mark}|{name}"

    def put(self, resource: dict[str, Any], **headers: str) -> requests.Response:
        """Update by id."""
        return self.send("PUT", f"{resource['resourceType']}/{resource['id']}", resource, **headers)

    def post(self, resource: dict[str, Any], **headers: str) -> requests.Response:
        """Create."""
        return self.send("POST", resource["resourceType"], resource, **headers)

    def made(self, resource: dict[str, Any]) -> dict[str, Any]:
        """Create, and give back what stands; fails unless it was created."""
        answer = self.put(resource) if "id" in resource else self.post(resource)
        assert answer.status_code == 201, answer.text
        found: dict[str, Any] = answer.json()
        return found

    def patient(self, mark: str = "pat", /, **more: Any) -> str:
        """A new Patient; gives its reference."""
        one = {"resourceType": "Patient", "id": self.key(mark), "identifier": [self.identifier(mark)], **more}
        self.made(one)
        return f"Patient/{one['id']}"

    def task(self, patient: str, name: str = "task", **more: Any) -> dict[str, Any]:
        """A Task for a patient, not yet sent."""
        return {
            "resourceType": "Task",
            "status": "requested",
            "intent": "plan",
            "identifier": [self.identifier(name)],
            "for": {"reference": patient},
            **more,
        }

    def bundle(self, *entries: dict[str, Any], kind: str = "transaction", **headers: str) -> requests.Response:
        """Post a transaction or batch."""
        return self.send("POST", "", {"resourceType": "Bundle", "type": kind, "entry": list(entries)}, **headers)

    def ids(self, kind: str, *params: tuple[str, str]) -> list[str]:
        """The ids of every match, over all pages, in order."""
        found: list[str] = []
        answer = self.get(kind, list(params))
        for _ in range(100):
            assert answer.status_code == 200, answer.text
            page = answer.json()
            found += [e["resource"]["id"] for e in page.get("entry", ()) if e["search"]["mode"] == "match"]
            following = [one["url"] for one in page.get("link", ()) if one["relation"] == "next"]
            if not following:
                return found
            answer = self._session.get(following[0], headers={"Accept": FHIR}, timeout=60)
        raise AssertionError("more than 100 pages")


def entry(
    method: str, url: str, resource: dict[str, Any] | None = None, full_url: str = "", **request: str
) -> dict[str, Any]:
    """An entry of a transaction; further request elements by name (ifMatch, ifNoneExist)."""
    made: dict[str, Any] = {"request": {"method": method, "url": url, **request}}
    if resource is not None:
        made["resource"] = resource
    if full_url:
        made["fullUrl"] = full_url
    return made


def patch_binary(*operations: dict[str, Any]) -> dict[str, Any]:
    """A JSON Patch as the Binary that an entry holds."""
    data = base64.b64encode(json.dumps(operations).encode()).decode()
    return {"resourceType": "Binary", "contentType": "application/json-patch+json", "data": data}


def version_of(etag: str) -> str:
    """The version in an ETag, however it is written."""
    return etag.removeprefix("W/").strip('"')


def texts(answer: requests.Response) -> str:
    """What an OperationOutcome says, for a test's message."""
    outcome = answer.json()
    assert outcome["resourceType"] == "OperationOutcome", answer.text
    assert all(i["severity"] in ("fatal", "error", "warning", "information") and i["code"] for i in outcome["issue"])
    return " ".join(i.get("diagnostics", "") for i in outcome["issue"])
