"""Every published value of the case files, through `propose`."""

from __future__ import annotations

import pytest

from medicines.case_files import Case, proposal_cases, row_of
from waykeeper.medicines import MedicineRow

CASES = proposal_cases()
NONE = "none"


def shown(row: MedicineRow, field: str) -> str:
    """A field of the row as the case files write it; `none` where it is empty."""
    if field == "limit":
        return str(row.last_limit) if row.last_limit else NONE
    if field == "window":
        return "..".join(d.isoformat() for d in row.window) if row.window else NONE
    value = getattr(row, field)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return (" " if field == "ingredients" else " | ").join(value) or NONE
    return NONE if value in (None, "") else str(value)


CONTAINED = {"question", "alternatives", "notes", "restart"}


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.id)
def test_case(case: Case) -> None:
    row = row_of(case.given)
    for field, wanted in case.expect.items():
        got = shown(row, field)
        if field in CONTAINED and wanted != NONE:
            missing = [part for part in wanted.split(" | ") if part not in got]
            assert not missing, f"{field}: {missing} not in {got!r}"
        else:
            assert got == wanted, f"{field} of {row}"


def test_every_case_names_its_source() -> None:
    assert [c.id for c in CASES if not c.source.strip()] == []
    assert [c.id for c in CASES if not c.expect] == []


def test_case_ids_are_unique() -> None:
    ids = [c.id for c in CASES]
    assert len(ids) == len(set(ids))
