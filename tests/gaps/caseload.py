"""A seeded generator of messy, invented caseloads with a planted truth, and the confusion table over it.

The truth is planted by the stories, never by the code under test: a story knows whether the patient came, and whether
somebody has to act on the as-of day. What is messed up is only how the clinic's systems recorded it: unlinked, in other
words, twice, under another site, a day off (an import shifted by a time zone), in the wrong year, left behind when
surgery moved, with or without an Encounter, and among appointments of other services.
"""

from __future__ import annotations

import random
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, timedelta

from gaps.plans import SPECIALTY, TYPE, VISITS, ankle, evidence, link
from waykeeper.gaps import Worklist
from waykeeper.plan.model import Evidence, Plan, State

AS_OF = date(2026, 6, 26)
PHYSIO = "https://alder-quay.example/types|physiotherapy"
SKIN = "https://alder-quay.example/types|skin-clinic"
# HL7 v2 table 0276, appointment reason codes
WALK_IN = "http://terminology.hl7.org/CodeSystem/v2-0276|WALKIN"
URGENT = "http://terminology.hl7.org/CodeSystem/v2-0276|EMERGENCY"

# How a booking is tied to its visit, and how often. "bare" carries neither code, words nor interval: only a person
# can tell, so the report may only guess.
CHANNELS = {
    "linked": 62, "type+interval": 14, "type+words": 9, "words+interval": 6, "type only": 8, "bare": 1,
}  # fmt: skip
INTERVAL_WORDS = {
    "two-week": ("2 week check", "two-week visit", "2 wk post-op"),
    "six-week": ("6 week check", "six weeks review", "6wk post op"),
    "three-month": ("3 month check", "three month review", "3 mo visit"),
    "six-month": ("6 month check", "six-month review", "6 mo visit"),
    "twelve-month": ("12 month check", "annual review", "1 year visit"),
}
BARE = ("follow-up", "foot and ankle", "return visit", "")
# Visits whose recognise words another visit has too, so that the words do not tell which one it is.
SHARED_WORDS = {n for n, (*_, words) in VISITS.items() if any(words == w for m, (*_, w) in VISITS.items() if m != n)}


@dataclass(frozen=True)
class Planted:
    """The truth about one visit. `channel` is how its bookings are recorded, "none" where there are none."""

    patient: str
    episode: int
    visit: str
    story: str
    channel: str
    kept: bool
    gap: bool


@dataclass(frozen=True)
class Caseload:
    plans: list[tuple[Plan, State]]
    evidence: list[Evidence]
    truth: list[Planted]


class Maker:
    """Makes one caseload from one random source."""

    def __init__(self, seed: int, as_of: date) -> None:
        self.random = random.Random(seed)
        self.as_of = as_of
        self.number = 0
        self.evidence: list[Evidence] = []
        self.truth: list[Planted] = []

    def between(self, first: date, last: date) -> date:
        return first + timedelta(days=self.random.randint(0, max(0, (last - first).days)))

    def book(self, plan: Plan, name: str, channel: str, status: str, day: date | None, **rest) -> Evidence:
        """One appointment of a visit, recorded by a channel."""
        self.number += 1
        words = self.random.choice(next(i for i in plan.items if i.key.item == name).recognise.words)
        interval = self.random.choice(INTERVAL_WORDS[name])
        text = {
            "type+interval": interval, "type+words": words, "words+interval": f"{interval}, {words}",
            "linked": self.random.choice([interval, words, ""]),
        }.get(channel, self.random.choice(BARE))  # fmt: skip
        typed = "type" in channel or (channel == "linked" and self.random.random() < 0.5)
        fields = {
            "link_to": link(plan, name) if channel == "linked" else None,
            "service_types": (TYPE,) if typed else (),
            "specialties": (SPECIALTY,) if channel == "words+interval" else (),
            "minutes": self.random.choice([None, 20, 20, 30]),
            "site": "Harbour Road" if self.random.random() < 0.06 else "",
        } | rest  # fmt: skip
        made = evidence(
            f"Appointment/{self.number}", status, day, text=text, patient=plan.patient.identifier.value, **fields
        )
        self.evidence.append(made)
        return made

    def encounter(self, of: Evidence, status: str) -> None:
        self.number += 1
        self.evidence.append(replace(
            of, reference=f"Encounter/{self.number}", kind="encounter", status=status, appointment=of.reference,
            start=None, end=None, links=(), text="", service_types=(), specialties=(), minutes=None,
        ))  # fmt: skip

    def came(self, plan: Plan, name: str, channel: str, day: date) -> None:
        """An attendance as clinics record it: fulfilled, fulfilled with an encounter, an encounter on a stale
        status, an encounter alone, or a day off by an import's time zone."""
        style = self.random.choice(["fulfilled", "fulfilled", "both", "stale", "alone", "shifted"])
        if style == "shifted" and day < self.as_of:
            day += timedelta(days=1)
        made = self.book(plan, name, channel, "booked" if style == "stale" else "fulfilled", day)
        if style in ("both", "stale"):
            self.encounter(made, "finished")
        if style == "alone":
            self.evidence[-1] = replace(made, kind="encounter", status="finished", start=None, end=None)

    def decoys(self, plan: Plan) -> None:
        """Appointments of the patient that belong to no planned visit."""
        who, start = plan.patient.identifier.value, plan.anchor("surgery").moment.day
        for _ in range(self.random.randint(0, 3)):
            self.number += 1
            text, types = self.random.choice([
                ("6 week physio", (PHYSIO,)), ("mole check 3 month", (SKIN,)), ("wound check", (SKIN,)),
                ("exercise group", (PHYSIO,)), ("blood test", ()), ("flu vaccination", ()),
            ])  # fmt: skip
            day = self.between(start - timedelta(days=30), start + timedelta(days=400))
            status = "fulfilled" if day <= self.as_of else "booked"
            self.evidence.append(
                evidence(f"Appointment/{self.number}", status, day, text=text, service_types=types, patient=who)
            )

    def walk_in(self, plan: Plan) -> None:
        """The same clinic, seen out of turn: often nothing but type and day speak, so it may pass for a visit."""
        self.number += 1
        start = plan.anchor("surgery").moment.day
        day = self.between(start + timedelta(days=3), min(self.as_of, start + timedelta(days=200)))
        text, types = self.random.choice([
            ("cast tight, walk-in", (TYPE,)), ("boot broken", (TYPE,)), ("", (TYPE, WALK_IN)),
            ("urgent review, swelling", (TYPE,)), ("", (TYPE,)), ("pain", (TYPE, URGENT)),
        ])  # fmt: skip
        self.evidence.append(evidence(
            f"Appointment/{self.number}", "fulfilled", day, text=text, service_types=types,
            minutes=self.random.choice([None, 10, 20, 30]), patient=plan.patient.identifier.value,
        ))  # fmt: skip


def _past_stories(make: Maker, plan: Plan, name: str, channel: str, days: tuple[date, date]):
    """Stories of a window that has opened: what happened, whether the patient came, whether somebody must act."""
    first, last = days
    behind = min(last, make.as_of - timedelta(days=1))
    day = make.between(first, behind)
    open_still = make.as_of <= last
    ahead = make.between(make.as_of, last) if open_still else None
    late = make.between(make.as_of + timedelta(days=3), make.as_of + timedelta(days=20))

    def kept():
        make.came(plan, name, channel, day)
        return True, False

    def kept_late():
        over = last + timedelta(days=make.random.randint(1, 40))
        if over >= make.as_of:
            return kept()
        make.came(plan, name, channel, over)
        return True, False

    def kept_twice_booked():
        make.book(plan, name, channel, "cancelled", day, fell="patient")
        make.came(plan, name, channel, make.between(day, behind))
        return True, False

    def no_show():
        make.book(plan, name, channel, "noshow", day)
        return False, True

    def cancelled():
        make.book(plan, name, channel, "cancelled", day, fell=make.random.choice(["clinic", "patient"]))
        return False, True

    def rebooked():
        make.book(plan, name, channel, "noshow", day)
        make.book(plan, name, channel, "booked", ahead or late)
        return False, ahead is None

    def blank():
        made = make.book(plan, name, channel, "booked", day)
        if make.random.random() < 0.3:
            make.encounter(made, "arrived")
        return False, True

    def in_error():
        make.book(plan, name, channel, "entered-in-error", day)
        return False, True

    def asked():
        make.book(plan, name, channel, "proposed", None, link_to=link(plan, name), ours=True)
        return False, True

    def wrong_year():
        if channel != "linked":
            return nothing()
        make.book(plan, name, channel, "fulfilled", day.replace(year=day.year - 10, day=min(day.day, 28)))
        return False, True

    def nothing():
        return False, True

    chosen = make.random.choices(
        [kept, kept_late, kept_twice_booked, no_show, cancelled, rebooked, blank, in_error, asked, wrong_year, nothing],
        [66, 4, 6, 5, 3, 4, 4, 1, 2, 1, 4],
    )[0]
    return chosen.__name__.replace("_", " "), chosen()


def _future_stories(make: Maker, plan: Plan, name: str, channel: str, days: tuple[date, date], bookable: bool):
    """Stories of a window that is still ahead. A gap if it may be booked and is not, or is booked outside it."""
    first, last = days

    def booked():
        make.book(plan, name, channel, "booked", make.between(first, last))
        return False, False

    def twice():
        make.book(plan, name, channel, "booked", make.between(first, last))
        make.book(plan, name, channel, "booked", make.between(first, last))
        return False, False

    def left_behind():
        if channel != "linked":
            return nothing()
        early = first - timedelta(days=make.random.randint(2, 25))
        if early < make.as_of:
            return nothing()
        make.book(plan, name, channel, "booked", early)
        return False, True

    def cancelled():
        make.book(plan, name, channel, "cancelled", make.between(first, last), fell="clinic")
        return False, True

    def nothing():
        return False, bookable

    chosen = make.random.choices([booked, twice, left_behind, cancelled, nothing], [40, 6, 8, 6, 40])[0]
    return chosen.__name__.replace("_", " "), chosen()


def _visit(make: Maker, plan: Plan, name: str) -> None:
    """Plant one visit: a channel, a story, the truth."""
    planned = next(i for i in plan.items if i.key.item == name)
    days = (planned.dates.window.start.day, planned.dates.window.end.day)
    channel = make.random.choices(list(CHANNELS), list(CHANNELS.values()))[0]
    before = len(make.evidence)
    if days[0] < make.as_of:
        story, (kept, gap) = _past_stories(make, plan, name, channel, days)
    else:
        bookable = planned.dates.book_from <= make.as_of
        story, (kept, gap) = _future_stories(make, plan, name, channel, days, bookable)
    used = channel if len(make.evidence) > before and story != "asked" else "none"
    who = plan.patient.identifier.value
    make.truth.append(Planted(who, plan.episode.number, name, story, used, kept, gap))


def caseload(patients: int, seed: int, as_of: date = AS_OF, *, walk_ins: float = 0.04) -> Caseload:
    """An invented caseload: the same seed gives the same patients, bookings and truth."""
    make = Maker(seed, as_of)
    plans: list[tuple[Plan, State]] = []
    for number in range(patients):
        surgery = as_of - timedelta(days=make.random.randint(5, 420))
        plan = ankle(surgery, patient=str(10_000 + number), name=f"Invented {number:05d}")
        plans.append((plan, State()))
        for name in VISITS:
            _visit(make, plan, name)
        make.decoys(plan)
        if make.random.random() < walk_ins:
            make.walk_in(plan)
    make.random.shuffle(make.evidence)
    make.random.shuffle(plans)
    return Caseload(plans, make.evidence, make.truth)


@dataclass
class Confusion:
    """Counts by channel, and by name what went wrong, by what the wrong verdict rests on: "linked"; "own words or
    interval" (recognised, and its text speaks of this visit alone); "type and day" (recognised, but its type and its
    words fit several visits, so that only the day tells them apart); "nothing".
    `kept_falsely` are visits that were not kept and are called attended.
    """

    cells: dict[str, Counter]
    missed_gaps: dict[str, list[str]]
    false_gaps: dict[str, list[str]]
    kept_falsely: dict[str, list[str]]
    unexplained: list[str]  # false gaps whose row does not show the booking as a guess
    visits: Counter  # by what the verdict rests on

    def rate(self, name: str, channels: Iterable[str]) -> tuple[int, int]:
        """How many of a cell, of how many visits, over channels."""
        chosen = list(channels)
        return sum(self.cells[c][name] for c in chosen), sum(self.cells[c]["visits"] for c in chosen)

    def text(self) -> str:
        """The table as `make bench` prints it."""
        head = ("visits", "gap found", "gap missed", "false gap", "quiet", "kept falsely")
        lines = [f"{'bookings recorded':<18}" + "".join(f"{h:>14}" for h in head)]
        lines += [f"{c:<18}" + "".join(f"{self.cells[c][h]:>14}" for h in head) for c in sorted(self.cells)]
        return "\n".join(lines)


def confusion(planted: Caseload, listed: Worklist) -> Confusion:
    """Lay the report beside the planted truth."""
    rows = {(r.identifier.rpartition("|")[2], r.episode, r.item.rpartition("/")[2]): r for r in listed.rows}
    reasons = {p.reference: " ".join(p.reasons) for p in listed.appointments}
    found = Confusion(defaultdict(Counter), defaultdict(list), defaultdict(list), defaultdict(list), [], Counter())
    for truth in planted.truth:
        row, cell = rows[truth.patient, truth.episode, truth.visit], found.cells[truth.channel]
        name = f"{truth.patient} {truth.visit} ({truth.story}, {truth.channel}): {row.verdict}, {row.reason}"
        basis = rests_on(row, reasons)
        cell["visits"] += 1
        found.visits[basis] += 1
        if not truth.kept and row.verdict.startswith("attended"):
            cell["kept falsely"] += 1
            found.kept_falsely[basis].append(name)
        if truth.gap == row.gap:
            cell["gap found" if truth.gap else "quiet"] += 1
        elif truth.gap:
            cell["gap missed"] += 1
            found.missed_gaps[basis].append(name)
        else:
            cell["false gap"] += 1
            found.false_gaps[truth.channel].append(name)
            if not row.guesses:
                found.unexplained.append(name)
    return found


def rests_on(row, reasons: dict[str, str]) -> str:
    """What a verdict rests on."""
    if row.certainty != "recognised":
        return row.certainty if row.evidence else "nothing"
    said = reasons[row.evidence[0]]
    own_words = "words" in said and row.item.rpartition("/")[2] not in SHARED_WORDS
    return "own words or interval" if own_words or "interval" in said else "type and day"
