"""What a withdrawal did or would do: whose plan, the bookings that a person must cancel, restarts, and a summary."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from waykeeper.exchange.report import PushReport, decision_line
from waykeeper.exchange.server import Held
from waykeeper.fhir import evidence, read_all
from waykeeper.gaps.match import match_facts, visits
from waykeeper.gaps.model import Certainty, Match
from waykeeper.gaps.says import LIVE_BOOKINGS, facts
from waykeeper.plan.model import Episode, Plan
from waykeeper.report.plain import clean, day, shortened

OWN_BOOKING = "a person must cancel it with the scheduler"  # the merge's notice: the list of bookings says it better
PUT_OFF = "PUT OFF, another day is expected"
NEXT_DAY = "next: move the plan to the new day as soon as there is one; gaps asks for it until then"


@dataclass(frozen=True, slots=True)
class StillBooked:
    """A booking that stands for a visit of the plan: nobody but a person cancels it.

    certainty   linked, recognised, or guessed: then `titles` are the visits that it may be
    """

    reference: str
    titles: tuple[str, ...]
    status: str
    day: date | None
    clock: str
    place: str
    text: str
    certainty: Certainty

    def line(self) -> str:
        """One line: the visit, its day, where, and how it is known."""
        at = " ".join(part for part in (day(self.day), self.clock) if part) or "on a day not recorded"
        visit = " or ".join(self.titles)
        head = f"may be {visit}, ask" if self.certainty == "guessed" else visit
        texts = [t for t in dict.fromkeys(self.text.split(" | ")) if t not in self.titles]
        parts = (head, f"{self.status} {at}", self.place, *texts, self.reference)
        return " | ".join(clean(p) for p in parts if p)

    def json(self) -> dict[str, Any]:
        """The same with stable names."""
        return {
            "reference": self.reference, "visits": list(self.titles), "status": self.status,
            "day": _iso(self.day), "time": self.clock or None, "place": self.place,
            "text": self.text, "certainty": self.certainty,
        }  # fmt: skip


def still_booked(episode: Episode, held: Sequence[Held], today: date) -> tuple[StillBooked, ...]:
    """Every booking of today or later that belongs, or may belong, to a visit of the plan, whoever made it."""
    plans = read_all(held)
    own = next(plan for plan, _ in plans if plan.episode == episode)
    titles = {item.key: item.title for item in own.items}
    found = []
    for match in match_facts(visits(plans), facts(evidence(held, own.zone), today)).rows:
        refs = (match.item,) if match.item else match.candidates
        mine = tuple(titles[r.key] for r in refs if r.episode == episode)
        if mine and _stands(match, today):
            found.append(_booked(match, mine))
    return tuple(sorted(found, key=lambda b: (b.day or date.min, b.clock, b.reference)))


def _stands(match: Match, today: date) -> bool:
    head = match.fact.head
    over = match.fact.says in ("attended", "fell", "nothing")
    live = head.kind == "appointment" and head.status in LIVE_BOOKINGS
    return live and not over and (head.day is None or head.day >= today)


def _booked(match: Match, titles: tuple[str, ...]) -> StillBooked:
    head = match.fact.head
    clock = f"{head.start:%H:%M}" if head.start else ""
    sure = match.certainty if match.item else "guessed"
    return StillBooked(head.reference, titles, head.status, head.day, clock, head.site, head.text, sure)


@dataclass(frozen=True, slots=True)
class Withdrawal(PushReport):
    """The decisions of a withdrawal, with whose plan it is and what is left for people.

    already      the reason that stands, where the plan had been withdrawn before
    already_by   who did that
    gaps_closed  what had been written to the server about gaps of the plan, and is closed now
    put_off      another surgery day is, or was, expected: the plan is on hold, and not over
    beside       other plans of the patient that are in force, and stay so
    completed    the plan was completed before
    """

    plan: Plan | None = None
    bookings: tuple[StillBooked, ...] = ()
    reason: str = ""
    by: str = ""
    already: str = ""
    already_by: str = ""
    gaps_closed: int = 0
    put_off: bool = False
    beside: tuple[Plan, ...] = ()
    completed: bool = False

    def text(self, *, items: bool = False) -> str:
        """Whose plan, what a person must do, and a count of the rest; with `items` a line for each decision."""
        lines = [self._head(), *self._why()]
        lines += [f"STILL IN FORCE, withdrawn by a command of its own: {_which(other)}" for other in self.beside]
        lines += self._to_cancel()
        lines += [f"note: {n}" for n in self.decided.notices if not n.endswith(OWN_BOOKING)]
        lines += [NEXT_DAY] if self.put_off else []
        lines += [f"closed: {self.gaps_closed} resources about gaps of this plan"] if self.gaps_closed else []
        lines += [decision_line(d) for d in self.changes] if items else []
        return "\n".join([*lines, *self._end(items)]) + "\n"

    def _head(self) -> str:
        assert self.plan is not None
        who = f"{clean(self.plan.patient.name) or 'no name'} ({shortened(str(self.plan.patient.identifier))})"
        return f"{who} | {self.plan.pathway.name}, episode {self.plan.episode.number} | {self._status()}"

    def _status(self) -> str:
        what = PUT_OFF if self.put_off else "WITHDRAWN"
        if self.sent:
            return what
        if self.completed and not self.changes:
            return "ALREADY COMPLETED"
        return f"WOULD BE {what}" if self.changes else f"ALREADY {what}"

    def _why(self) -> list[str]:
        if not self.sent and not self.changes:
            return [_because(self.already, self.already_by)] if self.already else []
        return [_because(self.reason, self.by)]

    def _to_cancel(self) -> list[str]:
        if not self.bookings:
            return ["no booking of its visits stands from today on"]
        return [
            f"FOR A PERSON TO CANCEL (none was cancelled): {len(self.bookings)}",
            *(f"  - {booked.line()}" for booked in self.bookings),
        ]

    def _end(self, items: bool) -> list[str]:
        kinds = Counter(d.item.partition("/")[0] for d in self.changes if d.word == "withdraw")
        told = ", ".join(f"{kind} {n}" for kind, n in sorted(kinds.items()))
        more = "" if items or not self.changes else "; --items names each"
        changed = f"{len(self.changes)} resources{f' ({told})' if told else ''}{more}"
        return [self._sentence(changed if self.changes else ""), *self._proof()]

    def json(self) -> dict[str, Any]:
        """As of a push, with the patient and the bookings."""
        assert self.plan is not None
        return {
            **PushReport.json(self),
            "patient": self.plan.patient.name,
            "identifier": str(self.plan.patient.identifier),
            "status": self._status().partition(",")[0].lower(),
            "reason": self.already or self.reason,
            "by": self.already_by if self.already else self.by,
            "gaps_closed": self.gaps_closed,
            "to_cancel": [booked.json() for booked in self.bookings],
            "still_in_force": [
                {"pathway": p.pathway.name, "episode": p.episode.number, "surgery": _iso(p.surgery_day)}
                for p in self.beside
            ],
        }


def _which(plan: Plan) -> str:
    surgery = f"surgery {day(plan.surgery_day)}" if plan.surgery_day else "surgery on a day not known"
    number = plan.episode.number
    return f"{plan.pathway.name}, episode {number}, {surgery} (--pathway {plan.pathway.name} --episode {number})"


def _iso(found: date | None) -> str | None:
    return found.isoformat() if found else None


def _because(reason: str, by: str) -> str:
    return f"why: {clean(reason)}{f' ({clean(by)})' if by else ''}"
