"""Every code of this room: its example raises it, its counter-example does not."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

import pytest

from report.builder import plan
from report.caseload import AS_OF, plans, report
from waykeeper.findings import WaykeeperError, catalogue
from waykeeper.plan.model import State
from waykeeper.report.calendars import calendar_ics
from waykeeper.report.letters import letter_html
from waykeeper.report.plan_text import explain_item
from waykeeper.report.sheet import sheet_html

CODES = {code: entry for code, entry in catalogue().items() if code.startswith("WKO0")}


def codes(example: dict) -> set[str]:
    """Print everything with the example's values; the codes that were raised."""
    made = plan()
    fields = dict(example.get("plan", {}))
    if "deceased" in fields:
        fields = {"patient": replace(made.patient, deceased=fields["deceased"])}
    made, state = replace(made, **fields), State(**example.get("state", {}))
    language, now = (
        example.get("language", "en"),
        datetime.fromisoformat(example.get("now", "2026-03-01T08:00:00-06:00")),
    )
    found: set[str] = set()
    for work in (
        lambda: sheet_html(made, state, as_of=date(2026, 3, 1), language=language, checked_against=None),
        lambda: calendar_ics(made, state, sequence=example.get("sequence", 0), now=now, language=language),
        lambda: explain_item(made, example.get("key", "task/class")),
        lambda: letter_html(
            plans()[0],
            State(),
            report().rows if example.get("rows", "all") == "all" else (),
            as_of=AS_OF,
            language="en",
        ),
    ):
        try:
            work()
        except WaykeeperError as error:
            found |= {f.code for f in error.findings}
    return found


@pytest.mark.parametrize("code", sorted(CODES))
def test_examples(code):
    entry = CODES[code]
    assert code in codes(entry.raises)
    assert code not in codes(entry.passes)


def test_all_codes_of_the_room_are_walked():
    assert set(CODES) == {f"WKO00{n}" for n in range(1, 9)}
