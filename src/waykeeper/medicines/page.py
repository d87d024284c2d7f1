"""The coordinator's page as data: each row with its reading, whether it is late, and what the prescriber signs."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from waykeeper.findings import Finding, finding
from waykeeper.medicines.daily_sums import daily_sums
from waykeeper.medicines.intervals import clock_name, day_name
from waykeeper.medicines.kidney import Clearance, shown
from waykeeper.medicines.model import MedicineRow
from waykeeper.medicines.policies import policy_table, policy_value
from waykeeper.medicines.ruleset import Ruleset, package_rules
from waykeeper.record.model import MedicineEntry
from waykeeper.timing import Moment

SCHEMA_VERSION = 1
# Of a supply that ended so many days before surgery hardly any is left; common practice, no source.
USED_UP_DAYS = 90
NO_LIST = "the record holds no medicine list: absent is not none, ask what the patient takes"
CAUTIONS = (
    "Each line is a proposal, not an order. The licensed prescriber and the local policy decide.",
    "Until a prescriber has answered, the patient reads only: do not stop or start this until we call you.",
    "Lines marked L, L-M or from memory: confirm with pharmacist.",
    "The release gate stays shut while a line is not recognised.",
)
KEEP_THEIR_PLACE = frozenset({"anticoagulants", "antiplatelets"})
# They work on when the supply is over, or the body has yet to wake up after them: biologics, leflunomide, steroids.
WORK_ON = frozenset({"biologic", "lasting", "steroid"})
_TIMES = re.compile(r"(\d+) time\(s\) every (\d+(?:\.\d+)?) (h|d|wk|mo|a)( on .*)?")
_UNITS = {"h": "hour", "d": "day", "wk": "week", "mo": "month", "a": "year"}
_ORDER = ("ask", "hold", "time", "adjust", "continue", "already stopped", "entered in error")


@dataclass(frozen=True, slots=True)
class PageLine:
    """One medicine of the page. `late` is said first and stands in place of the days that are over.

    used_up   it was dispensed without an order, and what was dispensed ended long before surgery: it stands after all
              others, and is asked about all the same
    """

    row: MedicineRow
    reading: tuple[tuple[str, str], ...]
    late: str = ""
    used_up: bool = False


@dataclass(frozen=True, slots=True)
class MedicinesPage:
    """Everything that the page prints. Lines stand in the order of the page, `rows` in the order of the list."""

    surgery: Moment
    anaesthesia: str
    bleed: str
    rows: tuple[MedicineRow, ...]
    lines: tuple[PageLine, ...]
    policies: tuple[tuple[str, str, str], ...]
    kidney: tuple[str, ...]
    clinic: str = ""
    patient: str = ""
    as_of: date | None = None
    sums: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS
    findings: tuple[Finding, ...] = ()  # of the list as a whole; those of a medicine stand in its row


def page(
    rows: Sequence[MedicineRow],
    entries: Sequence[MedicineEntry] = (),
    *,
    surgery: Moment,
    anaesthesia: str = "unknown",
    bleed: str = "high",
    clearance: Clearance | None = None,
    policies: Mapping[str, str] | None = None,
    as_of: date | None = None,
    clinic: str = "",
    patient: str = "",
    rules: Ruleset | None = None,
) -> MedicinesPage:
    """Put the rows of `propose` on a page. `entries` add how each order was read; `as_of` says what is late."""
    by_key = {e.key: e for e in entries}
    lines = [_line(r, by_key.get(r.key), as_of, surgery.day) for r in rows]
    return MedicinesPage(
        surgery=surgery,
        anaesthesia=anaesthesia,
        bleed=bleed,
        rows=tuple(rows),
        lines=tuple(sorted(lines, key=_place)),
        policies=tuple(_policies(policies or {})),
        kidney=_kidney(clearance or Clearance(question="no creatinine is recorded")),
        clinic=clinic,
        patient=patient,
        as_of=as_of,
        sums=_sums(entries, rules),
        findings=() if rows else (finding("WKM304", NO_LIST),),
    )


def _line(row: MedicineRow, entry: MedicineEntry | None, as_of: date | None, surgery: date) -> PageLine:
    said = late(row, as_of, surgery)
    return PageLine(row, _reading(entry, row), said, not said and used_up(row, surgery))


def late(row: MedicineRow, as_of: date | None, surgery: date) -> str:
    """The sentence for a proposal whose last-dose day is over; "" where it is not, is answered or is paused."""
    if as_of is None or row.answered or row.on_hold or row.last_dose is None or not row.stops or as_of <= row.last_dose:
        return ""
    if as_of > surgery:
        return f"was never answered; last dose should have been {day_name(row.last_dose)}"
    return f"last dose should have been {day_name(row.last_dose)}; call the surgeon's office today"


def used_up(row: MedicineRow, surgery: date) -> bool:
    """True where what was dispensed without an order ended long before surgery by its days of supply.

    It says where the row stands on the page, nothing more: a patient may have kept some, so it asks like any other.
    What is not recognised, a blood thinner, and what works on when its supply is over keep their places.
    """
    if not row.unlisted or not row.recognised or row.answered or row.supplied_until is None:
        return False
    pause = max(row.missed_days or 0, row.longest_days or 0)
    if pause >= USED_UP_DAYS or any(_keeps_its_place(name) for name in row.ingredients):
        return False
    return row.supplied_until < surgery - timedelta(USED_UP_DAYS)


def _keeps_its_place(name: str) -> bool:
    """True for a blood thinner, for what works on, for what any case of its rule counts in cycles; and in doubt."""
    rules = package_rules()
    substance, rule = rules.ingredients.get(name), rules.single.get(name)
    if substance is None or rule is None or substance.group in KEEP_THEIR_PLACE or substance.tags & WORK_ON:
        return True
    return any(case.cycle_days is not None or case.cycle_months is not None for case in (*rule.cases, *rule.neuraxial))


def page_json(made: MedicinesPage) -> dict[str, Any]:
    """The page for machines: one row for each entry that came in, in the order of the list."""
    lines = {line.row.key: line for line in made.lines}
    return {
        "schema_version": SCHEMA_VERSION,
        "surgery": str(made.surgery),
        "clinic": made.clinic,
        "patient": made.patient,
        "anaesthesia": made.anaesthesia,
        "bleed": made.bleed,
        "as_of": made.as_of.isoformat() if made.as_of else None,
        "policies": {name: value for name, value, _ in made.policies},
        "kidney": list(made.kidney),
        "sums": list(made.sums),
        "cautions": list(made.cautions),
        "findings": [{"code": f.code, "severity": f.severity, "details": f.details} for f in made.findings],
        "rows": [_row_json(lines[row.key]) for row in made.rows],
    }


def _row_json(line: PageLine) -> dict[str, Any]:
    row = line.row
    return {
        "source": row.reference,
        "key": row.key,
        "words": row.words,
        "recognised": row.recognised,
        "counted": row.counted,
        "ingredients": list(row.ingredients),
        "decision": row.decision,
        "answered": row.answered,
        "missed_days": row.missed_days,
        "last_dose": _iso(row.last_dose),
        "first_missed": _iso(row.first_missed),
        "last_limit": str(row.last_limit) if row.last_limit else None,
        "window": [d.isoformat() for d in row.window] if row.window else None,
        "restart": row.restart,
        "restart_from": _iso(row.restart_from),
        "restart_by": row.restart_by,
        "rule": f"{row.group}/{row.rule}" if row.rule else "",
        "policy": row.policy,
        "cite": row.source,
        "year": row.year,
        "confidence": row.confidence,
        "confirm_by": row.confirm_by,
        "question": row.question,
        "notes": list(row.notes),
        "alternatives": list(row.alternatives),
        "arithmetic": list(row.arithmetic),
        "due": _iso(row.due),
        "late": line.late,
        "unlisted": row.unlisted,
        "handed_over": _iso(row.handed_over),
        "supplied_until": _iso(row.supplied_until),
        "used_up": line.used_up,
        "findings": [f.code for f in row.findings],
    }


def _iso(day: date | None) -> str | None:
    return day.isoformat() if day else None


def _place(line: PageLine) -> tuple[bool, bool, bool, bool, int]:
    return not line.row.counted, line.used_up, line.row.recognised, not line.late, _ORDER.index(line.row.decision)


def _reading(entry: MedicineEntry | None, row: MedicineRow) -> tuple[tuple[str, str], ...]:
    """How the order was read, so that a pharmacist sees a misreading at a glance."""
    taken = clock_name(entry.last_taken) if entry and entry.last_taken else ""
    said = {
        "substances": ", ".join(row.ingredients),
        "dose": entry.dose_text if entry else "",
        "taken": how_often(entry.schedule) if entry and entry.schedule != entry.dose_text else "",
        "at": ", ".join(entry.hours) if entry else "",
        "route": " ".join(p for p in (entry.route, entry.form) if p) if entry else "",
        "reason": ", ".join(i.partition("|")[2] or i for i in entry.indication) if entry else "",
        "intent": entry.intent if entry and entry.intent != "order" else "",
        "doNotPerform": "yes, not to be given" if entry and entry.forbidden else "",
        "status": entry.status if entry else "",
        "written beside it": " / ".join(
            dict.fromkeys(t for e in ((entry, *entry.also) if entry else ()) for t in e.remarks)
        ),
        "last taken": taken,
        "handed over": _handed(row),
        "order": "" if row.reference.startswith("urn:") else row.reference,
    }
    also = [(f"also {n}", _instruction(e)) for n, e in enumerate(entry.also if entry else (), 1)]
    return tuple((label, text) for label, text in (*said.items(), *also) if text)


def _handed(row: MedicineRow) -> str:
    """`Sat 2025-12-20, until Thu 2026-03-19 by its days of supply`."""
    if row.handed_over is None:
        return "on no known day" if row.unlisted else ""
    until = f", until {day_name(row.supplied_until)} by its days of supply" if row.supplied_until else ""
    return f"{day_name(row.handed_over)}{until}"


def _instruction(entry: MedicineEntry) -> str:
    """A further dosage instruction in one line."""
    parts = (entry.dose_text, how_often(entry.schedule), ", ".join(entry.hours), entry.route)
    return ", ".join(dict.fromkeys(p for p in parts if p))


def how_often(schedule: str) -> str:
    """`1 time(s) every 1 d on mon` -> `once a day on mon`; any other text as it is."""
    found = _TIMES.fullmatch(schedule)
    if not found:
        return schedule
    times, period, unit, days = found.groups()
    often = {"1": "once", "2": "twice"}.get(times, f"{times} times")
    name = _UNITS.get(unit, unit)
    if period == "1":
        return f"{often} {'an' if unit == 'h' else 'a'} {name}{days or ''}"
    each = "" if times == "1" else f"{often} "
    return f"{each}every {period} {name}s{days or ''}"


def _sums(entries: Sequence[MedicineEntry], rules: Ruleset | None) -> tuple[str, ...]:
    """Acetaminophen and opioids of a day over all rows, where the list has any."""
    got = daily_sums(entries, rules)
    lines: list[str] = []
    if got.acetaminophen.mg:
        over = "" if got.acetaminophen.result == "ok" else f": {got.acetaminophen.result}, limit 4,000 mg"
        lines += [f"acetaminophen: {line}" for line in got.acetaminophen.lines[:-1]]
        lines.append(f"acetaminophen {got.acetaminophen.lines[-1]}{over}")
    lines += [f"opioid: {line}" for line in got.opioids.lines]
    if got.opioids.lines:
        lines.append(f"opioids together {float(got.opioids.mme):g} MME a day (CDC 2022 factors)")
    return (*lines, *got.opioids.prompts, *(f"ask: {line}" for line in got.unread))


def _policies(policies: Mapping[str, str]) -> list[tuple[str, str, str]]:
    found = []
    for name, known in policy_table().items():
        value = policy_value(policies, name)
        meaning = known["values"].get(value, "the clinic's own rule over the rules of the medicines")
        found.append((known["title"], value, meaning if name in policies else f"{meaning} (default)"))
    return found


def _kidney(clearance: Clearance) -> tuple[str, ...]:
    lines = list(clearance.arithmetic)
    lines += [f"with {name} weight: {shown(value)} mL/min (shown only)" for name, value in clearance.beside]
    if clearance.question:
        lines.append(f"ask: {clearance.question}")
    return tuple(lines)
