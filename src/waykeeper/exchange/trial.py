"""The first resource written to a server: does it keep our extensions, and may we choose ids without overwriting?"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import Any, Literal

from waykeeper.exchange.errors import BadAnswerError, refusal
from waykeeper.exchange.server import Answer, Server
from waykeeper.fhir.extensions import encode, find
from waykeeper.fhir.names import OFFERED, TASK_CODES, TEST_LABEL
from waykeeper.findings import finding
from waykeeper.merge.apply import ABSENT


@dataclass(frozen=True, slots=True)
class Trial:
    """What one trial resource showed.

    extensions   our extensions came back as they were sent
    form         how to create: `put` (PUT of our id with If-Match W/"0" was 201, and refused the second time), else
                 `post` (POST with ifNoneExist, the server gives the id)
    """

    extensions: bool
    form: Literal["put", "post"]


def trial(server: Server) -> Trial:
    """Write one Task that is no plan, look at it, take it back. Raises BadAnswerError where that is refused."""
    known = str(uuid.uuid4())
    task = _task()
    first = server.send("PUT", f"Task/{known}", {**task, "id": known}, headers={"If-Match": ABSENT})
    reference, form = f"Task/{known}", "post"
    if first.status == 201:
        again = server.send("PUT", reference, {**task, "id": known}, headers={"If-Match": ABSENT})
        form = "put" if again.status in (409, 412) else "post"
    else:
        reference = _posted(server, task)
    stands = server.read(reference) or {}
    kept = (find(stands, OFFERED) or {}).get("extension") == task["extension"][0]["extension"]
    _take_back(server, reference, stands)
    return Trial(kept, "put" if form == "put" else "post")


def _task() -> dict[str, Any]:
    return {
        "resourceType": "Task",
        "meta": {"security": [{"system": TEST_LABEL[0], "code": TEST_LABEL[1]}]},
        "text": {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml"><p>Trial</p></div>'},
        "extension": [encode(OFFERED, [("scheme", 1), ("when", "trial"), ("ever", ("a", "b"))])],
        "status": "draft",
        "intent": "plan",
        "code": {
            "coding": [{"system": TASK_CODES, "code": "review"}],
            "text": "Trial: does this server keep what it is given",
        },
    }


def _posted(server: Server, task: dict[str, Any]) -> str:
    answer = server.send("POST", "Task", task, headers={"Prefer": "return=representation"})
    if answer.status not in (200, 201):
        raise refusal(answer.status, "trial of the server", answer.document)
    document = answer.document if isinstance(answer.document, dict) else {}
    if not document.get("id"):
        raise BadAnswerError(
            finding("WKX211", "trial of the server: the answer does not say what was made"), answer.status
        )
    return f"Task/{document['id']}"


def _take_back(server: Server, reference: str, stands: dict[str, Any]) -> Answer:
    """Delete the trial; where a server forbids it, mark it as entered in error."""
    answer = server.send("DELETE", reference)
    if answer.status >= 400 and stands:
        answer = server.send("PUT", reference, {**stands, "status": "entered-in-error"})
    return answer
