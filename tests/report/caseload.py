"""A small invented caseload with its worklist: what the pages of this room are tested and looked at with."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from report.builder import plan
from waykeeper.gaps import TheatreCase, TheatreList, Worklist, worklist
from waykeeper.plan.model import Contact, Evidence, Identifier, ItemState, Key, PatientRef, Plan, State
from waykeeper.timing.model import Standing

AS_OF = date(2026, 6, 26)
MRN = "https://alder-quay.example/mrn"
_PEOPLE = (
    ("AQ-0042", "Maren Okafor-Lindqvist", 0), ("AQ-0057", "Tobias Achterberg", -21),
    ("AQ-0063", "Ines Calderón Vega", 98),
    ("AQ-0071", "Hollis Brandvold", 105), ("AQ-0088", "Yevgenia Strand", 35), ("AQ-0090", "Piet van der Zwaluw", 7),
)  # fmt: skip


def someone(number: str, name: str, shift: int) -> Plan:
    made = plan(date(2026, 3, 18) + timedelta(days=shift))
    identifier = Identifier(MRN, number)
    patient = PatientRef(identifier, name=name, birth_date="1958-11-02", test_data=True)
    proof = tuple(
        replace(a, standing=Standing.RECORDED, evidence="Procedure/1") if a.moment and a.moment.day < AS_OF else a
        for a in made.anchors
    )
    return replace(made, patient=patient, anchors=proof, episode=replace(made.episode, patient=identifier))


def plans() -> list[Plan]:
    return [someone(*who) for who in _PEOPLE]


def booking(made: Plan, name: str, day: date, status: str, text: str = "", **fields: object) -> Evidence:
    start = datetime(day.year, day.month, day.day, 15, 0, tzinfo=UTC)
    planned = made.episode.uuid("visit", name, "request")
    return Evidence(
        f"Appointment/{made.patient.identifier.value}-{name or 'x'}-{day:%m%d}", "appointment", status,
        (str(made.patient.identifier),), day, start,
        links=(f"{made.episode.clinic_url}/identifier/plan|{planned}",) if name else (),
        text=text or name, **fields,  # type: ignore[arg-type]
    )  # fmt: skip


def states(made: list[Plan]) -> list[tuple[Plan, State]]:
    first = made[0]
    called = Contact(date(2026, 6, 20), "telephone", False, by="R. Tamm")
    three = ItemState(Key("visit", "three-month"), contacts=(called,), owner="R. Tamm")
    kept = {Key("task", "class"): ItemState(Key("task", "class"), "completed", "done", done_on=date(2026, 2, 20))}
    found = [(first, State({**kept, three.key: three}))]
    found += [(p, State(kept)) for p in made[1:5]]
    return [*found, (made[5], State(kept, deceased=True, deceased_on=date(2026, 4, 9)))]


def evidence(made: list[Plan]) -> list[Evidence]:
    one, two, _, _, five, _ = made
    return [
        booking(one, "two-week", date(2026, 3, 30), "fulfilled"),
        booking(one, "six-week", date(2026, 4, 29), "noshow"),
        booking(two, "two-week", date(2026, 3, 11), "fulfilled"),
        booking(two, "six-week", date(2026, 4, 8), "booked"),
        booking(two, "three-month", date(2026, 6, 30), "booked"),
        booking(two, "three-month", date(2026, 7, 2), "booked"),
        booking(five, "two-week", date(2026, 5, 6), "fulfilled"),
        booking(five, "", date(2026, 6, 2), "fulfilled", "dermatology, mole check", site="Quay North"),
    ]


def report(as_of: date = AS_OF) -> Worklist:
    made = plans()
    theatre = TheatreList((TheatreCase("Appointment/th-9", (f"{MRN}|AQ-0101",), date(2026, 6, 29), "Dagny Oyelaran",
                                       "total ankle replacement", "Dr. Vale"),),
                          date(2026, 6, 22), date(2026, 7, 3))  # fmt: skip
    return worklist(states(made), evidence(made), as_of, theatre=theatre)
