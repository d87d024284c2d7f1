"""Transactions and batches: the same cases against both servers."""

import threading

from contract.talk import Talk, entry, patch_binary, texts, version_of


def statuses(answer):
    return [e["response"]["status"][:3] for e in answer.json()["entry"]]


def test_references_inside_are_rewritten_also_in_a_circle(talk):
    patient = talk.patient()
    plan = {
        "resourceType": "CarePlan",
        "identifier": [talk.identifier("plan")],
        "status": "draft",
        "intent": "plan",
        "subject": {"reference": patient},
        "activity": [{"reference": {"reference": "urn:uuid:0ea7ec6e-8ee6-4f3d-9e0b-000000000001"}}],
    }
    task = talk.task(patient, basedOn=[{"reference": "urn:uuid:0ea7ec6e-8ee6-4f3d-9e0b-000000000002"}])
    answer = talk.bundle(
        entry("POST", "CarePlan", plan, "urn:uuid:0ea7ec6e-8ee6-4f3d-9e0b-000000000002"),
        entry("POST", "Task", task, "urn:uuid:0ea7ec6e-8ee6-4f3d-9e0b-000000000001"),
    )
    assert answer.status_code == 200, answer.text
    assert answer.json()["type"] == "transaction-response"
    assert statuses(answer) == ["201", "201"]
    places = [e["response"]["location"].partition("/_history")[0] for e in answer.json()["entry"]]
    assert [p.partition("/")[0] for p in places] == ["CarePlan", "Task"]
    assert talk.get(places[0]).json()["activity"] == [{"reference": {"reference": places[1]}}]
    assert talk.get(places[1]).json()["basedOn"] == [{"reference": places[0]}]


def test_the_identifier_that_looks_like_a_urn_is_not_rewritten(talk):
    patient = talk.patient()
    urn = f"urn:uuid:0ea7ec6e-8ee6-4f3d-9e0b-{talk.mark}"
    task = talk.task(patient, identifier=[{"system": "urn:ietf:rfc:3986", "value": urn}])
    answer = talk.bundle(entry("POST", "Task", task, urn))
    assert answer.status_code == 200, answer.text
    found = talk.get(answer.json()["entry"][0]["response"]["location"].partition("/_history")[0]).json()
    assert found["identifier"][0]["value"] == urn


def test_put_by_client_id_can_be_referred_to_by_its_urn(talk):
    patient = talk.patient()
    first = {**talk.task(patient, "first"), "id": talk.key("first")}
    second = {
        **talk.task(patient, "second"),
        "id": talk.key("second"),
        "partOf": [{"reference": "urn:uuid:0ea7ec6e-8ee6-4f3d-9e0b-000000000001"}],
    }
    answer = talk.bundle(
        entry("PUT", f"Task/{second['id']}", second),
        entry("PUT", f"Task/{first['id']}", first, "urn:uuid:0ea7ec6e-8ee6-4f3d-9e0b-000000000001"),
    )
    assert statuses(answer) == ["201", "201"]
    assert talk.get(f"Task/{second['id']}").json()["partOf"] == [{"reference": f"Task/{first['id']}"}]


def test_the_same_bundle_again_changes_nothing(talk):
    patient = talk.patient()
    entries = [entry("PUT", f"Task/{talk.key(n)}", {**talk.task(patient, n), "id": talk.key(n)}) for n in ("x", "y")]
    assert statuses(talk.bundle(*entries)) == ["201", "201"]
    again = talk.bundle(*entries)
    assert statuses(again) == ["200", "200"]
    assert [version_of(e["response"]["etag"]) for e in again.json()["entry"]] == ["1", "1"]


def test_if_none_exist_again_finds_what_was_made(talk):
    patient = talk.patient()
    entries = [
        entry("POST", "Task", talk.task(patient, n), f"urn:uuid:{n}", ifNoneExist=talk.query(n)) for n in ("x", "y")
    ]
    first, second = talk.bundle(*entries), talk.bundle(*entries)
    assert (statuses(first), statuses(second)) == (["201", "201"], ["200", "200"])
    assert len(talk.ids("Task", ("identifier", f"{talk.identifier()['system']}|"))) == 2


def test_a_reference_to_a_conditional_create_that_matched_leads_to_the_match(talk):
    patient = talk.patient()
    standing = talk.made(talk.task(patient, "gate"))
    child = talk.task(patient, "child", partOf=[{"reference": "urn:uuid:gate"}])
    answer = talk.bundle(
        entry("POST", "Task", talk.task(patient, "gate"), "urn:uuid:gate", ifNoneExist=talk.query("gate")),
        entry("POST", "Task", child, "urn:uuid:child"),
    )
    assert statuses(answer) == ["200", "201"], answer.text
    found = talk.ids("Task", ("part-of", f"Task/{standing['id']}"))
    assert len(found) == 1


def rolled_back(talk, *entries):
    """Post entries of which one is refused, after one that is good; give the answer and see that nothing stands."""
    patient = talk.patient("owner")
    good = entry("PUT", f"Task/{talk.key('good')}", {**talk.task(patient, "good"), "id": talk.key("good")})
    answer = talk.bundle(good, *entries)
    assert talk.get(f"Task/{talk.key('good')}").status_code == 404, answer.text
    return answer


def test_a_dangling_urn_rolls_all_back(talk):
    answer = rolled_back(
        talk, entry("POST", "Task", talk.task("urn:uuid:0ea7ec6e-8ee6-4f3d-9e0b-00000000000f"), "urn:uuid:x")
    )
    assert answer.status_code == 400 and texts(answer)


def test_a_dangling_literal_rolls_all_back(talk):
    answer = rolled_back(talk, entry("POST", "Task", talk.task(f"Patient/{talk.key('nobody')}"), "urn:uuid:x"))
    assert answer.status_code == 400 and texts(answer)


def test_a_stale_version_rolls_all_back(talk):
    patient = talk.made({"resourceType": "Patient", "id": talk.key("p"), "identifier": [talk.identifier("p")]})
    stale = entry("PUT", f"Patient/{patient['id']}", {**patient, "birthDate": "1960-05-01"}, ifMatch='W/"7"')
    answer = rolled_back(talk, stale)
    assert answer.status_code in (409, 412) and texts(answer)
    assert "birthDate" not in talk.get(f"Patient/{patient['id']}").json()


def test_many_matches_roll_all_back(talk):
    for _ in range(2):
        talk.made({"resourceType": "Patient", "identifier": [talk.identifier("double")]})
    one = {"resourceType": "Patient", "identifier": [talk.identifier("double")]}
    answer = rolled_back(talk, entry("POST", "Patient", one, "urn:uuid:x", ifNoneExist=talk.query("double")))
    assert answer.status_code == 412 and texts(answer)


def test_a_conditional_reference_that_matches_nothing_rolls_all_back(talk):
    task = talk.task(f"Patient?{talk.query('nobody')}")
    answer = rolled_back(talk, entry("POST", "Task", task, "urn:uuid:x"))
    assert answer.status_code == 404 and texts(answer)


def test_a_conditional_reference_that_matches_one_becomes_literal(talk):
    patient = talk.patient("pat")
    answer = talk.bundle(entry("POST", "Task", talk.task(f"Patient?{talk.query('pat')}"), "urn:uuid:x"))
    assert answer.status_code == 200, answer.text
    found = talk.get(answer.json()["entry"][0]["response"]["location"].partition("/_history")[0]).json()
    assert found["for"]["reference"] == patient


def test_an_entry_without_its_resource_rolls_all_back(talk):
    answer = rolled_back(talk, entry("POST", "Patient"))
    assert 400 <= answer.status_code < 500 and texts(answer)


def test_the_order_of_entries_does_not_matter(talk):
    """DELETE, POST, PUT, PATCH, GET: the answers stand in the order of the questions."""
    patient = talk.patient()
    gone = talk.made(talk.task(patient, "gone"))
    kept = talk.made({**talk.task(patient, "kept"), "id": talk.key("kept")})
    answer = talk.bundle(
        entry("GET", f"Task?patient={patient}"),
        entry("PUT", f"Task/{kept['id']}", {**kept, "status": "ready"}),
        entry("POST", "Task", talk.task(patient, "new"), "urn:uuid:new"),
        entry("DELETE", f"Task/{gone['id']}"),
    )
    assert statuses(answer) == ["200", "200", "201", "204"], answer.text
    found = [e["resource"] for e in answer.json()["entry"][0]["resource"]["entry"]]
    names = sorted(one["identifier"][0]["value"] for one in found)
    assert names == ["kept", "new"]


def test_patch_with_if_match_inside_a_transaction(talk):
    task = talk.made(talk.task(talk.patient(), note=[{"text": "she prefers mornings"}]))
    ready = patch_binary({"op": "replace", "path": "/status", "value": "ready"})
    place = f"Task/{task['id']}"
    first = talk.bundle(entry("PATCH", place, ready, ifMatch='W/"1"'))
    assert statuses(first) == ["200"], first.text
    assert version_of(first.json()["entry"][0]["response"]["etag"]) == "2"
    second = talk.bundle(
        entry("PATCH", place, patch_binary({"op": "replace", "path": "/status", "value": "rejected"}), ifMatch='W/"1"')
    )
    assert second.status_code in (409, 412)
    found = talk.get(place).json()
    assert (found["status"], found["note"]) == ("ready", [{"text": "she prefers mornings"}])


def test_a_patch_that_fails_rolls_all_back(talk):
    task = talk.made(talk.task(talk.patient("p"), "t"))
    answer = rolled_back(talk, entry("PATCH", f"Task/{task['id']}", patch_binary({"op": "remove", "path": "/owner"})))
    assert answer.status_code in (400, 422)


def test_a_whole_plan_is_deleted_in_one_transaction_with_its_patient(talk):
    patient = talk.patient()
    task = talk.made(talk.task(patient))
    answer = talk.bundle(entry("DELETE", patient), entry("DELETE", f"Task/{task['id']}"))
    assert statuses(answer) == ["204", "204"], answer.text
    assert talk.get(patient).status_code == 410


def test_the_body_comes_back_where_it_is_preferred(talk):
    one = {"resourceType": "Patient", "identifier": [talk.identifier()]}
    plain = talk.bundle(entry("POST", "Patient", one, "urn:uuid:a"), Prefer="return=minimal").json()["entry"][0]
    full = talk.bundle(entry("POST", "Patient", one, "urn:uuid:a"), Prefer="return=representation").json()["entry"][0]
    assert "resource" not in plain and full["resource"]["resourceType"] == "Patient"


def test_a_batch_carries_out_the_good_entries_and_says_what_was_refused(talk):
    patient = talk.patient()
    answer = talk.bundle(
        entry("POST", "Task", talk.task(patient)),
        entry("POST", "Task", talk.task(f"Patient/{talk.key('nobody')}")),
        entry("GET", patient),
        entry("GET", f"Patient/{talk.key('nobody')}"),
        kind="batch",
    )
    assert answer.status_code == 200 and answer.json()["type"] == "batch-response"
    assert statuses(answer) == ["201", "400", "200", "404"]
    refused = answer.json()["entry"][1]["response"]["outcome"]
    assert refused["issue"][0]["severity"] == "error"
    assert len(talk.ids("Task", ("patient", patient))) == 1


def test_a_stale_version_in_a_batch_stops_only_that_entry(talk):
    patient = talk.patient()
    task = talk.made({**talk.task(patient), "id": talk.key("t")})
    answer = talk.bundle(
        entry("PUT", f"Task/{task['id']}", {**task, "status": "ready"}, ifMatch='W/"9"'),
        entry("POST", "Task", talk.task(patient, "other")),
        kind="batch",
    )
    found = statuses(answer)
    assert found[0] in ("409", "412") and found[1] == "201"


def test_a_urn_between_entries_of_a_batch_is_refused(talk):
    answer = talk.bundle(
        entry("POST", "Patient", {"resourceType": "Patient"}, "urn:uuid:0ea7ec6e-8ee6-4f3d-9e0b-000000000001"),
        entry("POST", "Task", talk.task("urn:uuid:0ea7ec6e-8ee6-4f3d-9e0b-000000000001")),
        kind="batch",
    )
    assert statuses(answer)[1] == "400"


def test_two_transactions_at_once_make_one_winner(server):
    with Talk(server) as talk:
        patient = talk.made({"resourceType": "Patient", "id": talk.key("p"), "identifier": [talk.identifier()]})
        gate, found = threading.Barrier(2), []

        def write(date):
            with Talk(server) as mine:
                body = {**patient, "birthDate": date}
                gate.wait()
                found.append(mine.bundle(entry("PUT", f"Patient/{patient['id']}", body, ifMatch='W/"1"')).status_code)

        threads = [threading.Thread(target=write, args=(date,)) for date in ("1960-05-01", "1961-06-02")]
        for one in threads:
            one.start()
        for one in threads:
            one.join()
        assert sorted(found)[0] == 200 and sorted(found)[1] in (409, 412)
        assert talk.get(f"Patient/{patient['id']}").json()["meta"]["versionId"] == "2"


def test_an_empty_transaction_is_answered(talk):
    answer = talk.send("POST", "", {"resourceType": "Bundle", "type": "transaction"})
    assert answer.status_code == 200


def test_a_bundle_that_is_neither_is_refused(talk):
    answer = talk.send("POST", "", {"resourceType": "Bundle", "type": "document"})
    assert 400 <= answer.status_code < 500 and texts(answer)


def test_a_plan_of_a_hundred_goes_in_and_comes_back(talk):
    patient = talk.patient()
    entries = [
        entry("POST", "Task", talk.task(patient, f"t{n}"), f"urn:uuid:t{n}", ifNoneExist=talk.query(f"t{n}"))
        for n in range(100)
    ]
    answer = talk.bundle(*entries)
    assert statuses(answer) == ["201"] * 100
    assert len(set(talk.ids("Task", ("patient", patient), ("identifier", f"{talk.identifier()['system']}|")))) == 100


def test_a_guard_that_is_misspelt_is_no_silent_loss(sandbox_peer):
    """The real server drops unknown elements, `ifMach` too; the sandbox refuses them."""
    with Talk(sandbox_peer) as talk:
        one = talk.made({"resourceType": "Patient", "id": talk.key("p"), "identifier": [talk.identifier()]})
        answer = talk.bundle(entry("PUT", f"Patient/{one['id']}", {**one, "birthDate": "1960-05-01"}, ifMach='W/"7"'))
        assert answer.status_code == 400 and "'ifMatch'" in texts(answer)
        assert "birthDate" not in talk.get(f"Patient/{one['id']}").json()
