"""The case files of this folder as values: what a clinician wrote, turned into a call of `propose`."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, time
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

from waykeeper.medicines import MedicineRow, propose
from waykeeper.medicines.ruleset import RXNORM
from waykeeper.pathway.model import Coding
from waykeeper.pathway.reader import Node, read_yaml
from waykeeper.plan.model import HoldAnswer
from waykeeper.record.model import Kidney, MedicineEntry
from waykeeper.timing import Moment, WorkingCalendar, calendar_for
from yaml_text import plain

ZONE = "America/Chicago"
CALENDAR = calendar_for("US", [2025, 2026, 2027, 2028], zone=ZONE)
FOLDER = Path(__file__).parent / "cases"


@dataclass(frozen=True)
class Case:
    id: str
    source: str
    given: dict[str, Any] = field(default_factory=dict)
    expect: dict[str, str] = field(default_factory=dict)


def load(name: str) -> dict[str, Any]:
    return plain((FOLDER / name).read_text("utf-8"))


def proposal_cases() -> list[Case]:
    cases = []
    for path in sorted(FOLDER.glob("*.yaml")):
        data = load(path.name)
        for name, fields in data.get("cases", {}).items():
            given = {k: v for k, v in fields.items() if k not in ("source", "expect")}
            cases.append(Case(name, fields.get("source", data["source"]), given, fields["expect"]))
    return cases


def moment(text: str, zone: str = ZONE) -> Moment:
    day, _, clock = text.partition("T")
    return Moment(date.fromisoformat(day), time.fromisoformat(clock) if clock else None, zone if clock else "")


def kidney(given: dict[str, Any], surgery: date) -> Kidney:
    """`crcl` becomes a man of 68 with creatinine 1.0 whose weight is that number: (140 - 68) x kg / 72."""
    drawn = date.fromordinal(surgery.toordinal() - 10)
    if "crcl" in given:
        born = date(surgery.year - 68, 1, 1)
        return Kidney(
            Decimal("1.0"), "mg/dL", drawn, Decimal(given["crcl"]), birth_date=born, female=False, weight_on=drawn
        )
    k = given.get("kidney", {})
    if not k:
        return Kidney()
    return Kidney(
        creatinine=Decimal(k["creatinine"]) if k.get("creatinine") else None,
        creatinine_unit=k.get("unit", ""),
        creatinine_on=date.fromisoformat(k["on"]) if k.get("on") else drawn if k.get("creatinine") else None,
        weight_kg=Decimal(k["weight"]) if k.get("weight") else None,
        height_cm=Decimal(k["height"]) if k.get("height") else None,
        birth_date=date.fromisoformat(k["born"]) if k.get("born") else None,
        female={"female": True, "male": False}.get(k.get("sex", "")),
        egfr=Decimal(k["egfr"]) if k.get("egfr") else None,
        weight_on=None if k.get("weighed") == "none" else date.fromisoformat(k.get("weighed") or drawn.isoformat()),
    )


def entry(given: dict[str, Any], key: str = "row-1") -> MedicineEntry:
    return MedicineEntry(
        key=key,
        words=given["words"],
        codes=(Coding(RXNORM, given["code"], given.get("display", "")),) if given.get("code") else (),
        schedule=given.get("schedule", ""),
        route=given.get("route", ""),
        form=given.get("form", ""),
        period_days=int(given["period"]) if "period" in given else None,
        weekday=int(given["weekday"]) if "weekday" in given else None,
        status=given.get("status", "active"),
        indication=tuple(given.get("indication", ())),
        last_taken=moment(given["last_taken"], "") if "last_taken" in given else None,
        dose_text=given.get("dose_text", ""),
        hours=tuple(given.get("hours", ())),
        times_a_week=Fraction(given["times_a_week"]) if "times_a_week" in given else None,
        ways=tuple(given.get("ways", ())),
        intent=given.get("intent", ""),
        forbidden=given.get("forbidden") == "true",
    )


def row_of(given: dict[str, Any], calendar: WorkingCalendar = CALENDAR) -> MedicineRow:
    surgery = moment(given.get("surgery", "2026-03-18T07:30"))
    answer = given.get("answer")
    answers = {"row-1": HoldAnswer(answer["decision"], text=answer.get("text", ""))} if answer else {}
    (row,) = propose(
        [entry(given)],
        surgery,
        kidney(given, surgery.day),
        given.get("anaesthesia", "general"),
        given.get("policies", {}),
        calendar=calendar,
        bleed=given.get("bleed", "high"),
        facts=given.get("facts", {}),
        answers=answers,
    )
    return row


def words_node(text: str) -> Node:
    """The node of a mapping, as a clinic's file has it."""
    node, found = read_yaml(text.encode(), "clinic.yaml")
    assert node is not None and not found
    return node
