"""Where the sandbox and the real server answer differently: data, asserted on both, printed into the sandbox's README.

python tests/contract/server_differences.py --write     rewrites the table in src/waykeeper/sandbox/README.md
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from contract.talk import Talk, entry, patch_binary

README = Path(__file__).parents[2] / "src/waykeeper/sandbox/README.md"
BEGIN, END = "<!-- differences: generated -->", "<!-- end of differences -->"


@dataclass(frozen=True)
class Difference:
    """One case: what is done, what each server answers, and why the sandbox does otherwise."""

    name: str
    case: str
    sandbox: str
    real: str
    why: str
    act: Callable[[Talk], str]


def _patient(talk: Talk) -> dict:
    return talk.made({"resourceType": "Patient", "id": talk.key("p"), "identifier": [talk.identifier()]})


def _born(one: dict, date: str = "1960-05-01") -> dict:
    return {**one, "birthDate": date}


def _query(talk: Talk) -> dict[str, str]:
    return {"identifier": f"{talk.identifier()['system']}|a"}


def invalid(talk: Talk) -> str:
    return str(
        talk.post(
            {
                "resourceType": "Patient",
                "identifier": [talk.identifier()],
                "birthDate": "1960-05-01",
                "contact": [{"gender": "male"}],
            }
        ).status_code
    )


def unknown_element(talk: Talk) -> str:
    answer = talk.post({"resourceType": "Patient", "identifier": [talk.identifier()], "shoeSize": 43})
    return (
        f"{answer.status_code}, dropped" if answer.ok and "shoeSize" not in answer.json() else str(answer.status_code)
    )


def stale(talk: Talk) -> str:
    one = _patient(talk)
    talk.put(_born(one))
    return str(talk.put(_born(one, "1961-06-02"), If_Match='W/"1"').status_code)


def if_match_absent(talk: Talk) -> str:
    return str(talk.put({"resourceType": "Patient", "id": talk.key("n")}, If_Match='W/"1"').status_code)


def if_match_zero(talk: Talk) -> str:
    one = {"resourceType": "Patient", "id": talk.key("n")}
    first = talk.put(one, If_Match='W/"0"').status_code
    second = talk.put(_born(one), If_Match='W/"0"').status_code
    return f"{first}, then {second}" if first == 201 else str(first)


def if_none_match_star(talk: Talk) -> str:
    one = _patient(talk)
    answer = talk.put(_born(one), If_None_Match="*")
    lost = "birthDate" in talk.get(f"Patient/{one['id']}").json()
    return f"{answer.status_code}, {'overwritten' if lost else 'kept'}"


def if_match_conditional(talk: Talk) -> str:
    one = _patient(talk)
    talk.put(_born(one))
    answer = talk.send("PUT", "Patient", {**one, "gender": "female"}, _query(talk), If_Match='W/"1"')
    lost = "birthDate" not in talk.get(f"Patient/{one['id']}").json()
    return f"{answer.status_code}, {'the other edit lost' if lost else 'kept'}"


def conditional_put_other_id(talk: Talk) -> str:
    _patient(talk)
    body = {"resourceType": "Patient", "id": talk.key("x"), "identifier": [talk.identifier()]}
    return str(talk.send("PUT", "Patient", body, _query(talk)).status_code)


def equal_conditions(talk: Talk) -> str:
    one = {"resourceType": "Patient", "identifier": [talk.identifier()]}
    answer = talk.bundle(*[entry("POST", "Patient", one, f"urn:uuid:{n}", ifNoneExist=talk.query()) for n in "ab"])
    return (
        f"{answer.status_code}, {len(answer.json()['entry'])} of 2 answered" if answer.ok else str(answer.status_code)
    )


def same_id_twice(talk: Talk) -> str:
    key = talk.key("t")
    one = {"resourceType": "Patient", "id": key}
    answer = talk.bundle(
        entry("PUT", f"Patient/{key}", one, "urn:uuid:a"), entry("PUT", f"Patient/{key}", _born(one), "urn:uuid:b")
    )
    return f"{answer.status_code}, both run" if answer.ok else str(answer.status_code)


def post_other_url(talk: Talk) -> str:
    one = {"resourceType": "Patient", "identifier": [talk.identifier()]}
    return str(talk.bundle(entry("POST", "Task", one, "urn:uuid:a")).status_code)


def put_other_id(talk: Talk) -> str:
    one = {"resourceType": "Patient", "id": talk.key("other")}
    return str(talk.bundle(entry("PUT", f"Patient/{talk.key('this')}", one)).status_code)


def conditional_delete(talk: Talk) -> str:
    one = _patient(talk)
    answer = talk.send("DELETE", "Patient", None, _query(talk))
    gone = talk.get(f"Patient/{one['id']}").status_code == 410
    return f"{answer.status_code}, {'deleted' if gone else 'kept'}"


def reference_created_inside(talk: Talk) -> str:
    patient = {"resourceType": "Patient", "identifier": [talk.identifier("inside")]}
    answer = talk.bundle(
        entry("POST", "Patient", patient, "urn:uuid:a", ifNoneExist=talk.query("inside")),
        entry("POST", "Task", talk.task(f"Patient?{talk.query('inside')}"), "urn:uuid:b"),
    )
    return str(answer.status_code)


def conditional_reference_alone(talk: Talk) -> str:
    _patient(talk)
    return str(talk.post(talk.task(f"Patient?{talk.query()}")).status_code)


def empty_patch(talk: Talk) -> str:
    reference = f"Patient/{_patient(talk)['id']}"
    return str(talk.send("PATCH", reference, [], Content_Type="application/json-patch+json").status_code)


def fhirpath_patch(talk: Talk) -> str:
    task = talk.made(talk.task(f"Patient/{_patient(talk)['id']}"))
    parts = [
        {"name": "type", "valueCode": "replace"},
        {"name": "path", "valueString": "Task.status"},
        {"name": "value", "valueCode": "ready"},
    ]
    patch = {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": parts}]}
    return str(talk.bundle(entry("PATCH", f"Task/{task['id']}", patch)).status_code)


def patch_into_illegal(talk: Talk) -> str:
    task = talk.made(talk.task(f"Patient/{_patient(talk)['id']}"))
    patch = patch_binary({"op": "remove", "path": "/intent"})
    return str(talk.bundle(entry("PATCH", f"Task/{task['id']}", patch)).status_code)


def etag_in_entry(talk: Talk) -> str:
    answer = talk.bundle(entry("POST", "Patient", {"resourceType": "Patient"}, "urn:uuid:a"))
    return answer.json()["entry"][0]["response"]["etag"]


def cached_search(talk: Talk) -> str:
    import requests

    patient = f"Patient/{_patient(talk)['id']}"
    url = f"{talk.base}/Task?patient={patient}"
    before = requests.get(url, timeout=60).json().get("entry", [])
    talk.made(talk.task(patient))
    after = requests.get(url, timeout=60).json().get("entry", [])
    return f"{len(before)}, then {len(after)}"


def lenient(talk: Talk) -> str:
    return str(talk.get("Flag", {"status": "active", "_id": talk.key("f")}, Prefer="handling=lenient").status_code)


def include_star(talk: Talk) -> str:
    return str(talk.get("Task", {"_id": talk.key("t"), "_include": "*"}).status_code)


def everything(talk: Talk) -> str:
    return str(talk.get(f"Patient/{_patient(talk)['id']}/$everything").status_code)


def xml(talk: Talk) -> str:
    return str(talk.get(f"Patient/{_patient(talk)['id']}", Accept="application/fhir+xml").status_code)


def export_practitioners(talk: Talk) -> str:
    params = {"_type": "Practitioner", "_since": "2999-01-01T00:00:00Z"}
    return str(talk.get("Patient/$export", params, Prefer="respond-async").status_code)


def says_update_create(talk: Talk) -> str:
    rest = talk.get("metadata").json()["rest"][0]
    found = next(one for one in rest["resource"] if one["type"] == "Task")
    return "says so" if found.get("updateCreate") and {"code": "batch"} in rest.get("interaction", []) else "is silent"


def raw_bar(talk: Talk) -> str:
    import http.client
    from urllib.parse import urlsplit

    parts = urlsplit(talk.base)
    connection = http.client.HTTPConnection(parts.hostname, parts.port, timeout=60)
    connection.request("GET", f"{parts.path}/Task?identifier=urn:x|")
    answer = connection.getresponse()
    kind = answer.headers["Content-Type"].partition(";")[0]
    answer.read()
    connection.close()
    return f"{answer.status}, {kind}"


DIFFERENCES = (
    Difference(
        "invalid",
        "create a resource that breaks an invariant (pat-1)",
        "422",
        "201",
        "refuses by our validator",
        invalid,
    ),
    Difference(
        "unknown element",
        "create with an element that FHIR does not know",
        "422",
        "201, dropped",
        "a value that vanishes in silence is lost",
        unknown_element,
    ),
    Difference(
        "stale version",
        "`If-Match` with an old version",
        "412",
        "409",
        "412 by the book (R4 http.html#concurrency); clients take both as stale",
        stale,
    ),
    Difference(
        "If-Match on nothing",
        "`If-Match` where nothing stands",
        "412",
        "201",
        "a condition that cannot hold (RFC 9110 13.1.1)",
        if_match_absent,
    ),
    Difference(
        "If-Match W/0",
        '`If-Match: W/"0"` to create, then again',
        "412",
        "201, then 409",
        "a quirk of one server; create by POST with ifNoneExist",
        if_match_zero,
    ),
    Difference(
        "If-None-Match star",
        "PUT with `If-None-Match: *` over a resource that stands",
        "412, kept",
        "200, overwritten",
        "RFC 9110 13.1.2: create, never overwrite",
        if_none_match_star,
    ),
    Difference(
        "If-Match on a conditional PUT",
        "a stale `If-Match` on `PUT Type?identifier=`",
        "412, kept",
        "200, the other edit lost",
        "a guard that is ignored loses work",
        if_match_conditional,
    ),
    Difference(
        "conditional PUT, other id",
        "`PUT Type?identifier=` with the id of another in the body",
        "400",
        "200",
        "the body says another identity than the condition",
        conditional_put_other_id,
    ),
    Difference(
        "equal conditions",
        "two entries with one `ifNoneExist`",
        "400",
        "200, 1 of 2 answered",
        "an entry without an answer",
        equal_conditions,
    ),
    Difference(
        "one id twice",
        "two PUTs of one id under two fullUrls",
        "400",
        "200, both run",
        "one identity once (R4 http.html#trules)",
        same_id_twice,
    ),
    Difference(
        "url of another type",
        "a POST entry with another type's url",
        "400",
        "200",
        "the entry contradicts itself",
        post_other_url,
    ),
    Difference(
        "url of another id",
        "a PUT entry whose url has another id than its resource",
        "400",
        "200",
        "the entry contradicts itself",
        put_other_id,
    ),
    Difference(
        "conditional delete",
        "`DELETE Type?identifier=`",
        "405, kept",
        "200, deleted",
        "an empty condition would delete the type; withdraw by status",
        conditional_delete,
    ),
    Difference(
        "conditional reference inside",
        "a conditional reference to what the same bundle creates",
        "404",
        "200",
        "some servers resolve it, some do not; use the entry's fullUrl",
        reference_created_inside,
    ),
    Difference(
        "conditional reference alone",
        "a conditional reference outside a transaction",
        "400",
        "201",
        "R4 defines it in transactions only",
        conditional_reference_alone,
    ),
    Difference("empty patch", "a JSON Patch without operations", "400", "200", "nothing was asked for", empty_patch),
    Difference(
        "FHIRPath Patch",
        "a FHIRPath Patch in a transaction",
        "400",
        "200",
        "JSON Patch is the one form offered",
        fhirpath_patch,
    ),
    Difference(
        "patch into illegal",
        "a patch that leaves an illegal resource",
        "422",
        "200",
        "refuses by our validator",
        patch_into_illegal,
    ),
    Difference("ETag in an entry", "`response.etag` of a transaction entry", 'W/"1"', "1", "normalise", etag_in_entry),
    Difference(
        "cache",
        "the same search before and after a write, without `no-cache`: matches",
        "0, then 1",
        "0, then 0",
        "the sandbox has no cache; send `no-cache` on every read-back",
        cached_search,
    ),
    Difference(
        "lenient",
        "an unknown parameter with `Prefer: handling=lenient`",
        "200",
        "400",
        "left out and listed in the answer, as R4 has it",
        lenient,
    ),
    Difference("include star", "`_include=*`", "400", "200", "every include is named", include_star),
    Difference("$everything", "`Patient/$everything`", "405", "200", "not offered", everything),
    Difference("XML", "asked for XML", "406", "200", "JSON only", xml),
    Difference(
        "CapabilityStatement",
        "updateCreate and batch in the CapabilityStatement",
        "says so",
        "is silent",
        "absent means unknown, not unsupported: probe",
        says_update_create,
    ),
    Difference(
        "export of others",
        "`Patient/$export?_type=Practitioner` (Device, Organization)",
        "400",
        "202",
        "not in the patient compartment of R4; export the whole system",
        export_practitioners,
    ),
    Difference(
        "raw bar",
        "a search with a raw `|` in the url",
        "400, application/fhir+json",
        "400, text/html",
        "percent-encode it; parse errors by content type",
        raw_bar,
    ),
)


def table() -> str:
    """The differences as a Markdown table."""
    rows = ["| case | sandbox | HAPI FHIR 8.8.0 | why |", "|---|---|---|---|"]
    for one in DIFFERENCES:
        cells = (one.case, one.sandbox, one.real, one.why)
        rows.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(rows)


def with_table(text: str) -> str:
    """The README with the table that the data gives."""
    head, _, rest = text.partition(BEGIN)
    _, _, tail = rest.partition(END)
    return f"{head}{BEGIN}\n{table()}\n{END}{tail}"


if __name__ == "__main__" and "--write" in sys.argv:
    README.write_text(with_table(README.read_text("utf-8")), "utf-8")
