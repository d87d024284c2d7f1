"""The CapabilityStatement, read in one place."""

from waykeeper.exchange.statement import Statement, statement_of


def test_all_that_it_says_of_itself_as_a_server():
    said = statement_of({
        "resourceType": "CapabilityStatement",
        "fhirVersion": "4.0.1",
        "rest": [
            {"mode": "client", "resource": [{"type": "Flag"}]},
            {"mode": "server", "interaction": [{"code": "transaction"}], "resource": [{"type": "Task"}]},
            {"mode": "server", "resource": [{"type": "Group", "operation": [{"name": "$export"}]}]},
        ],
    })  # fmt: skip
    assert said == Statement("4.0.1", frozenset({"Task", "Group"}), frozenset({"transaction"}), frozenset({"export"}))
    assert said.lists("Task") and not said.lists("Flag")


def test_what_it_omits_is_unknown():
    said = statement_of({"resourceType": "CapabilityStatement"})
    assert said == Statement() and said.lists("Task")


def test_what_is_no_statement():
    for answer in (None, [], {"resourceType": "OperationOutcome"}):
        assert statement_of(answer) is None
