"""What is found out about a server, with a proxy before both servers that takes abilities away."""

import json

import pytest

from exchange.faults import TRIAL, Fault, between
from waykeeper.cli.main import main
from waykeeper.exchange import Server
from waykeeper.exchange.capabilities import capabilities, lacking, survey

OUTCOME = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "not-supported"}]}
NO = (405, "application/fhir+json", json.dumps(OUTCOME).encode(), {})


def by_name(found):
    return {one.name: one for one in found}


def changed_statement(change):
    def work(body):
        statement = json.loads(body)
        change(statement)
        return json.dumps(statement).encode()

    return Fault("GET", "/metadata", change=work)


def silent(statement):
    statement["rest"] = [{"mode": "server"}]
    statement.pop("fhirVersion")


def fifth_release(statement):
    statement["fhirVersion"] = "5.0.0"


def test_what_the_statement_omits_is_unknown_until_it_was_tried(server):
    with between(server.base) as proxy:
        proxy.faults.append(changed_statement(silent))
        found = by_name(capabilities(Server(proxy.base), try_out=False))
        assert lacking(tuple(found.values())) == ()
        assert (found["transactions"].can, found["transactions"].how) == ("unknown", "not declared")
        assert found["FHIR R4 (4.0.1)"].can == "unknown" and found["Provenance"].can == "unknown"
        assert (found["Task"].can, found["Task"].how) == ("yes", "probed")
        assert not any(method in ("PUT", "DELETE") for method, _ in proxy.seen)
        proxy.faults.append(changed_statement(silent))
        tried = by_name(capabilities(Server(proxy.base)))
        assert (tried["transactions"].can, tried["transactions"].how) == ("yes", "probed")


def test_another_release_is_named(server):
    with between(server.base) as proxy:
        proxy.faults.append(changed_statement(fifth_release))
        found = survey(Server(proxy.base), try_out=False)
    assert [a.name for a in found.lacking] == ["FHIR R4 (4.0.1)"] and "5.0.0" in found.text()


@pytest.mark.parametrize(
    ("fault", "name"),
    [
        (Fault(path=TRIAL, times=99, answer=NO), "transactions"),
        (Fault("POST", "_search", times=99, answer=NO), "searches in a body, so that no identifier enters an address"),
    ],
)
def test_what_is_missing_is_listed_and_the_command_ends_in_1(server, fault, name, capsys):
    with between(server.base) as proxy:
        proxy.faults.append(fault)
        assert main(["server", proxy.base]) == 1
        told = capsys.readouterr().out
        assert f"no       probed        {name}" in told and f"not fit for a push, it lacks: {name}" in told


def test_without_batches_each_search_is_sent_by_itself(server, capsys):
    with between(server.base) as proxy:
        proxy.faults.append(Fault("POST", "#batch", times=99, answer=NO))
        assert main(["server", proxy.base, "--format", "json"]) == 0
    document = json.loads(capsys.readouterr().out)
    found = {one["name"]: one for one in document["abilities"]}
    assert document["fit"] is True and document["schema_version"] == 1
    assert (found["batches of searches"]["can"], found["batches of searches"]["required"]) == ("no", False)
    assert (found["Goal"]["can"], found["Goal"]["how"]) == ("yes", "probed")


def test_a_server_that_leaves_parameters_out_without_a_word_is_found_out(server):
    """It would give another patient's Tasks where one patient's were asked for."""
    client = Server(server.base)
    patient = {"resourceType": "Patient", "name": [{"family": "Quill"}]}
    made = client.send("POST", "Patient", patient, headers={"Prefer": "return=representation"}).document
    goal = {"resourceType": "Goal", "lifecycleStatus": "active", "description": {"text": "walk"}}
    assert client.send("POST", "Goal", {**goal, "subject": {"reference": f"Patient/{made['id']}"}}).status == 201

    def forgetful(body):
        document = json.loads(body)
        for entry in document["entry"]:
            if entry["request"]["url"].startswith("Goal?"):
                entry["request"]["url"] = "Goal?_count=1"
        return json.dumps(document).encode()

    with between(server.base) as proxy:
        proxy.faults.append(Fault("POST", "#batch", times=9, request=forgetful))
        found = survey(Server(proxy.base), try_out=False)
    assert [a.name for a in found.lacking] == ["Goal"]
    assert "a search by patient, identifier gives what was not asked for" in found.text()


def test_read_only_writes_nothing_and_says_what_stays_unknown(server, capsys):
    with between(server.base) as proxy:
        assert main(["server", proxy.base, "--read-only"]) == 0
        assert not any(method in ("PUT", "DELETE") for method, _ in proxy.seen)
    told = capsys.readouterr().out
    assert "unknown  not declared  our extensions survive" in told and "unknown until something is written" in told


def trials(client):
    """The trials that stand on a server, whatever became of them."""
    found = [pair for s in ("draft", "entered-in-error") for pair in client.search("Task", [("status", s)])]
    return {ref for ref, r in found if str(r["code"].get("text")).startswith("Trial")}


def test_a_trial_leaves_nothing_behind(server):
    """Beside those of others: this server is shared with tests in which one is broken off."""
    client = Server(server.base)
    before = trials(client)
    assert lacking(capabilities(client)) == ()
    assert trials(client) <= before


@pytest.mark.parametrize("status", [409, 503])
def test_a_trial_that_could_not_be_deleted_at_once_is_deleted_all_the_same(server, status):
    before = trials(Server(server.base))
    with between(server.base) as proxy:
        proxy.faults.append(Fault("DELETE", "Task", answer=(status, *NO[1:])))
        capabilities(Server(proxy.base, sleep=lambda _: None))
        assert [method for method, _ in proxy.seen].count("DELETE") > 1
    assert trials(Server(server.base)) <= before
