"""The monthly measures as text, CSV and JSON: numerator, denominator, and every case of both."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import date
from typing import Any

from waykeeper.gaps.measures import NOT_MEASURED, SMALLEST, Case, Measure, definitions
from waykeeper.report.gap_files import cell
from waykeeper.report.plain import shortened, value_of, wrap

CSV_COLUMNS = ("month", "measure", "title", "patient", "identifier", "episode", "item", "in", "value", "why")


def measures_text(found: Sequence[Measure], month: date, width: int = 80, *, show_identifiers: bool = False) -> str:
    """The figures, each with its cases that need a look: those that fell short, or, where fewer is better, that count.

    Rates of fewer than ten cases are not given. Ends in a newline.
    """
    lines = wrap(f"Measures of {month:%Y-%m}. No rate is given of fewer than {SMALLEST} cases.", width)
    for one in found:
        said = definitions()[one.name]
        lines += ["", *wrap(f"{one.title}: {_figure(one)}", width)]
        lines += wrap(f"{said['numerator']} / {said['denominator']}", width, "  ", "  ")
        if "note" in said:
            lines += wrap(f"note: {said['note']}", width, "  ", "  ")
        for case in _to_look_at(one):
            lines += wrap(_line(case, show_identifiers), width, "  - ")
        for case in one.left_out:
            lines += wrap(f"left out: {_line(case, show_identifiers)}", width, "  - ")
    return "\n".join([*lines, "", *wrap(f"Not in this record: {'; '.join(NOT_MEASURED)}.", width)]) + "\n"


def _figure(one: Measure) -> str:
    if one.quartiles is not None:
        low, middle, high = one.quartiles
        return f"median {middle:g} (quartiles {low:g} and {high:g}) of {one.denominator}"
    rate = f" = {one.rate:g} %" if one.rate is not None else ""
    if definitions()[one.name].get("snapshot"):
        return f"{one.numerator} of {one.denominator}{rate}"
    three = f" = {one.rolling_rate:g} %" if one.rolling_rate is not None else ""
    return f"{one.numerator} of {one.denominator}{rate}; three months {one.rolling[0]} of {one.rolling[1]}{three}"


def _to_look_at(one: Measure) -> list[Case]:
    if one.quartiles is not None:
        return []
    bad = bool(definitions()[one.name].get("lower_is_better"))
    return [c for c in one.cases if c.counted == bad]


def _line(case: Case, whole: bool) -> str:
    value = value_of(case.identifier) if whole else shortened(case.identifier)
    return " | ".join(p for p in (f"{case.patient or 'no name'} ({value})", case.item, case.why) if p)


def measures_json(found: Sequence[Measure], month: date) -> dict[str, Any]:
    """The figures as JSON values, every case listed."""
    return {
        "measures": [
            {
                "cases": [_case(c) for c in one.cases], "denominator": one.denominator,
                "left_out": [_case(c) for c in one.left_out], "name": one.name, "numerator": one.numerator,
                "quartiles": list(one.quartiles) if one.quartiles else None, "rate": one.rate,
                "rolling_denominator": one.rolling[1], "rolling_numerator": one.rolling[0],
                "rolling_rate": one.rolling_rate, "title": one.title,
            }
            for one in found
        ],
        "month": f"{month:%Y-%m}",
        "not_measured": list(NOT_MEASURED),
        "schema_version": "1",
    }  # fmt: skip


def _case(case: Case) -> dict[str, Any]:
    return {
        "counted": case.counted, "episode": case.episode, "identifier": case.identifier, "item": case.item,
        "patient": case.patient, "value": case.value, "why": case.why,
    }  # fmt: skip


def measures_csv(found: Sequence[Measure], month: date) -> str:
    """One line a case, for a spreadsheet: `in` is numerator, denominator (only), or left out."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(CSV_COLUMNS)
    for one in found:
        for case, place in [*((c, "") for c in one.cases), *((c, "left out") for c in one.left_out)]:
            where = place or ("numerator" if case.counted else "denominator")
            writer.writerow([cell(v) for v in (
                f"{month:%Y-%m}", one.name, one.title, case.patient, case.identifier, case.episode, case.item, where,
                case.value, case.why,
            )])  # fmt: skip
    return "\ufeff" + out.getvalue()
