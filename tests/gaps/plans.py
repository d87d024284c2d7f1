"""Plans for tests, built from values directly: a total ankle pathway's visits around one surgery day.

Dates, windows and grace are those of the worked case (trade cadence; calendar rules: months keep the day number
and clip to the month's end). An invented clinic, invented people.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from dateutil.relativedelta import relativedelta

from waykeeper.pathway.model import Coding, Recognise, Settings
from waykeeper.plan.model import (
    Episode,
    Evidence,
    Identifier,
    Item,
    ItemState,
    Key,
    PathwayRef,
    PatientRef,
    Plan,
    State,
)
from waykeeper.timing.model import Anchor, Dates, Moment, Standing, Window

ZONE = "America/Chicago"
SURGERY = date(2026, 3, 18)
TYPE = "https://alder-quay.example/types|ortho-follow-up"
SPECIALTY = "https://alder-quay.example/specialties|orthopaedics"
PATHWAY = PathwayRef(
    "total-ankle-replacement", "https://example.org/pathways/total-ankle-replacement", "1.0.0",
    "Total ankle replacement",
)  # fmt: skip


def coding(text: str) -> Coding:
    system, _, code = text.partition("|")
    return Coding(system, code)


def moment(day: date | None) -> Moment | None:
    return Moment(day) if day is not None else None


def dates(
    target: date | None = None, window: tuple[date, date] | None = None, *, at: date | None = None, **rest
) -> Dates:
    span = Window(Moment(window[0]), Moment(window[1])) if window else None
    return Dates(moment(target), moment(at or target), span, **rest)


def grace(target: date, close: date, clinic: int = 7) -> int:
    """The contract's formula, written a second time on purpose."""
    room = (close - target).days - 3
    return max(0, clinic if clinic < room else room)


VISITS = {
    "two-week": ("2 weeks after surgery", {"weeks": 2}, (4, 4), ("wound check", "suture removal")),
    "six-week": ("6 weeks after surgery", {"weeks": 6}, (7, 7), ("ankle x-ray review",)),
    "three-month": ("3 months after surgery", {"months": 3}, (14, 14), ("ankle x-ray review",)),
    "six-month": ("6 months after surgery", {"months": 6}, (30, 30), ("ankle x-ray review",)),
    "twelve-month": ("12 months after surgery", {"months": 12}, (60, 60), ("ankle x-ray review",)),
}
TITLES = {
    "two-week": "Wound check", "six-week": "Six-week visit", "three-month": "Three-month visit",
    "six-month": "Six-month visit", "twelve-month": "Twelve-month visit",
}  # fmt: skip


def visit(name: str, surgery: date = SURGERY, discharge: date | None = None, clinic_grace: int = 7) -> Item:
    phrase, offset, (before, after), words = VISITS[name]
    target = surgery + relativedelta(**offset)
    window = (target - timedelta(days=before), target + timedelta(days=after))
    booked_at_discharge = name in ("two-week", "six-week")
    home = discharge or surgery + timedelta(days=1)
    return Item(
        Key("visit", name), TITLES[name], phase="follow-up", who="surgeon", phrase=phrase, harm=2, minutes=20,
        dates=dates(
            target, window,
            book_from=home if booked_at_discharge else window[0] - timedelta(days=28),
            late_from=target + timedelta(days=grace(target, window[1], clinic_grace) + 1),
        ),
        recognise=Recognise((coding(TYPE),), (coding(SPECIALTY),), words),
    )  # fmt: skip


def item(kind: str, name: str, due: Dates | None = None, **rest) -> Item:
    return Item(Key(kind, name), name.replace("-", " ").capitalize(), dates=due or Dates(), **rest)


def anchors(surgery: date | None = SURGERY, standing: Standing = Standing.RECORDED, **more: date) -> tuple[Anchor, ...]:
    made = [Anchor("surgery", moment(surgery), standing if surgery else Standing.AWAITED)]
    made += [Anchor(name, Moment(day), Standing.RECORDED) for name, day in more.items()]
    return tuple(made)


def plan(
    *items: Item, surgery: date | None = SURGERY, standing: Standing = Standing.RECORDED, number: int = 1,
    patient: str = "1001", name: str = "Ada Quill", settings: Settings | None = None, **rest,
) -> Plan:  # fmt: skip
    who = Identifier("https://alder-quay.example/patients", patient)
    return Plan(
        Episode("https://alder-quay.example", PATHWAY.url, who, number), PATHWAY,
        PatientRef(who, f"Patient/{patient}", name), anchors(surgery, standing), ZONE, items=items,
        settings=settings or Settings(), **rest,
    )  # fmt: skip


def ankle(surgery: date = SURGERY, **rest) -> Plan:
    """The five visits of the worked case."""
    return plan(*(visit(n, surgery) for n in VISITS), surgery=surgery, **rest)


def link(of: Plan, name: str, number: int = 1) -> str:
    """The reference by which a scheduler points at a visit's request."""
    return "urn:uuid:" + of.episode.uuid("visit", name, "request", "", number)


def evidence(
    reference: str, status: str, day: date | None = None, *, kind: str = "appointment", at: str = "10:00",
    link_to: str | None = None, patient: str = "1001", **rest,
) -> Evidence:  # fmt: skip
    start = None
    if day is not None and kind == "appointment":
        clock = datetime.strptime(at, "%H:%M").time()  # noqa: DTZ007 - a wall-clock time of the clinic
        start = datetime.combine(day, clock, ZoneInfo(ZONE))
    return Evidence(
        reference, kind, status, ("https://alder-quay.example/patients|" + patient,), day, start,
        start + timedelta(minutes=20) if start else None, (link_to,) if link_to else (), **rest,
    )  # fmt: skip


def state(**items) -> State:
    """State from `task__name={...}` keywords."""
    made = {}
    for name, fields in items.items():
        kind, _, key = name.partition("__")
        made[Key(kind, key.replace("_", "-"))] = ItemState(Key(kind, key.replace("_", "-")), **fields)
    return State(made)


def with_dates(of: Item, **changes) -> Item:
    return replace(of, dates=replace(of.dates, **changes))
