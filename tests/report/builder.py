"""An invented patient's plan, built by hand, so that this room's tests need no pathway file."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time, timedelta

from waykeeper.pathway.model import Source
from waykeeper.plan.model import (
    Episode,
    HoldProposal,
    Identifier,
    Item,
    Key,
    Letterhead,
    PathwayRef,
    PatientRef,
    Plan,
)
from waykeeper.timing.model import Anchor, Dates, Moment, Standing, Window

ZONE = "America/Chicago"
SURGERY = date(2026, 3, 18)


def moment(day: date, clock: time | None = None) -> Moment:
    return Moment(day, clock, ZONE if clock else "")


def span(first: date, last: date) -> Dates:
    return Dates(window=Window(moment(first), moment(last)))


def point(day: date, clock: time | None = None) -> Dates:
    at = moment(day, clock)
    return Dates(target=at, at=at)


def item(kind: str, name: str, title: str, dates: Dates, *, occurrence: str = "", **fields: object) -> Item:
    return Item(key=Key(kind, name, occurrence), title=title, dates=dates, **fields)  # type: ignore[arg-type]


def said(en: str, es: str = "") -> dict[str, str]:
    return {"en": en, "es": es} if es else {"en": en}


def hold(name: str, words: str, missed: int, surgery: date = SURGERY, **fields: object) -> Item:
    """An unanswered hold: last dose on day -(N + 1), none on -N .. 0 (the convention of the library)."""
    last = surgery - timedelta(days=missed + 1)
    proposal = HoldProposal(
        "hold", words, missed_days=missed, last_dose=last, first_missed=surgery - timedelta(days=missed),
        restart="after the surgeon's word", restart_from=surgery + timedelta(days=2), **fields,  # type: ignore[arg-type]
    )  # fmt: skip
    dates = Dates(target=moment(last), at=moment(last), due_from=surgery - timedelta(days=14))
    return Item(Key("hold", name), f"Pause {words}", who="prescriber", harm=3, dates=dates, hold=proposal)


def unrecognised(name: str, words: str) -> Item:
    """A row that no rule covers: no days at all, a prescriber must look."""
    proposal = HoldProposal("ask", words, recognised=False, question="What is it?")
    return Item(Key("medicine", name), f"Not recognised: {words}", who="prescriber", harm=3, hold=proposal)


def visit(name: str, title: str, target: date, first: date, last: date, words: dict[str, str]) -> Item:
    dates = Dates(moment(target), moment(target), Window(moment(first), moment(last)),
                  book_from=first - timedelta(days=28), late_from=target + timedelta(days=8))  # fmt: skip
    return item("visit", name, title, dates, who="surgeon", words=words, minutes=30, harm=3, phase="follow-up",
                phrase="2 weeks after surgery", window_phrase="10 to 18 days after surgery")  # fmt: skip


def plan(surgery: date = SURGERY, **fields: object) -> Plan:
    """A plan of all kinds around a surgery at 07:30; the visits are those of TARVA-like cadence (common practice)."""

    def off(days: int) -> date:
        return surgery + timedelta(days=days)

    wash = said("Wash your whole body with the special soap. Wash the leg for surgery three more minutes.",
                "Lave todo su cuerpo con el jabón especial. La pierna de la operación, tres minutos más.")  # fmt: skip
    source = Source("Common rule of the trade", "common practice")
    items = (
        item("task", "class", "Attend the joint class", Dates(moment(off(-14)), moment(off(-14)),
             Window(moment(off(-42)), moment(off(-14)))), who="patient", source=source, phase="last-weeks",
             words=said("Come to the class. Bring the person who will help you.",
                        "Venga a la clase. Traiga a la persona que le va a ayudar.")),
        item("instruction", "no-shaving", "Do not shave the legs", span(off(-5), off(0)), who="patient",
             words=said("Do not shave your legs.", "No se afeite las piernas."),
             phrase="within 5 days before surgery", phase="last-weeks"),
        *(item("task", "wash", "Wash with the antiseptic soap", point(off(d), time(h, 0)), occurrence=n, words=wash,
               who="patient", phrase=p, source=source, redo="on move", harm=2, phase="last-weeks",
               arithmetic=(f"{p}: {off(d)}",))
          for n, d, h, p in (("evening-2", -2, 20, "2 days before surgery in the evening"),
                             ("evening-1", -1, 20, "1 day before surgery in the evening"),
                             ("morning", 0, 8, "day of surgery in the morning"))),
        item("instruction", "fasting", "Nothing to eat or drink", Dates(window=Window(
             moment(off(0), time(0, 0)), moment(off(0), time(5, 30)))), who="patient", phase="operation",
             words=said("Eat and drink nothing.", "No coma ni beba nada."), phrase="until arrival"),
        item("instruction", "arrive", "Come to the hospital", point(off(0), time(5, 30)), who="patient",
             words=said("Come to the hospital."), phrase="arrival", phase="operation"),
        item("instruction", "breathing", "Breathing exercise", span(off(0), off(7)), who="patient",
             phrase="every 1 hour while awake within 7 days after surgery", phase="operation",
             words=said("Take ten slow deep breaths.", "Respire hondo y lento diez veces.")),
        item("instruction", "tablets", "Blood clot tablets", span(off(1), off(35)), who="patient",
             phrase="every day in the morning and in the evening within 35 days after surgery",
             words=said("Take the tablet that stops blood clots.", "Tome la pastilla contra los coágulos.")),
        visit("two-week", "Two-week visit", off(14), off(10), off(18),
              said("Come to the clinic so that we can look at your wound.",
                   "Venga a la clínica para que veamos su herida.")),
        visit("six-week", "Six-week visit", off(42), off(35), off(49),
              said("Come for a film of your ankle.", "Venga para una radiografía de su tobillo.")),
        visit("three-month", "Three-month visit", date(2026, 6, 18) if surgery == SURGERY else off(92), off(78),
              off(106), said("Come so that we can see how you walk.")),
        item("visit", "therapy", "First physical therapy", Dates(awaited="release of film-check"), who="therapist",
             words=said("Start physical therapy.", "Empiece la terapia física."), phase="follow-up"),
        item("task", "first-call", "Call the patient after discharge", point(off(3)), who="coordinator"),
        item("restriction", "no-weight", "No weight on the operated foot", Dates(moment(surgery, time(7, 30)),
             moment(surgery, time(7, 30)), earliest=off(42)), who="patient", until="release of film-check", harm=3,
             words=said("Put no weight on the foot.", "No apoye el pie."), phase="operation"),
        item("gate", "ready", "Ready for surgery", point(off(-7)), who="coordinator", needs=(Key("task", "class"),)),
        item("gate", "film-check", "Films show that weight is allowed", point(off(42)), who="surgeon"),
        item("goal", "shoe", "Walks in a normal shoe", point(off(92)), who="patient", goal_target="yes"),
        hold("urn:rx|1", "Warfarin 5 mg, one tablet each evening", 5, surgery),
        hold("urn:rx|2", "Ibuprofen 400 mg as needed", 1, surgery),
        unrecognised("urn:rx|3", "blue capsule, unknown"),
        item("question", "mrsa", "Ever told of MRSA?", point(off(-10)), who="coordinator", fact="mrsa"),
    )  # fmt: skip
    start = moment(surgery, time(7, 30))
    arrival = moment(surgery, time(5, 30))
    values: dict[str, object] = {
        "episode": Episode("https://alder-quay.example", "https://alder-quay.example/pathways/ankle",
                           Identifier("https://alder-quay.example/mrn", "AQ-0042")),
        "pathway": PathwayRef("ankle", "https://alder-quay.example/pathways/ankle", "1.0.0", "Total ankle replacement",
                              {"en": "Your new ankle", "es": "Su tobillo nuevo"}),
        "patient": PatientRef(Identifier("https://alder-quay.example/mrn", "AQ-0042"), name="Maren Okafor-Lindqvist",
                              birth_date="1961-07-04", test_data=True),
        "anchors": (Anchor("surgery", start, Standing.GIVEN),
                    Anchor("arrival", arrival, Standing.ASSUMED, "2 hours before surgery"),
                    Anchor("discharge", moment(off(1)), Standing.ASSUMED, "1 day after surgery")),
        "zone": ZONE,
        "side": "left",
        "letterhead": Letterhead("Alder Quay Joint Clinic",
                                 {"coordinator": "312-555-0101", "on-call": "312-555-0199",
                                  "scheduler": "312-555-0102"}, {"coordinator": "Nurse coordinator"}),
        "items": items,
        **fields,
    }  # fmt: skip
    return Plan(**values)  # type: ignore[arg-type]


def without(made: Plan, *keys: str) -> Plan:
    return replace(made, items=tuple(i for i in made.items if str(i.key) not in keys))
