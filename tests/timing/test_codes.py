"""Every code of this room: its `raises` raises it, its `passes` does not."""

from datetime import date, datetime, time

import pytest

from waykeeper.findings import Position, catalogue
from waykeeper.timing import (
    Moment,
    TimingError,
    Window,
    calendar_for,
    contains,
    parse,
    resolve,
    roll,
)

CODES = [entry for code, entry in catalogue().items() if code.startswith("WKT")]
CALENDAR = calendar_for(
    "US", range(2024, 2040), parts={"morning": time(8), "evening": time(20)}, zone="America/Chicago"
)


def moment(text):
    read = datetime.fromisoformat(text)
    return Moment(read.date(), read.time() if "T" in text else None, "America/Chicago" if "T" in text else "")


def run(example):
    """The codes that an example of the catalogue gives."""
    found = []
    try:
        match example:
            case {"phrase": text}:
                parse(text)
            case {"resolve": text, **known}:
                moments = {name: moment(value) for name, value in known.items()}
                resolve(parse(text), moments, CALENDAR, report=found.append)
            case {"roll": day, "policy": policy, **rest}:
                window = Window(*map(moment, rest["window"])) if "window" in rest else None
                roll(date.fromisoformat(day), policy, window, CALENDAR)
            case {"country": country}:
                calendar_for(country, [2026])
            case {"target": target, "window": window}:
                found = [f for f in [contains(parse(target), parse(window)).finding()] if f]
            case _:
                raise AssertionError(example)
    except TimingError as error:
        assert error.at(Position("a.yaml", 3, 7)).line().startswith(f"a.yaml:3:7: {error.code} error: ")
        return [error.code]
    return [f.code for f in found]


@pytest.mark.parametrize("entry", CODES, ids=lambda e: e.code)
def test_raises_and_passes(entry):
    assert run(entry.raises) == [entry.code]
    assert run(entry.passes) == []
    assert entry.explanation
    assert entry.help


def test_every_code_that_the_room_raises_is_in_the_catalogue():
    import re
    from pathlib import Path

    import waykeeper.timing

    folder = Path(waykeeper.timing.__file__).parent
    raised = {code for file in folder.glob("*.py") for code in re.findall(r'"(WKT\d{3})"', file.read_text("utf-8"))}
    assert raised == {entry.code for entry in CODES}
