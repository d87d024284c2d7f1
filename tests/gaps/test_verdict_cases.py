"""The case files of tests/cases/verdicts, each read as a clinician would read it."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest

from gaps.plans import SPECIALTY, SURGERY, TYPE, ankle, evidence, link
from waykeeper.gaps import worklist
from waykeeper.pathway.model import Settings
from waykeeper.plan.model import State
from yaml_text import typed

CASES = Path(__file__).parents[1] / "cases" / "verdicts"


def load(name: str) -> list[dict]:
    return typed((CASES / name).read_text("utf-8"))


def made(entry: dict, number: int, plan):
    """Evidence from one entry of a case."""
    fields = dict(entry)
    reference = fields.pop("id", f"Appointment/{number}")
    links = [link(plan, fields.pop(k)) for k in ("visit", "also") if k in fields]
    assert links or fields.pop("unlinked", False) or "appointment" in fields, f"say how {reference} is linked"
    backwards = fields.pop("backwards", False)
    if fields.pop("type", "") == "own":
        fields["service_types"] = (TYPE,)
    if "specialty" in fields:
        fields["specialties"] = (SPECIALTY.partition("|")[0] + "|" + fields.pop("specialty"),)
    one = evidence(reference, fields.pop("status"), fields.pop("day", None), **fields)
    changes = {"links": tuple(links)}
    if backwards:
        changes["end"] = one.start - timedelta(minutes=20)
    return type(one)(**{f: getattr(one, f) for f in one.__slots__} | changes)


def report(case: dict):
    settings = Settings(recognised_closes=case.get("recognised_closes", True))
    plan = ankle(case.get("surgery", SURGERY), settings=settings, withdrawn=case.get("withdrawn", ""))
    died = case.get("died")
    state = State(deceased_on=died, deceased=bool(died))
    found = [made(e, n, plan) for n, e in enumerate(case.get("evidence", ()), 1)]
    return worklist([(plan, state)], found, case["as_of"]), found


def run(case: dict) -> None:
    listed, found = report(case)
    rows = {r.item: r for r in listed.rows}
    for visit, wanted in case["expect"].items():
        row = rows[f"visit/{visit}"]
        seen = {
            "verdict": row.verdict, "severity": row.severity, "gap": row.gap, "certainty": row.certainty,
            "day": row.evidence_day, "guesses": list(row.guesses), "duplicates": list(row.duplicates),
            "contactable": row.contactable,
            "score": max((p.score for p in listed.appointments if p.place == "evidence"), default=0),
        }  # fmt: skip
        for name in wanted.keys() & seen.keys():
            assert seen[name] == wanted[name], f"{visit}: {name}; {row.reason}"
        assert wanted.get("says", "") in row.reason
        assert "asks" not in wanted or any(wanted["asks"] in q for q in row.questions)
    assert [p.reference for p in listed.unplanned if p.place == "unplanned"] == case.get("unplanned", [])
    assert sorted(p.reference for p in listed.appointments) == sorted(e.reference for e in found)
    places = {p.reference: p.place for p in listed.appointments}
    assert {name: places[name] for name in case.get("places", {})} == case.get("places", {})


@pytest.mark.parametrize("case", load("vectors.yaml"), ids=lambda c: c["name"])
def test_vectors(case):
    run(case)


@pytest.mark.parametrize("case", load("evidence.yaml"), ids=lambda c: c["name"])
def test_evidence(case):
    run(case)


def test_all_thirty_four_vectors_are_here():
    numbers = {int(c["name"].split()[0].rstrip("ab")) for c in load("vectors.yaml")}
    assert numbers == set(range(1, 35))


def test_the_setting_of_the_vectors():
    """The windows, late days and booking days that the vectors state."""
    rows = {r.item: r for r in worklist([(ankle(), State())], (), date(2026, 3, 18)).rows}
    stated = {
        "two-week": ("2026-03-28", "2026-04-01", "2026-04-05", "2026-03-19", "2026-04-03"),
        "six-week": ("2026-04-22", "2026-04-29", "2026-05-06", "2026-03-19", "2026-05-04"),
        "three-month": ("2026-06-04", "2026-06-18", "2026-07-02", "2026-05-07", "2026-06-26"),
        "six-month": ("2026-08-19", "2026-09-18", "2026-10-18", "2026-07-22", "2026-09-26"),
    }
    for name, wanted in stated.items():
        row = rows[f"visit/{name}"]
        days = (row.window_start, row.target, row.window_end, row.book_from, row.late_from)
        assert tuple(map(str, days)) == wanted
