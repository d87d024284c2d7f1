"""The demo's bookings as other systems would have written them: the same rows as CSV, iCalendar and HL7 v2."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from waykeeper.exchange.sources import Bookings, read_bookings, read_mapping
from waykeeper.fhir import evidence, read_all
from waykeeper.gaps import Worklist, worklist
from waykeeper.pathway.library import folder
from waykeeper.plan.model import Evidence, Plan, State
from waykeeper.record import resources_of

GOLDEN = Path(__file__).parents[1] / "golden"
sys.path.insert(0, str(GOLDEN))
from make_bookings import BOOKINGS, MRN, SPECIALTIES, VISIT_TYPES, planned  # noqa: E402

from yaml_text import plain  # noqa: E402

ZONE = "America/Chicago"
BUNDLES = folder("sandbox_bundles")
PEOPLE = plain((GOLDEN / "patients.yaml").read_text("utf-8"))
ROWS = plain((GOLDEN / "bookings.yaml").read_text("utf-8"))
CASES = plain((BUNDLES / "cases.yaml").read_text("utf-8"))
ORDERS = "https://alder-quay.example/identifier/plan"

MAPPING = f"""
mapping: the invented clinic's scheduler
zone: {ZONE}
systems:
  patient: {MRN}
  booking: {BOOKINGS}
  order: {ORDERS}
  type: {VISIT_TYPES}
  specialty: {SPECIALTIES}
status:
  Scheduled: booked
  Kept: fulfilled
  No show: noshow
  Called off by clinic: cancelled-by-clinic
  Called off by patient: cancelled-by-patient
  Asked for: proposed
  Mistake: entered-in-error
csv:
  date: "%m/%d/%Y"
  time: "%I:%M %p"
  changed: "%Y-%m-%dT%H:%M:%S%z"
  telehealth: [Video]
  columns:
    patient: MRN
    date: Day
    time: Time
    minutes: Length
    status: State
    booking: Number
    order: Order
    type: Type
    specialty: Specialty
    site: Place
    channel: Channel
    words: [What, Note]
    changed: Changed
ics:
  patient: X-MRN
  status: X-STATE
  order: X-ORDER
  type: X-TYPE
  specialty: X-SPECIALTY
hl7:
  authorities: {{AQ: {MRN}}}
"""
STATES = {
    "booked": "Scheduled", "fulfilled": "Kept", "noshow": "No show", "cancelled": "Called off by clinic",
    "proposed": "Asked for", "entered-in-error": "Mistake",
}  # fmt: skip
HEADER = ("MRN", "Day", "Time", "Length", "State", "Number", "Order", "Type", "Specialty", "Place", "Channel", "What",
          "Note", "Changed")  # fmt: skip


def mrn(name: str) -> str:
    return str(PEOPLE[name]["patient"]["mrn"])


def rows(name: str) -> list[tuple[int, dict[str, str]]]:
    """What a scheduler knows of a case: its bookings, numbered as in the bundle; not stays, not operations."""
    return [(n, r) for n, r in enumerate(ROWS[name], 1) if "encounter" not in r and "procedure" not in r]


def order(name: str, row: dict[str, str]) -> str:
    return str(planned(mrn(name), row["visit"])["identifier"]["value"]) if "visit" in row else ""


def start(row: dict[str, str]) -> datetime | None:
    return datetime.fromisoformat(row["start"]) if "start" in row else None


def as_cells(name: str, number: int, row: dict[str, str]) -> list[str]:
    at = start(row)
    return [
        mrn(name), f"{at:%m/%d/%Y}" if at else "", f"{at:%I:%M %p}" if at else "",
        row.get("minutes", "30") if at else "", STATES[row["status"]], f"{mrn(name)}-{number}", order(name, row),
        row.get("type", ""), row.get("specialty", ""), "", "", row["words"], row.get("comment", ""), "",
    ]  # fmt: skip


def as_csv(*names: str) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADER)
    writer.writerows(as_cells(name, n, row) for name in names for n, row in rows(name))
    return out.getvalue()


def as_ics(*names: str) -> str:
    from icalendar import Calendar, Event

    calendar = Calendar()
    calendar.add("prodid", "-//invented clinic//scheduler//EN")
    calendar.add("version", "2.0")
    for name in names:
        for n, row in rows(name):
            event = Event()
            event.add("uid", f"{mrn(name)}-{n}")
            event.add("dtstamp", datetime(2026, 1, 1, tzinfo=UTC))
            at = start(row)
            if at:
                event.add("dtstart", at.replace(tzinfo=ZoneInfo(ZONE)))
                event.add("duration", timedelta(minutes=int(row.get("minutes", "30"))))
            event.add("summary", row["words"])
            event.add("status", "CANCELLED" if row["status"] in ("cancelled", "entered-in-error") else "CONFIRMED")
            for key, value in (("X-MRN", mrn(name)), ("X-STATE", STATES[row["status"]]), ("X-ORDER", order(name, row)),
                               ("X-TYPE", row.get("type")), ("X-SPECIALTY", row.get("specialty")),
                               ("description", row.get("comment"))):  # fmt: skip
                if value:
                    event.add(key, value)
            calendar.add_component(event)
    calendar.add_missing_timezones()
    return str(calendar.to_ical().decode())


EVENTS = {"noshow": "S26", "cancelled": "S15", "entered-in-error": "S17"}
FILLER = {"fulfilled": "Complete", "booked": "Booked", "proposed": "Pending"}


def as_message(name: str, number: int, row: dict[str, str], *, at: str = "20260101080000", event: str = "") -> str:
    """One SIU message about a booking, as HL7 v2.5.1 lays it out."""
    begin, minutes = start(row), row.get("minutes", "30")
    when = f"{begin:%Y%m%d%H%M}" if begin else ""
    event = event or EVENTS.get(row["status"], "S12")
    length, unit = (minutes, "min") if begin else ("", "")
    sch = [
        "SCH", "", f"{mrn(name)}-{number}", "", "", row.get("specialty", ""), event, f"^{row['words']}", "", length,
        unit, f"^^^{when}", *[""] * 13, FILLER.get(row["status"], ""), order(name, row),
    ]  # fmt: skip
    segments = [
        f"MSH|^~\\&|SCHED|AQ|WAYKEEPER|AQ|{at}||SIU^{event}^SIU_S12|{name}-{number}-{at}|P|2.5.1",
        "|".join(sch),
        f"PID|1||{mrn(name)}^^^AQ^MR||Wintergale^Maren",
        *([f"NTE|1||{row['comment']}"] if "comment" in row else []),
        "RGS|1",
        f"AIS|1||{row.get('type', '')}|{when}",
    ]
    return "\r".join(segments) + "\r"


def as_hl7(*names: str) -> str:
    return "".join(as_message(name, n, row) for name in names for n, row in rows(name))


WRITERS = {"csv": as_csv, "ics": as_ics, "hl7": as_hl7}


@cache
def plans(name: str) -> tuple[tuple[Plan, State], ...]:
    import json

    return tuple(read_all(resources_of(json.loads((BUNDLES / name / "plan.bundle.json").read_text("utf-8")))))


@cache
def from_fhir(name: str) -> tuple[Evidence, ...]:
    """The case's bookings as the bundle has them: Appointments only, since a scheduler knows no stays."""
    import json

    held = resources_of(json.loads((BUNDLES / name / "bookings.bundle.json").read_text("utf-8")))
    return tuple(e for e in evidence(held, ZONE) if e.kind == "appointment")


def report(name: str, found: Sequence[Evidence]) -> Worklist:
    return worklist(list(plans(name)), found, date.fromisoformat(CASES[name]["as_of"]))


def read_text(tmp_path: Path, kind: str, text: str, mapping: str = MAPPING, **more: Any) -> Bookings:
    """Read a text as a file of a kind."""
    (tmp_path / f"bookings.{kind}").write_bytes(text.encode() if isinstance(text, str) else text)
    (tmp_path / "mapping.yaml").write_text(mapping, "utf-8")
    found = read_mapping(str(tmp_path / "mapping.yaml"))
    return read_bookings([str(tmp_path / f"bookings.{kind}")], found, more.get("zone", ZONE))
