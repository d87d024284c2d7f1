"""What a dry run says of fields: paths as people write them, values compared and not bytes."""

import pytest

from waykeeper.exchange.fields import fields_of
from waykeeper.exchange.wire_json import loads
from waykeeper.fhir.names import ITEM, OFFERED
from waykeeper.merge.model import Decision


def changes(before, after, reference="Task/1"):
    made = Decision("task/call", "task", 1, "write", ("what",), "", reference, "Task", before, after)
    return [one.text() for one in fields_of(made)]


BASE = {"resourceType": "Task", "id": "1", "status": "requested", "meta": {"versionId": "3"}, "text": {"div": "a"}}


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ({"status": "requested"}, {"status": "cancelled"}, ["status: requested -> cancelled"]),
        ({}, {"description": "x" * 70}, [f"description: nothing -> {'x' * 60}..."]),
        ({"priority": "asap"}, {}, ["priority: asap -> nothing"]),
        (
            {"restriction": {"period": {"end": "2026-03-13"}}},
            {"restriction": {"period": {"end": "2026-03-20"}}},
            ["restriction.period.end: 2026-03-13 -> 2026-03-20"],
        ),
        ({"note": [{"text": "a"}]}, {"note": [{"text": "a"}, {"text": "b"}]}, ["note[1].text: nothing -> b"]),
        ({"n": loads(b"1.10")}, {"n": 1.1}, []),
        ({"d": "a\u00a0b"}, {"d": "a b"}, []),
        ({"text": {"div": "a"}}, {"text": {"div": "b"}}, []),
        (
            {"extension": [{"url": ITEM, "extension": [{"url": "target", "valueDate": "2026-03-01"}]}]},
            {"extension": [{"url": ITEM, "extension": [{"url": "target", "valueDate": "2026-03-08"}]}]},
            ["item.target.valueDate: 2026-03-01 -> 2026-03-08"],
        ),
        (
            {"extension": [{"url": OFFERED, "extension": [{"url": "when", "valueString": "1"}]}]},
            {"extension": [{"url": OFFERED, "extension": [{"url": "when", "valueString": "2"}]}]},
            [],
        ),
    ],
)
def test_one_element(before, after, told):
    assert changes({**BASE, **before}, {**BASE, **after}) == told


def test_what_is_new_or_stays_has_no_fields():
    assert changes(None, BASE, "") == [] and changes(BASE, None) == []
    assert changes(BASE, {**BASE, "status": "ready"}, "") == []
