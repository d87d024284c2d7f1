"""What a push may change: every resource and group decided from what is wanted, what stands and what was offered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, Literal

from waykeeper.fhir import rewritten, write
from waykeeper.fhir.gone import DELETED, WANTED
from waykeeper.fhir.hold_told import EDITED
from waykeeper.fhir.identity import called, identity
from waykeeper.fhir.ownership import GROUPS, digest, mark, offered_of, proposals, with_offered
from waykeeper.fhir.status import status, status_class
from waykeeper.fhir.write import LEADING, PLAN_KEY, surgery_day
from waykeeper.merge.attendance import Attendance, attendance, booked_on
from waykeeper.merge.care_plans import CarePlans, alone, as_written, with_others
from waykeeper.merge.groups import Verdict, judge, offer, offers, only_closed, touched, untouched, weave, with_first_day
from waykeeper.merge.held import ROOT, Holding, Place, holding
from waykeeper.merge.in_hand import asked_again, let_go
from waykeeper.merge.model import Decision, Decisions, Held, Question, Resource, Side, Word
from waykeeper.merge.questions import conflict_tasks, titles_of, words
from waykeeper.merge.rounds import Rounds, as_asked, current, renewed
from waykeeper.merge.stopped import RESTART, restart_asked, stopped
from waykeeper.merge.stripped import NOBODY_DECIDES, marked, restored, unknown
from waykeeper.merge.withdrawal import by_us, reinstated, reoffered, withdrawn
from waykeeper.plan.gates import gate_state, need_met
from waykeeper.plan.model import MEDICINES, Item, Key, Plan, State
from waykeeper.plan.open_days import closed_otherwise
from waykeeper.plan.unlisted import REASON
from waykeeper.plan.validity import to_come

Outcome = Literal["asked", "settled", "ours"]
BOOKED_STILL = "{}: no longer in the plan, but booked: cancel it with the scheduler"


def decide(
    plan: Plan,
    held: Sequence[Held],
    *,
    take: Mapping[str, Side] | None = None,
    today: date | None = None,
    reinstate: bool = False,
) -> Decisions:
    """Decide a push of a plan over everything that the server holds of its patient.

    held    (reference, resource) pairs, versions in `meta`; other plans and other people's resources may be among them
    take    answers to conflicts: item key or item name -> side
    today   the day of the push: what people recorded for a day after it has not happened yet, and ticks and opens
            nothing; the end of a Flag whose release has no recorded day
    reinstate  a person's word that the plan is wanted again: it answers for the state of the plan, for nothing else
    """
    known, lost = marked(plan, held)
    found, others = alone(holding(plan.episode, known))
    made = _Merge(plan, found, dict(take or {}), today, lost, reinstate).decisions()
    if others:
        rows = (with_others(d, others) if (d.item, d.part) == (str(PLAN_KEY), "plan") else d for d in made.rows)
        made = replace(made, rows=tuple(rows))
    return replace(made, standing=_standing(held, made.rows))


def places(resources: Sequence[Resource]) -> dict[Place, Resource]:
    """Resources that `write` made, by key, part and round."""
    found = {}
    for resource in resources:
        known = identity(resource)
        if known is not None:
            found[known.key, known.part, known.round] = resource
    return found


@dataclass
class _Merge:
    """The working state of one merge; lives no longer than the call.

    First what is known before (`take` by item, what was settled, visits, rounds, what is wanted in them), then what is
    decided of it.
    """

    plan: Plan
    held: Holding
    asked_take: Mapping[str, Side]
    today: date | None
    unmarked: frozenset[str] = frozenset()  # what lost our extensions, and was known again
    reinstate: bool = False
    take: Mapping[Key, Side] = field(init=False)
    surgery: str = field(init=False)
    settled: list[str] = field(init=False)
    visits: Attendance = field(init=False)
    rounds: Rounds = field(init=False)
    items: Mapping[Key, Item] = field(init=False)
    wanted: dict[Place, Resource] = field(init=False)
    rows: list[Decision] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.take = self._takes()
        self.surgery = surgery_day(self.plan)
        self.settled = self._settled_before()
        self.visits = attendance(self.held, self.plan.zone, self.today)
        base = places(write(self.plan, current(self.plan, self.held)))
        anew = self._anew(base)
        self.rounds = renewed(self.plan, self.held, base, visits=self.visits, taken=anew, today=self.today)
        asked = as_asked(self.plan, self.held, self.rounds)
        same = not self.rounds.new and asked is self.plan
        self.plan = asked
        self.items = {item.key: item for item in asked.items}
        self.wanted = self._wanted(base if same else places(write(asked, self.rounds.numbers)))

    def decisions(self) -> Decisions:
        for place, resource in self.wanted.items():
            if place[0].kind not in ("plan", "phase", "gate"):
                self._part(place, resource)
        self._leftovers()
        begun = {key: self.rounds.numbers[key] for key in self.rounds.new}
        self.rows = list(asked_again(self.held, self.rows, self._known_to_apply()))
        self.rows += list(let_go(self.held, begun, self.rows))
        self._restarts()
        self._gates()
        self._asked_about_care_plans()
        titles = titles_of(self.plan, self.held.plan)
        self.rows += conflict_tasks(self.plan, self.held, self.questions, self.take, titles)
        self._care_plans()
        self._marks()
        if self.held.plan is not None and (said := closed_otherwise(self.held.plan, self.plan)):
            self.notices.append(said)
        return Decisions(self.plan, tuple(self.rows), tuple(self.questions), tuple(self.notices))

    def _known_to_apply(self) -> set[Key]:
        """What the plan knows since this push to apply: it was unknown before, or an answer had left it out."""
        before = {i.key: i for i in self.held.plan.items} if self.held.plan else {}
        states = self.held.state.items
        left_out = {key for key, own in states.items() if own.withdrawn_by_us and own.reason == REASON}
        return {
            key for key, item in self.items.items()
            if key in before and not item.undecided and (before[key].undecided or key in left_out)
        }  # fmt: skip

    def _marks(self) -> None:
        """Resources that another system saved without our extensions: marked again, or told where none can say what."""
        if self.unmarked:
            wanted = {(str(key), part, number): r for (key, part, number), r in self.wanted.items()}
            left = self.unmarked - {d.reference for d in self.rows if d.changes}
            self.rows = [
                restored(d, wanted.get((d.item, d.part, d.round))) if d.reference in left else d for d in self.rows
            ]
        for ref, resource in unknown(self.held.everything, self.held.ever):
            self.notices.append(f"{ref} ({called(resource)}) lost what Waykeeper wrote on it: {NOBODY_DECIDES}")

    # what is known before

    def _takes(self) -> dict[Key, Side]:
        keys = {k for k, _, _ in self.held.own} | {item.key for item in self.plan.items}
        return {k: side for k in keys for name, side in self.asked_take.items() if name in (str(k), k.item)}

    def _settled_before(self) -> list[str]:
        root = self.held.own.get((PLAN_KEY, "plan", 1))
        return [str(s) for s in offered_of(root[1]).get("settled", [])] if root else []

    def _anew(self, base: Mapping[Place, Resource]) -> set[Key]:
        """Items of which a person deleted or voided a part, where the plan's side was chosen."""
        found = set()
        for place in base:
            held = self.held.own.get(place)
            gone = held is None and self.held.uuid(place) in self.held.ever
            void = held is not None and status_class(held[1]) == "void"
            if self.take.get(place[0]) == "ours" and (gone or void) and not _stays_in_first(place):
                found.add(place[0])
        return found

    def _wanted(self, written: Mapping[Place, Resource]) -> dict[Place, Resource]:
        """The plan in its rounds, with the references of what stands; without Appointments that others have made."""
        references = self.held.references()
        found = {}
        for place, resource in written.items():
            if place[1] == "appointment" and place[0] in self.visits.taken_up:
                continue
            found[place] = _redirected(resource, references)
        return self._released_flags(found)

    def _released_flags(self, wanted: dict[Place, Resource]) -> dict[Place, Resource]:
        """The Flag of a restriction that was released is inactive, with the day as its end."""
        for (key, part, number), flag in list(wanted.items()):
            request = self.held.own.get((key, "request", number))
            if part != "flag" or request is None or status(request[1]) != "completed":
                continue
            end = released_on(self.held, self.items[key], self.today)
            period = dict(flag.get("period", {}))
            if end is not None and end.isoformat() >= str(period.get("start", ""))[:10]:  # per-1: no end before a start
                period["end"] = end.isoformat()
            made = {**flag, "status": "inactive"} | ({"period": period} if period else {})
            wanted[key, part, number] = with_offered(made)
        return wanted

    # one part that is wanted

    def _row(
        self, place: Place, word: Word, reason: str, *, groups: Sequence[str] = (), after: Resource | None = None
    ) -> None:
        key, part, number = place
        ref, before = self.held.own.get(place, ("", None))
        kind = (before or after or {}).get("resourceType", "")
        self.rows.append(Decision(str(key), part, number, word, tuple(groups), reason, ref, kind, before, after))

    def _part(self, place: Place, wanted: Resource) -> None:
        if place not in self.held.own:
            self._absent(place, wanted)
            return
        standing = self.held.own[place][1]
        cls = self._class(place, standing)
        if cls == "withdrawn" and by_us(standing):
            self._reinstate(place, wanted, standing)
        elif cls == "withdrawn" and standing["resourceType"] == "Appointment" and standing.get("start"):
            self._row(place, "history", "a booking that was cancelled")
        elif cls == "withdrawn" and self.reinstate and place == ROOT:
            self._groups(place, wanted, standing, busy=False)
        elif cls in ("withdrawn", "void"):
            self._lost(place, wanted, standing, cls)
        elif cls == "done":
            self._done(place, wanted, standing)
        elif cls == "busy" and standing["resourceType"] == "Appointment":
            self._booked(place, wanted, standing)
        else:
            self._groups(place, wanted, standing, busy=cls == "busy")

    def _class(self, place: Place, standing: Mapping[str, Any]) -> str:
        """The class of a status; ticks of ours on mirrors are open, Flags follow their request, answers are busy.

        A visit's request that a scheduler completes with the booking is in hand: only an attended visit is done.
        """
        key, part, number = place
        cls = status_class(standing)
        if part.startswith("mirror:") and cls == "done" and offer(standing, "status") == digest(standing, "status"):
            return "open"
        if part == "hold" and cls == "open":
            state = self.held.state.items.get(key)
            return "busy" if state and state.answer and state.round == number else cls
        if (key.kind, part, cls) == ("visit", "request", "done") and key not in self.visits.attended:
            return "busy"
        if part == "flag" and cls == "done":
            request = self.held.own.get((key, "request", number))
            return cls if request and status_class(request[1]) == "done" else "withdrawn"
        return cls

    def _done(self, place: Place, wanted: Resource, standing: Mapping[str, Any]) -> None:
        """Kept as people left it; only the first day that counts follows surgery, for by it every reader judges."""
        made = with_first_day(standing, wanted)
        if made is None:
            self._row(place, "keep", "done")
            return
        as_it_was: dict[str, Verdict] = {g: "write" for g in GROUPS if untouched(standing, g)}
        after = reoffered(made, offers(made, standing, as_it_was))
        self._row(place, "write", "done; the first day that counts is another", groups=["when"], after=after)

    def _absent(self, place: Place, wanted: Resource) -> None:
        deleted = self.held.uuid(place) in self.held.ever
        why = "a person deleted it, the plan still wants it"
        if deleted and self._dispute(place, (), why, DELETED, WANTED) != "ours":
            self._row(place, "conflict" if self._open(place[0]) else "keep", why)
            return
        after = with_offered(wanted, surgery=offer(wanted, "surgery")) if place[0].kind == "gate" else wanted
        self._row(place, "create", self.rounds.new.get(place[0], ""), after=after)

    def _reinstate(self, place: Place, wanted: Resource, standing: Mapping[str, Any]) -> None:
        verdicts: dict[str, Verdict] = {g: judge(wanted, standing, g) for g in GROUPS if g != "status"}
        edited = self._answered_by_editing(place, verdicts)
        self._settle(place, verdicts, wanted, standing)
        made = reinstated(standing, wanted, verdicts)
        if place == ROOT and status(made) == "on-hold":  # put off before it was withdrawn: it is wanted on a day again
            made["status"] = wanted["status"]
        after = reoffered(made, self._told(made, standing, edited), surgery=_surgery_of(verdicts, wanted, standing))
        self._row(
            place, "reinstate", "wanted again", groups=[g for g, v in verdicts.items() if v == "write"], after=after
        )

    @staticmethod
    def _told(made: Mapping[str, Any], standing: Mapping[str, Any], edited: bool) -> dict[str, str]:
        """The digests of what is offered now. Where a prescriber edited the dates, what we offered before stays said:
        their number would be taken for ours the next time.
        """
        told = {group: offer(made, group) for group in GROUPS}
        return told | ({"when": offer(standing, "when")} if edited else {})

    def _lost(self, place: Place, wanted: Resource, standing: Mapping[str, Any], cls: str) -> None:
        why = (
            "entered in error, the plan still wants it" if cls == "void" else "a person withdrew it, the plan wants it"
        )
        said = digest(standing, "status")
        if self._dispute(place, ("status",), why, said, "wanted") == "ours":
            verdicts: dict[str, Verdict] = dict.fromkeys(GROUPS, "write")
            after = reoffered(weave(standing, wanted, GROUPS), offers(wanted, standing, verdicts), before="")
            self._row(place, "write", "a person chose the plan's side", groups=GROUPS, after=after)
        else:
            self._row(place, "conflict" if self._open(place[0]) else "keep", why)

    def _booked(self, place: Place, wanted: Resource, standing: Mapping[str, Any]) -> None:
        """Wholly theirs. Booked outside the window that is wanted now: said, so that a person rebooks it."""
        self._row(place, "keep", "booked: the scheduler's")
        day = booked_on(standing, self.plan.zone)
        window: Mapping[str, Any] = next(iter(wanted.get("requestedPeriod") or []), {})
        if day and window and not str(window.get("start"))[:10] <= day <= str(window.get("end"))[:10]:
            self.notices.append(f"{self.items[place[0]].title}: booked on {day}, outside its window: rebook")

    def _groups(self, place: Place, wanted: Resource, standing: Mapping[str, Any], *, busy: bool) -> None:
        verdicts: dict[str, Verdict] = {g: judge(wanted, standing, g) for g in GROUPS}
        for group in ("status", "who") if busy else ():
            verdicts[group] = "same" if verdicts[group] == "same" else "theirs"
        ended = status(standing) == "on-hold" or status_class(standing) != "open"
        if self.reinstate and place == ROOT and (verdicts["status"] == "conflict" or ended):
            verdicts["status"] = "write"
        edited = self._answered_by_editing(place, verdicts)
        self._settle(place, verdicts, wanted, standing)
        write_now = [g for g in GROUPS if verdicts[g] == "write"]
        disputed = [g for g in GROUPS if verdicts[g] == "conflict"]
        proposed = proposals(wanted) != proposals(standing)
        if write_now or proposed:
            made = reoffered(weave(standing, wanted, write_now), offers(wanted, standing, verdicts))
            after = reoffered(made, self._told(made, standing, edited), surgery=_surgery_of(verdicts, wanted, standing))
            what = words(write_now) or "what is proposed"
            self._row(place, "write", f"{what} changed in the plan", groups=write_now, after=after)
        if disputed and self._open(place[0]):
            self._row(place, "conflict", f"{words(disputed)} changed on both sides", groups=disputed)
        elif not write_now and not proposed:
            theirs = [g for g in GROUPS if verdicts[g] in ("theirs", "conflict")]
            reason = f"a person changed {words(theirs)}" if theirs else "stands as wanted"
            self._row(place, "keep" if theirs else "unchanged", reason, groups=theirs)

    def _answered_by_editing(self, place: Place, verdicts: dict[str, Verdict]) -> bool:
        """A prescriber changed the dates of the hold itself: that counts as the answer.

        The plan was made with their number: only the days that follow from it differ, and are written.
        """
        state = self.held.state.items.get(place[0])
        answer = state.answer if state and state.round == place[2] else None
        edited = place[1] == "hold" and answer is not None and answer.by == EDITED
        if edited and verdicts["when"] == "conflict":
            verdicts["when"] = "write"
        return edited

    def _settle(
        self, place: Place, verdicts: dict[str, Verdict], wanted: Mapping[str, Any], standing: Mapping[str, Any]
    ) -> None:
        """Ask about the groups that changed on both sides, unless that very difference was answered."""
        groups = tuple(g for g in GROUPS if verdicts.get(g) == "conflict")
        if not groups:
            return
        seen = as_written(standing, wanted) if place == ROOT else standing  # the same question before and after a push
        stands = "|".join(digest(seen, g) for g in groups)
        wants = "|".join(digest(wanted, g) for g in groups)
        why = f"a person and the plan both changed {words(groups)}"
        if self._dispute(place, groups, why, stands, wants) == "ours":
            verdicts.update(dict.fromkeys(groups, "write"))

    # conflicts

    def _dispute(self, place: Place, groups: tuple[str, ...], why: str, stands: str, wants: str) -> Outcome:
        key, part, number = place
        name = mark(self.held.uuid(place), stands, wants, self.surgery)
        side = self.take.get(key)
        if side == "ours":
            return "ours"
        if side == "theirs" and name not in self.settled:
            self.settled.append(name)
        if name in self.settled:
            return "settled"
        ref = self.held.own[place][0] if place in self.held.own else ""
        question = Question(key, part, number, groups, why, name, ref)
        if question not in self.questions:
            self.questions.append(question)
        return "asked"

    def _open(self, key: Key) -> bool:
        return any(q.key == key for q in self.questions)

    # what is not wanted, or belongs to an older round

    def _leftovers(self) -> None:
        by_item: dict[Key, list[Place]] = {}
        for place in self.held.own:
            if place not in self.wanted and place[0].kind in LEADING and not self._waits_for_restart(place):
                by_item.setdefault(place[0], []).append(place)
        for key, found in by_item.items():
            if key in self.items:
                for place in sorted(found, key=lambda p: (p[2], p[1])):
                    self._left_part(place)
            else:
                self._left_item(found)
        for place in self.held.own:
            if place[0].kind == "phase" and place not in self.wanted:
                self._left_item([place])

    def _waits_for_restart(self, place: Place) -> bool:
        """Compile never makes it: it stands until a person answers, or until a newer round asks."""
        return place[1] == RESTART and place[2] >= self.rounds.numbers.get(place[0], 0)

    def _restarts(self) -> None:
        """Surgery moved on, and a medicine that was stopped for the old day has days to be taken again: asked at once.

        Moved to an earlier day it gives no such days: what is paused stays paused.
        """
        before = surgery_day(self.held.plan) if self.held.plan else ""
        if not before or (self.surgery and self.surgery <= before):
            return
        for one in stopped(self.held, self.today):
            item = self.items.get(one.item.key)
            last = item.hold.last_dose if item and item.hold else None
            if item is None or (last and self.today and last <= self.today):
                continue
            number = self.rounds.numbers[item.key]
            asked = restart_asked(self.plan, one, self.held, number, "Surgery was moved to another day", self.today)
            self.rows += [asked] if asked else []

    def _left_part(self, place: Place) -> None:
        """A part of an older round, or one that a wanted item does not need any more."""
        standing = self.held.own[place][1]
        number = self.rounds.numbers[place[0]]
        older = place[2] < number and not _stays_in_first(place)
        cls = status_class(standing)
        if cls not in ("open", "busy"):
            self._row(place, "history" if older else "keep", "done or over" if cls == "done" else "withdrawn before")
            return
        if place[1] == "appointment" and cls == "busy" and not older:
            self._row(place, "keep", "booked: the scheduler's")
            return
        reason = f"replaced by round {number}" if older else self._not_needed(place)
        answered = older and place[1] == "hold"
        worked_on = (cls == "busy" or touched(standing)) and not answered
        why = f"{reason}, but somebody works on it or changed it"
        if worked_on and self._dispute(place, ("status",), why, _all_digests(standing), reason) != "ours":
            self._row(place, "conflict" if self._open(place[0]) else "keep", why)
        else:
            self._row(place, "replace" if older else "withdraw", reason, after=withdrawn(standing, reason))

    def _not_needed(self, place: Place) -> str:
        """Why a part of an item that is wanted is not."""
        if place[1] != "appointment":
            return "not needed any more"
        taken_up = place[0] in self.visits.taken_up
        return "the visit has an appointment of the scheduler" if taken_up else "the clinic wants no proposals"

    def _left_item(self, found: Sequence[Place]) -> None:
        """An item that the plan does not want any more: withdrawn whole, or not at all."""
        parts = [(place, self.held.own[place][1]) for place in sorted(found, key=lambda p: (p[2], p[1]))]
        key = parts[0][0][0]
        attended, booked = key in self.visits.attended, key in self.visits.taken_up  # with a booking of somebody else
        alive = [] if attended else [(p, r) for p, r in parts if status_class(r) in ("open", "busy")]
        worked_on = [
            (p, r) for p, r in alive
            if status_class(r) == "busy" or (touched(r) and not _let_go_by_hand(p, r)) or self._answered(p)
        ]  # fmt: skip
        if any(_stays_in_first(p) and by_us(r) for p, r in parts):  # let go before: its booking waits
            worked_on = [(p, r) for p, r in worked_on if r["resourceType"] != "Appointment"]
        why = "no longer in the plan, but somebody works on it or changed it"
        if booked and not worked_on:
            worked_on, why = alive, "no longer in the plan, but the scheduler has booked it"
        asked: Outcome = "ours"
        if worked_on:
            place, resource = worked_on[0]
            asked = self._dispute(place, ("status",), why, _all_digests(resource), "unwanted")
        if booked and alive and asked == "ours":
            self.notices.append(BOOKED_STILL.format(key))
        for place, resource in parts:
            if (place, resource) not in alive:
                self._row(place, "keep", "done or withdrawn before")
            elif asked != "ours":
                self._row(place, "conflict" if asked == "asked" else "keep", why)
            elif resource["resourceType"] == "Appointment" and status_class(resource) == "busy":
                self._row(place, "keep", "booked: the scheduler's")
                self.notices.append(BOOKED_STILL.format(key))
            else:
                self._row(place, "withdraw", REASON, after=withdrawn(resource, REASON))

    def _answered(self, place: Place) -> bool:
        state = self.held.state.items.get(place[0])
        return place[1] == "hold" and state is not None and state.answer is not None and state.round == place[2]

    # gates, then the CarePlans

    def _gates(self) -> None:
        disputed = {q.key for q in self.questions}
        states = self.held.state.items.items()
        # what we withdrew and the plan wants again counts as it will stand then, not as settled by the withdrawal
        known = {k: replace(s, withdrawn_by_us=False) for k, s in states if k not in self.rounds.new}
        state = State(items=known)
        attended = self.visits.attended
        for place, resource in self.wanted.items():
            key, part, _ = place
            if key.kind != "gate":
                continue
            if part == "gate":
                seen = gate_state(
                    self.items[key], self.plan, state, attended=attended, disputed=disputed, today=self.today
                )
                wanted = {**resource, "status": "ready" if seen.ready else "requested"}
            else:
                need = next(n for n in self.items[key].needs if part == f"mirror:{n}")
                met = need not in disputed and need_met(
                    need, known.get(need), attended,
                    item=self.items.get(need), today=self.today, surgery=self.plan.surgery_day,
                )  # fmt: skip
                wanted = {**resource, "status": "completed" if met else "requested"}
            self._part(place, wanted)

    def _asked_about_care_plans(self) -> None:
        """What is asked about the CarePlans; known before any conflict Task is, for those are among their entries."""
        before = len(self.rows)
        for place, wanted in self.wanted.items():
            if place[0].kind in ("plan", "phase") and place in self.held.own:
                self._part(place, wanted)
        del self.rows[before:]

    def _care_plans(self) -> None:
        care_plans = CarePlans(self.plan, self.held, self.wanted, self.rows, tuple(self.settled))
        for place, wanted in care_plans.wanted_plans():
            if place in self.held.own:
                self._care_plan(place, wanted, self.held.own[place][1])
            else:
                self._row(place, "create", "", after=wanted)

    def _care_plan(self, place: Place, wanted: Resource, standing: Mapping[str, Any]) -> None:
        """As any other resource; what is ours by entry, and what the root says beside the groups, is written too."""
        first = len(self.rows)
        self._part(place, wanted)
        written = next((d for d in self.rows[first:] if d.after is not None), None)
        if written is None and status_class(standing) != "open":
            return
        base: Mapping[str, Any] = (written.after if written else None) or standing
        after = CarePlans.with_entries(base, wanted, self.plan if place[0] == PLAN_KEY else None)
        if after is None:
            return
        if written:
            self.rows.remove(written)
        word: Word = written.word if written else "write"
        groups = written.groups if written else ()
        self._row(place, word, "entries or settings changed", groups=groups, after=after)


def released_on(held: Holding, item: Item, today: date | None) -> date | None:
    """The day on which a person released a restriction, or the gate that ends it; today where no day is recorded."""
    states = [held.state.items.get(key) for key in (item.ending_gate, item.key) if key is not None]
    told = [own.done_on for own in states if own is not None and own.status == "completed"]
    return next((day for day in told if day and not to_come(day, today)), today)


def _surgery_of(verdicts: Mapping[str, Verdict], wanted: Mapping[str, Any], standing: Mapping[str, Any]) -> str:
    """The surgery for which a resource is offered: the one that its dates are of."""
    return offer(wanted if verdicts["when"] in ("same", "write") else standing, "surgery")


def _stays_in_first(place: Place) -> bool:
    return place[0].kind == "visit" and place[1] == "request"


def _let_go_by_hand(place: Place, resource: Mapping[str, Any]) -> bool:
    """True for what a person closed and did nothing else with: they do not need it either. Medicines are asked."""
    return place[0].kind not in MEDICINES and only_closed(resource)


def _all_digests(resource: Mapping[str, Any]) -> str:
    return "|".join(digest(resource, g) for g in GROUPS)


def _redirected(resource: Resource, references: Mapping[str, str]) -> Resource:
    if not references:
        return resource
    made: Resource = rewritten(resource, references)
    return made


def _standing(held: Sequence[Held], rows: Sequence[Decision]) -> tuple[Held, ...]:
    """What the server holds once every decision went through."""
    after = {d.reference: d.after for d in rows if d.after is not None and d.reference}
    kept = [(ref, after.get(ref, resource)) for ref, resource in held]
    made = [(f"{d.after['resourceType']}/{d.after['id']}", d.after) for d in rows if d.after and not d.reference]
    return (*kept, *made)
