"""Every code of the room has a page with examples; the statuses of HTTP lead to codes that exist."""

import pytest

from waykeeper.exchange.errors import STATUS_CODES, BadAnswerError, issue_texts, refusal
from waykeeper.findings import catalogue

OURS = {code: entry for code, entry in catalogue().items() if code.startswith("WKX")}


def test_every_code_says_what_raises_it_and_what_helps():
    assert len(OURS) >= 20
    assert [code for code, e in OURS.items() if not (e.raises and e.passes and e.help and e.explanation)] == []


@pytest.mark.parametrize("status", [*STATUS_CODES, 418])
def test_a_refusal_carries_code_status_and_the_servers_words(status):
    outcome = {
        "resourceType": "OperationOutcome",
        "issue": [
            {"severity": "warning", "code": "informational", "diagnostics": "never mind"},
            {"severity": "error", "code": "invalid", "diagnostics": "bad  value", "expression": ["Task.status"]},
        ],
    }
    made = refusal(status, "transaction", outcome)
    assert isinstance(made, BadAnswerError) and made.status == status
    assert made.findings[0].code in OURS and "bad value [Task.status]" in str(made) and "never mind" not in str(made)


def test_an_answer_without_outcome_is_said_to_give_no_reason():
    assert "no reason given" in str(refusal(500, "transaction", {"error": "x"}))
    assert issue_texts({}) == []
