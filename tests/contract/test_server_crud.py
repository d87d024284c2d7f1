"""Create, read, versions, updates, deletes, conditions and patches: the same cases against both servers."""

import json
import re

import pytest
import requests

from contract.talk import texts, version_of


def test_create_says_where_the_resource_stands_and_in_which_version(talk):
    answer = talk.post({"resourceType": "Patient", "identifier": [talk.identifier()]})
    made = answer.json()
    assert answer.status_code == 201
    assert f"/Patient/{made['id']}/_history/1" in answer.headers["Location"]
    assert answer.headers["ETag"] == 'W/"1"'
    assert answer.headers["Last-Modified"].endswith("GMT")
    assert made["meta"]["versionId"] == "1" and made["meta"]["lastUpdated"]


def test_read_gives_back_the_values_that_were_sent(talk):
    sent = {
        "resourceType": "Patient",
        "id": talk.key("ann"),
        "identifier": [talk.identifier()],
        "name": [{"family": "O'Neill & Söhne", "given": ["Ännchen"]}],
        "extension": [{"url": "https://contract.example/weight", "valueDecimal": 1.5}],
        "birthDate": "1954-02-28",
    }
    talk.made(sent)
    found = talk.get(f"Patient/{sent['id']}").json()
    assert {k: found[k] for k in sent} == sent


def test_decimals_keep_their_digits(talk):
    value = {"url": "https://contract.example/weight", "valueDecimal": 1.5}
    body = {"resourceType": "Patient", "id": talk.key("d"), "identifier": [talk.identifier()], "extension": [value]}
    assert talk.send("PUT", f"Patient/{body['id']}", json.dumps(body).replace("1.5}", "1.500}")).status_code == 201
    assert re.search(r"1\.500\b", talk.get(f"Patient/{body['id']}").text)


def test_head_answers_like_get_without_a_body(talk):
    reference = talk.patient()
    answer = talk.send("HEAD", reference)
    assert answer.status_code == 200 and answer.text == ""


def test_a_read_with_the_known_etag_is_not_sent_again(talk):
    reference = talk.patient()
    answer = talk.get(reference, If_None_Match='W/"1"')
    assert answer.status_code == 304


def test_an_id_that_never_was_is_404(talk):
    answer = talk.get(f"Patient/{talk.key('nobody')}")
    assert answer.status_code == 404
    assert talk.key("nobody") in texts(answer)


def test_update_makes_a_version_and_history_keeps_the_old_one(talk):
    reference = talk.patient()
    one = talk.get(reference).json()
    answer = talk.put({**one, "birthDate": "1960-05-01"})
    assert answer.status_code == 200 and version_of(answer.headers["ETag"]) == "2"
    assert "birthDate" not in talk.get(f"{reference}/_history/1").json()
    assert talk.get(f"{reference}/_history/2").json()["birthDate"] == "1960-05-01"
    history = talk.get(f"{reference}/_history").json()
    assert history["type"] == "history"
    assert [e["resource"]["meta"]["versionId"] for e in history["entry"]] == ["2", "1"]


def test_update_with_the_same_content_keeps_the_version(talk):
    reference = talk.patient()
    one = talk.get(reference).json()
    assert talk.put(one).status_code == 200
    assert talk.get(reference).json()["meta"]["versionId"] == "1"


def test_update_under_a_new_client_id_creates(talk):
    one = {"resourceType": "Patient", "id": talk.key("new"), "identifier": [talk.identifier()]}
    assert talk.put(one).status_code == 201
    assert talk.get(f"Patient/{one['id']}").status_code == 200


@pytest.mark.parametrize("body_id", ["other", None])
def test_update_with_another_id_in_the_body_is_refused(talk, body_id):
    one = {"resourceType": "Patient", "identifier": [talk.identifier()]} | ({"id": body_id} if body_id else {})
    answer = talk.send("PUT", f"Patient/{talk.key('a')}", one)
    assert answer.status_code == 400
    assert texts(answer)


def test_if_match_lets_the_first_writer_through_and_stops_the_second(talk):
    reference = talk.patient()
    one = talk.get(reference).json()
    assert talk.put({**one, "birthDate": "1960-05-01"}, If_Match='W/"1"').status_code == 200
    late = talk.put({**one, "birthDate": "1961-06-02"}, If_Match='W/"1"')
    assert late.status_code in (409, 412)  # which of them is in the table of differences
    assert talk.get(reference).json()["birthDate"] == "1960-05-01"


def test_tags_and_security_labels_of_before_stay(talk):
    label = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}
    tag = {"system": "https://contract.example/tag", "code": "one"}
    reference = talk.patient(meta={"security": [label], "tag": [tag]})
    one = talk.get(reference).json()
    talk.put({**one, "meta": {"tag": [{**tag, "code": "two"}]}, "birthDate": "1960-05-01"})
    meta = talk.get(reference).json()["meta"]
    assert [s["code"] for s in meta["security"]] == ["HTEST"]
    assert sorted(t["code"] for t in meta["tag"]) == ["one", "two"]


def test_delete_then_read_delete_and_put(talk):
    reference = talk.patient()
    one = talk.get(reference).json()
    assert talk.send("DELETE", reference).status_code in (200, 204)
    gone = talk.get(reference)
    assert gone.status_code == 410 and texts(gone)
    assert talk.get(f"{reference}/_history/1").status_code == 200
    assert talk.get(f"{reference}/_history/2").status_code == 410
    assert talk.ids("Patient", ("identifier", f"{one['identifier'][0]['system']}|")) == []
    assert talk.send("DELETE", reference).status_code in (200, 204)
    again = talk.put({k: v for k, v in one.items() if k != "meta"})
    assert again.status_code == 201
    assert int(version_of(again.headers["ETag"])) > 2  # the deletion took a version


def test_what_is_referred_to_is_not_deleted(talk):
    patient = talk.patient()
    talk.made(talk.task(patient))
    answer = talk.send("DELETE", patient)
    assert answer.status_code == 409 and texts(answer)
    assert talk.get(patient).status_code == 200


@pytest.mark.parametrize("form", ["{}", "Patient?{}"])
def test_conditional_create_creates_once(talk, form):
    one = {"resourceType": "Patient", "identifier": [talk.identifier()]}
    condition = form.format(talk.query())
    first = talk.post(one, If_None_Exist=condition)
    second = talk.post({**one, "birthDate": "1960-05-01"}, If_None_Exist=condition)
    assert (first.status_code, second.status_code) == (201, 200)
    found = talk.ids("Patient", ("identifier", f"{talk.identifier()['system']}|a"))
    assert found == [first.json()["id"]]
    assert "birthDate" not in talk.get(f"Patient/{found[0]}").json()


def test_conditional_create_with_many_matches_is_412_and_writes_nothing(talk):
    one = {"resourceType": "Patient", "identifier": [talk.identifier()]}
    talk.made(one)
    talk.made(one)
    answer = talk.post(one, If_None_Exist=talk.query())
    assert answer.status_code == 412 and texts(answer)
    assert len(talk.ids("Patient", ("identifier", f"{talk.identifier()['system']}|a"))) == 2


def test_conditional_update_creates_updates_and_refuses_many(talk):
    one = {"resourceType": "Patient", "identifier": [talk.identifier()]}
    query = {"identifier": f"{talk.identifier()['system']}|a"}
    first = talk.send("PUT", "Patient", one, query)
    second = talk.send("PUT", "Patient", {**one, "birthDate": "1960-05-01"}, query)
    assert (first.status_code, second.status_code) == (201, 200)
    assert second.json()["id"] == first.json()["id"]
    talk.made(one)
    assert talk.send("PUT", "Patient", one, query).status_code == 412


def test_conditional_update_without_criteria_is_refused(talk):
    answer = talk.send("PUT", "Patient", {"resourceType": "Patient", "identifier": [talk.identifier()]})
    assert answer.status_code == 400 and texts(answer)


def patched(talk, reference, *operations, **headers):
    return talk.send("PATCH", reference, list(operations), Content_Type="application/json-patch+json", **headers)


def test_json_patch_changes_what_it_names_and_nothing_else(talk):
    task = talk.made(talk.task(talk.patient(), note=[{"text": "she prefers mornings"}]))
    answer = patched(talk, f"Task/{task['id']}", {"op": "replace", "path": "/status", "value": "ready"})
    assert answer.status_code == 200
    found = talk.get(f"Task/{task['id']}").json()
    assert found["status"] == "ready" and found["note"] == [{"text": "she prefers mornings"}]
    assert found["meta"]["versionId"] == "2"


def test_json_patch_with_a_stale_version_or_a_failing_test_changes_nothing(talk):
    task = talk.made(talk.task(talk.patient()))
    reference = f"Task/{task['id']}"
    ready = {"op": "replace", "path": "/status", "value": "ready"}
    assert patched(talk, reference, ready, If_Match='W/"7"').status_code in (409, 412)
    guard = {"op": "test", "path": "/status", "value": "accepted"}
    assert patched(talk, reference, guard, ready).status_code in (400, 422)
    assert talk.get(reference).json()["status"] == "requested"


@pytest.mark.parametrize(
    "wanted, seen", [("minimal", ""), ("representation", "Patient"), ("OperationOutcome", "OperationOutcome")]
)
def test_prefer_says_what_comes_back(talk, wanted, seen):
    answer = talk.post({"resourceType": "Patient", "identifier": [talk.identifier()]}, Prefer=f"return={wanted}")
    assert answer.status_code == 201
    assert (answer.json()["resourceType"] if answer.text else "") == seen


@pytest.mark.parametrize("body", ["{", "", '{"resourceType": "Banana"}', "[]", '"Patient"'])
def test_a_body_that_is_no_resource_is_refused_with_an_outcome(talk, body):
    answer = talk.send("POST", "Patient", body)
    assert 400 <= answer.status_code < 500
    assert texts(answer)


def test_a_dangling_reference_is_refused_and_nothing_is_written(talk):
    answer = talk.post(talk.task(f"Patient/{talk.key('nobody')}"))
    assert answer.status_code == 400
    assert talk.key("nobody") in texts(answer)
    assert talk.ids("Task", ("identifier", f"{talk.identifier()['system']}|")) == []


def test_a_reference_to_the_wrong_type_is_refused(talk):
    group = talk.made({"resourceType": "Organization", "id": talk.key("org"), "name": "A clinic"})
    care_plan = {
        "resourceType": "CarePlan",
        "status": "draft",
        "intent": "plan",
        "subject": {"reference": f"Organization/{group['id']}"},
    }
    answer = talk.post(care_plan)
    assert answer.status_code == 422 and texts(answer)


def test_an_absolute_reference_to_the_server_itself_is_refused(talk):
    patient = talk.patient()
    answer = talk.post(talk.task(f"{talk.base}/{patient}"))
    assert answer.status_code == 400 and texts(answer)


def test_history_of_a_type_and_of_everything_names_the_newest_first(talk):
    reference = talk.patient()
    for place in ("Patient/_history", "_history"):
        found = talk.get(place, {"_count": "5"}).json()
        assert found["type"] == "history"
        assert reference in [e["fullUrl"].removeprefix(talk.base + "/") for e in found["entry"]]


def test_a_history_is_followed_page_by_page(talk):
    reference = talk.patient()
    one = talk.get(reference).json()
    for year in ("1960", "1961"):
        talk.put({**one, "birthDate": year})
    found, answer = [], talk.get(f"{reference}/_history", {"_count": "2"})
    for _ in range(5):
        page = answer.json()
        found += [e["resource"]["meta"]["versionId"] for e in page["entry"]]
        following = [link["url"] for link in page["link"] if link["relation"] == "next"]
        if not following:
            break
        answer = requests.get(following[0], timeout=60)
    assert found == ["3", "2", "1"]


def test_an_unknown_type_is_refused_with_an_outcome(talk):
    answer = talk.get("Banana/1")
    assert answer.status_code == 404 and texts(answer)


def test_ids_with_characters_that_fhir_forbids_are_refused(talk):
    bad = f"{talk.key('x')}_y"
    answer = talk.send("PUT", f"Patient/{bad}", {"resourceType": "Patient", "id": bad})
    assert 400 <= answer.status_code < 500 and texts(answer)


def test_a_client_id_of_digits_only_is_refused(talk):
    number = str(int(talk.mark, 16))
    answer = talk.send("PUT", f"Patient/{number}", {"resourceType": "Patient", "id": number})
    assert 400 <= answer.status_code < 500 and texts(answer)


def test_statements_outcomes_and_histories_are_legal_by_the_official_validator(talk, judge):
    statement = talk.get("metadata").json()
    some = [one for one in statement["rest"][0]["resource"] if one["type"] in ("Flag", "StructureDefinition")]
    for one in some:  # two types stand for all, whose rows come from one table: the whole takes the validator a minute
        one["searchRevInclude"] = one.get("searchRevInclude", [])[:3]
    statement["rest"][0]["resource"] = some
    outcome = talk.get(f"Patient/{talk.key('nobody')}").json()
    history = talk.get(f"{talk.patient()}/_history").json()
    found = talk.get("Patient", {"_id": talk.key("pat")}).json()
    verdicts = judge.verdicts([statement, outcome, history, found])
    assert [v.texts("error", "fatal") for v in verdicts] == [[], [], [], []]


def test_dry_run_validates_and_writes_nothing(talk):
    one = {"resourceType": "Patient", "identifier": [talk.identifier()], "gender": "unclear"}
    answer = talk.send(
        "POST",
        "Patient/$validate",
        {"resourceType": "Parameters", "parameter": [{"name": "resource", "resource": one}]},
    )
    assert "error" in [i["severity"] for i in answer.json()["issue"]], json.dumps(answer.json())
    assert talk.ids("Patient", ("identifier", f"{talk.identifier()['system']}|")) == []
