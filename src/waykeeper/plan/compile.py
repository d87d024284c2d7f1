"""Pathway + clinic + record + answers + anchors -> Plan. No clock and no I/O: the same input gives the same plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import lru_cache

from waykeeper.counting import counted
from waykeeper.findings import Finding, WaykeeperError, finding
from waykeeper.medicines import REASON_ONLY, MedicineRow, patient_facts, propose, recorded_cautions, rules_with
from waykeeper.pathway.model import Clinic, FactRule, Named, Pathway, PathwayItem
from waykeeper.pathway.times import POLICIES
from waykeeper.plan.against_record import record_notes
from waykeeper.plan.answers import digest, for_list
from waykeeper.plan.holds import hold_items, longer_now, pauses
from waykeeper.plan.model import (
    MEDICINES,
    Answers,
    Episode,
    HoldAnswer,
    Identifier,
    Item,
    Key,
    Letterhead,
    PathwayRef,
    Plan,
    PlanPhase,
)
from waykeeper.plan.open_days import closed_days
from waykeeper.plan.patient import patient_ref
from waykeeper.plan.prepared import PreparedItem, PreparedPoint, prepared
from waykeeper.plan.record_cautions import caution_notes, unanswered
from waykeeper.plan.surgery_day import surgery_notes
from waykeeper.plan.timeline import Timeline, anchors_of
from waykeeper.record import Fact, Record, facts, identifiers
from waykeeper.timing import TimingError, lateness, parse, precision, read_wall, roll, working_days_before
from waykeeper.timing.model import FIRST_MINUTE, LAST_MINUTE, Awaited, Dates, Moment, Window
from waykeeper.timing.phrases import At, DayOf, FromTo, Series, Until
from waykeeper.version import VERSION

Dated = tuple[Dates, tuple[str, ...]]
_LONG_AGO = Moment(date.min)
DUE_LEAD = 3  # working days before its due day from which a task without `from` is due


def compile(  # noqa: A001 - the verb of the trade and of the command
    pathway: Pathway,
    clinic: Clinic,
    record: Record,
    given: Mapping[str, Moment],
    *,
    side: str = "",
    anaesthesia: str = "unknown",
    identifier: Identifier | None = None,
    episode: int = 1,
    answers: Answers | None = None,
    surgeries: Sequence[tuple[str, Moment]] = (),
) -> Plan:
    """Compile one patient's dated plan.

    `given` maps anchor names to moments in the clinic's zone; `surgeries` are other live episodes of the patient by
    name: of two holds that meet the longer one is proposed, and both are named. Raises WaykeeperError: WKR102 patient
    without a business identifier, WKL101 missing anchor, WKL102 unknown anchor.
    """
    return _Compiler(pathway, clinic, record, given, side, anaesthesia, answers or Answers(), tuple(surgeries)).plan(
        episode_for(pathway, clinic, record, identifier, episode)
    )


def episode_for(
    pathway: Pathway, clinic: Clinic, record: Record, identifier: Identifier | None = None, number: int = 1
) -> Episode:
    """Which plan it is. Raises WaykeeperError WKR102 for a patient without a business identifier."""
    return Episode(clinic.url, pathway.url, identifier or patient_identifier(record, clinic), number)


def patient_identifier(record: Record, clinic: Clinic) -> Identifier:
    """The identifier in the clinic's own system, else the first. Raises WaykeeperError WKR102 where there is none."""
    found = identifiers(record.patient)
    own = [pair for pair in found if pair[0] == clinic.patient_identifier_system]
    if not found:
        raise WaykeeperError(finding("WKR102", "the Patient has no identifier with system and value"))
    return Identifier(*(own or found)[0])


@dataclass
class _Compiler:
    """The working state of one compile; lives no longer than the call."""

    pathway: Pathway
    clinic: Clinic
    record: Record
    given: Mapping[str, Moment]
    side: str
    anaesthesia: str
    answers: Answers
    surgeries: tuple[tuple[str, Moment], ...] = ()
    dated: dict[tuple[str, ...], Dated] = field(default_factory=dict)

    def plan(self, episode: Episode) -> Plan:
        self.anchors, notes = anchors_of(self.pathway, self.record, self.given, self.clinic.calendar, self.side)
        self.timeline = Timeline(self.anchors, self.answers, self.clinic.calendar, self._visit_day)
        self.surgery = self.given.get("surgery")
        self.facts = self._facts()
        self.cautions = recorded_cautions(self.record.resources, self.surgery.day if self.surgery else None)
        wanted = [one for one in prepared(self.pathway) if not (one.facts and self._excluded(one.rule))]
        chosen = [one.rule for one in wanted]
        items = [item for one in wanted if one.rule.kind != "hold" for item in self._items(one)]
        items += self._medicines(chosen)
        items = _with_needs(items, chosen)
        items += self._questions(items)
        phases = tuple(self._phase(p.name, p.title, p.days) for p in self.pathway.phases)
        return Plan(
            episode=episode,
            pathway=_pathway_ref(self.pathway),
            patient=patient_ref(self.record.patient, episode.patient),
            anchors=tuple(self.anchors.values()),
            zone=self.clinic.zone,
            side=self.side,
            anaesthesia=self.anaesthesia,
            letterhead=Letterhead(self.clinic.name, dict(self.clinic.telephone), dict(self.clinic.roles)),
            overlays=self.pathway.overlays,
            settings=self.clinic.settings,
            weekdays=tuple(sorted(self.clinic.calendar.weekdays)),
            closed=closed_days(self.clinic.calendar, items),
            phases=phases,
            items=tuple(items),
            answers=digest(self.answers, items, phases),
            cautions=tuple(caution.words for caution in self.cautions),
            waykeeper=VERSION,
            findings=tuple(notes + self._notes(items)),
            source_patient=self.record.patient,
        )

    # facts and conditions

    def _facts(self) -> dict[str, Fact]:
        day = self.surgery.day if self.surgery else None
        values = facts(self.record, self.pathway.facts, day)
        told = {name: said for name, said in self.answers.facts.items() if name in values and said in ("yes", "no")}
        return values | {name: _with_answer(values[name], Fact(said)) for name, said in told.items()}

    def _excluded(self, rule: PathwayItem) -> bool:
        """Only a certain "no" (or, for `unless`, a certain "yes") leaves an item out; unknown never hides it."""
        return any(self.facts.get(f) is Fact.NO for f in rule.only_if) or any(
            self.facts.get(f) is Fact.YES for f in rule.unless
        )

    def _undecided(self, names: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(f for f in names if self.facts.get(f) in (Fact.UNKNOWN, Fact.CONTRADICTORY))

    # items of the pathway file

    def _items(self, one: PreparedItem) -> list[Item]:
        undecided = self._undecided(one.facts) if one.facts else ()
        return [self._item(one.rule, point, undecided) for point in one.points]

    def _item(self, rule: PathwayItem, at: PreparedPoint, undecided: tuple[str, ...]) -> Item:
        point = at.point
        dates, arithmetic = self._dated(rule, at)
        return Item(
            key=at.key,
            title=rule.title,
            phase=rule.phase,
            who=rule.who,
            why=rule.why,
            source=rule.source,
            harm=rule.harm,
            phrase=point.phrase or rule.starts,
            window_phrase=rule.window or rule.starts or rule.at_least,
            dates=dates,
            words=dict(rule.words),
            overlays=rule.overlays,
            recognise=rule.recognise,
            minutes=rule.minutes,
            valid_for=rule.valid_for,
            redo=rule.redo,
            before=rule.before,
            released_by=rule.released_by,
            until=rule.until,
            measure=rule.measure,
            goal_target=rule.target,
            undecided=undecided,
            origin=rule.origin,
            arithmetic=arithmetic,
            changed_at=rule.changed_at,
        )

    def _dated(self, rule: PathwayItem, at: PreparedPoint) -> Dated:
        """Dates with their arithmetic; the many rules that count alike are counted once."""
        found = self.dated.get(at.counted)
        if found is None:
            found = self.dated[at.counted] = self._counted(rule, at.point)
        return found

    def _counted(self, rule: PathwayItem, point: Named) -> Dated:
        counted: Dated = getattr(self, f"_{rule.kind}_dates")(rule, point)
        return counted

    def _visit_day(self, name: str) -> Moment | None:
        for rule in self.pathway.items:
            if rule.kind == "visit" and rule.name == name and rule.at:
                return self._visit_dates(rule, rule.at[0])[0].at
        return None

    def _visit_dates(self, rule: PathwayItem, point: Named) -> Dated:
        target = self.timeline.when(point.phrase)
        if isinstance(target, Awaited):
            return Dates(awaited=target.event), (f"{point.phrase}: awaits {target.event}",)
        target = target.end if isinstance(target, Window) else target
        window = self.timeline.when(rule.window, target) if rule.window else Window(target, target)
        if not isinstance(window, Window):
            return Dates(awaited=getattr(window, "event", rule.window)), (f"{rule.window}: no window yet",)
        rolled = self._rolled(rule, target, self.timeline.on_its_side(point.phrase, target.day, window))
        at = target if rolled == target.day else Moment(rolled)
        late = lateness(target.day, window.end.day, self.clinic.settings.grace_days)
        dates = Dates(target, at, window, self._book_from(rule, window), late)
        lines = [_line(point.phrase, target), _line(rule.window or "window", window)]
        if at.day != target.day:
            why = self.clinic.calendar.closed.get(target.day, "the clinic is closed that day")
            lines.append(f"rolled {rule.roll}: {_shown(target)} is closed ({why}), so {_shown(at)}")
        return dates, tuple(lines)

    def _rolled(self, rule: PathwayItem, target: Moment, allowed: Window) -> date:
        """The open day; the target itself where none is left among the allowed days (of a visit a finding says so)."""
        try:
            day = roll(target.day, POLICIES[rule.roll], allowed, self.clinic.calendar)
        except TimingError as error:
            if error.code != "WKT205":  # beyond the calendar's years nobody knows which day is open
                raise
            return target.day
        return day if allowed.holds(day) else target.day

    def _book_from(self, rule: PathwayItem, window: Window) -> date | None:
        if rule.book_from:
            return self.timeline.day(rule.book_from)
        return date.fromordinal(window.start.day.toordinal() - self.clinic.settings.booking_lead_days)

    def _task_dates(self, rule: PathwayItem, point: Named) -> Dated:
        due = self.timeline.when(point.phrase)
        if isinstance(due, Awaited):
            return Dates(awaited=due.event), (f"{point.phrase}: awaits {due.event}",)
        lines = [_line(point.phrase, due)]
        start = self.timeline.when(rule.starts) if rule.starts else None
        if isinstance(due, Window):
            start, due = start or due.start, due.end
        at = self._task_rolled(rule, point.phrase, start, due, lines)
        window = Window(start, at) if isinstance(start, Moment) else None
        due_from = window.start.day if window else self._due_from(start, at.day)
        valid_from = self.timeline.day(rule.valid_for) if rule.valid_for else None
        if valid_from:
            lines.append(f"valid for: {rule.valid_for}, so not before {_shown(valid_from)}")
        return Dates(due, at, self._to_the_minute(window), due_from=due_from, valid_from=valid_from), tuple(lines)

    def _due_from(self, start: object, day: date) -> date:
        """The day from which a task without a start is due; its own day where only the hour of its start is missing."""
        only_hour = isinstance(start, Awaited) and start.hour
        return day if only_hour else working_days_before(day, DUE_LEAD, self.clinic.calendar)

    def _task_rolled(self, rule: PathwayItem, phrase: str, start: object, due: Moment, lines: list[str]) -> Moment:
        """The open day before a closed one, never before its start nor on the event that it follows.

        What is done at an event itself is done when that happens.
        """
        if not rule.roll or isinstance(parse(phrase), At | DayOf):
            return due
        first = start if isinstance(start, Moment) and start.day <= due.day else _LONG_AGO
        allowed = self.timeline.on_its_side(phrase, due.day, Window(first, due))
        day = self._rolled(rule, due, allowed)
        if day != due.day:
            lines.append(f"rolled earlier: {_shown(due)} is closed, so {_shown(Moment(day))}")
            return Moment(day)
        if not self.clinic.calendar.is_open(day):
            lines.append(f"not rolled earlier: from {_shown(allowed.start)} to {_shown(due)} the clinic is closed")
        return due

    def _instruction_dates(self, _: PathwayItem, point: Named) -> Dated:
        found = self.timeline.when(point.phrase)
        if isinstance(found, Awaited):
            return Dates(awaited=found.event), (f"{point.phrase}: awaits {found.event}",)
        at = found if isinstance(found, Moment) else None
        window = found if isinstance(found, Window) else None
        if window and _hour_of_an_event(point.phrase, window):
            window = _days_of(window)
        return Dates(target=at, at=at, window=self._to_the_minute(window)), (_line(point.phrase, found),)

    def _to_the_minute(self, window: Window | None) -> Window | None:
        """An hour that one end has is kept, and the other end's day begins or ends with its first or last minute.

        Two days instead would say "through Friday" of what must be done by Friday noon.
        """
        if window is None or _one_precision(window) or window.open_start:
            return window
        zone = window.start.zone or window.end.zone
        if window.start.whole_day:
            return Window(read_wall(window.start.day, FIRST_MINUTE, zone, "scheduled").moment, window.end)
        return Window(window.start, read_wall(window.end.day, LAST_MINUTE, zone, "earliest_allowed").moment)

    def _restriction_dates(self, rule: PathwayItem, _: Named) -> Dated:
        start = self.timeline.when(rule.starts)
        if not isinstance(start, Moment):
            return Dates(awaited=getattr(start, "event", rule.starts)), (f"{rule.starts}: not known yet",)
        earliest = self.timeline.day(rule.at_least) if rule.at_least else None
        lines = [_line(f"from {rule.starts}", start), f"ends by {rule.until}, never by a date"]
        if earliest:
            lines.append(f"at least {rule.at_least}: not before {_shown(earliest)}")
        return Dates(target=start, at=start, earliest=earliest), tuple(lines)

    def _gate_dates(self, _: PathwayItem, point: Named) -> Dated:
        found = self.timeline.when(point.phrase)
        if isinstance(found, Awaited):
            return Dates(awaited=found.event), (f"{point.phrase}: awaits {found.event}",)
        found = found.end if isinstance(found, Window) else found
        return Dates(target=found, at=found), (_line(point.phrase, found),)

    _goal_dates = _gate_dates

    def _phase(self, name: str, title: str, days: str) -> PlanPhase:
        found = self.timeline.when(days) if days else Awaited("its days")
        if isinstance(found, Awaited):
            return PlanPhase(name, title, days, Dates(awaited=found.event))
        window = Window(found, found) if isinstance(found, Moment) else found
        return PlanPhase(name, title, days, Dates(window=window if _one_precision(window) else _days_of(window)))

    # medicines and questions

    def _medicines(self, chosen: Sequence[PathwayItem]) -> list[Item]:
        """One item for each row of the list, even where the pathway has no hold item: nothing is dropped."""
        if self.surgery is None or not self.record.medicines:
            return []
        rule = next((r for r in chosen if r.kind == "hold"), None)
        rules = rules_with(self.clinic.medicine_words)
        answers, past = for_list(self.answers, self.record.medicines, rules)
        rows: Sequence[MedicineRow] = propose(
            self.record.medicines,
            self.surgery,
            self.record.kidney,
            self.anaesthesia,
            {**self.clinic.policies, **self.pathway.policies},
            calendar=self.clinic.calendar,
            answers=_reasons(answers) | past,
            surgeries=self.surgeries,
            facts=patient_facts(self.record.resources)
            | {name: str(value) for name, value in self.facts.items() if value in (Fact.YES, Fact.NO)},
            creatinine_days=(self.clinic.settings.creatinine_stale_days, self.clinic.settings.creatinine_refused_days),
            rules=rules,
        )
        if len(rows) != len(self.record.medicines):
            raise RuntimeError(f"{len(self.record.medicines)} medicines went in, {len(rows)} came out")
        items = hold_items(rows, rule, self.surgery, answers, self.clinic.calendar)
        return [_with_source(item, self.record) for item in items]

    def _questions(self, items: Sequence[Item]) -> list[Item]:
        """One question for each undecided fact that an item depends on, due at the earliest of them."""
        rules = {rule.name: rule for rule in self.pathway.facts}
        asked: dict[str, list[Item]] = {}
        for item in items:
            for name in item.undecided:
                asked.setdefault(name, []).append(item)
        return [self._question(rule, asked[name]) for name, rule in rules.items() if name in asked]

    def _question(self, rule: FactRule, dependents: Sequence[Item]) -> Item:
        days = [d for item in dependents if (d := _first_day(item.dates))]
        due = Moment(min(days)) if days else None
        contradictory = self.facts[rule.name] is Fact.CONTRADICTORY
        dates = Dates(awaited=dependents[0].dates.awaited or "a date of what depends on it")
        if due:
            dates = Dates(due, due, due_from=working_days_before(due.day, DUE_LEAD, self.clinic.calendar))
        return Item(
            key=Key("question", rule.name),
            title=rule.ask or f"Find out: {rule.name.replace('_', ' ')}",
            who="coordinator",
            why="The record says both yes and no" if contradictory else "The record does not say",
            harm=max(item.harm for item in dependents),
            dates=dates,
            fact=rule.name,
            asks_for=tuple(item.key for item in dependents),
            origin=rule.origin,
        )

    def _notes(self, items: Sequence[Item]) -> list[Finding]:
        notes = list(dict.fromkeys(self.timeline.noticed))
        if not self.side:
            notes.append(finding("WKL103", "the side of the operation is not stated"))
        if self.surgery:
            notes += surgery_notes(self.surgery, self.clinic.calendar, self.record)
        day = self.surgery.day if self.surgery else None
        notes += record_notes(self.record, self.pathway.title, self.side, day)
        notes += caution_notes(unanswered(self.cautions, self.pathway, day), "no item of this pathway answers it")
        for item in items:
            if item.key.kind == "visit" and item.dates.at and not self.clinic.calendar.is_open(item.dates.at.day):
                shown = _shown(item.dates.at)
                notes.append(finding("WKL107", f"{item.title}: {shown} is closed, and no open day is left"))
        return notes + _needed_too_late(items) + _answered_short(items)


def _pathway_ref(made: Pathway) -> PathwayRef:
    return PathwayRef(made.name, made.url, made.version, made.title, made.words)


def _with_source(item: Item, record: Record) -> Item:
    """The medicine's codes, and its source order by id or by business identifier: never by a bundle's own urn."""
    entry = next(e for e in record.medicines if e.key == item.key.item)
    if item.hold is None:
        return item
    reference = "" if entry.reference.startswith("urn:") else entry.reference
    if not reference and "|" in entry.key:
        reference = f"{entry.resource.get('resourceType')}?identifier={entry.key.partition('#')[0]}"
    return replace(item, hold=replace(item.hold, reference=reference, codes=entry.codes))


def _reasons(answers: Answers) -> dict[str, HoldAnswer]:
    """Answers that say only why a medicine is taken: they choose the rule. A decision never changes a proposal."""
    return {key.item: a for key, a in answers.holds.items() if a.decision == REASON_ONLY}


def _with_answer(recorded_value: Fact, told: Fact) -> Fact:
    """A person's answer settles unknown and contradictory; against a clear record it makes a contradiction."""
    if recorded_value in (Fact.UNKNOWN, Fact.CONTRADICTORY) or recorded_value is told:
        return told
    return Fact.CONTRADICTORY


def _with_needs(items: list[Item], rules: Sequence[PathwayItem]) -> list[Item]:
    """Give gates and tasks the keys of what they need. A hold item of the pathway stands for every medicine row."""
    by_name: dict[str, list[Key]] = {}
    for item in items:
        by_name.setdefault(item.key.item, []).append(item.key)
    rows = [item.key for item in items if item.key.kind in MEDICINES]
    for rule in rules:
        if rule.kind == "hold":
            by_name[rule.name] = rows
    by_name.setdefault("holds", rows)
    wanted: dict[tuple[str, str], tuple[str, ...]] = {(r.kind, r.name): r.needs for r in rules if r.needs}
    at = {item.key: item.dates.at for item in items if item.key.occurrence}
    made = []
    for item in items:
        names = wanted.get((item.key.kind, item.key.item))
        if not names:
            made.append(item)
            continue
        needs = [
            k
            for n in names
            for k in by_name.get(n, ())
            if k != item.key and not (k.occurrence and _after(at[k], item.dates.at))
        ]
        made.append(replace(item, needs=tuple(needs)))
    return made


def _needed_too_late(items: Sequence[Item]) -> list[Finding]:
    """WKL111, by the hour: that a need comes on a later day, `check` tells of the pathway itself."""
    by_key = {item.key: item for item in items}
    notes = []
    for item in items:
        own = item.dates.at
        for needed in (by_key[key] for key in item.needs):
            at = needed.dates.at
            if own and at and own.clock and at.clock and own.day == at.day and at.clock > own.clock:
                said = f"{item.title}, {_shown(own)}, needs what comes after it: {needed.title}, {_shown(at)}"
                notes.append(finding("WKL111", said))
    return notes


def _answered_short(items: Sequence[Item]) -> list[Finding]:
    """WKL112, of each medicine that was answered with fewer days than are proposed for what is known now."""
    notes = []
    for item in items:
        hold = item.hold
        if hold is not None and hold.fresh is not None and longer_now(item, hold.answered):
            given = counted(hold.missed_days or 0, "day") if hold.answered and pauses(hold.answered) else "no pause"
            proposed = counted(hold.fresh.missed_days or 0, "day")
            notes.append(finding("WKL112", f"{hold.words}: answered with {given}, {proposed} are proposed now"))
    return notes


def _after(needed: Moment | None, own: Moment | None) -> bool:
    """A point of an item that comes after the day of what needs it cannot be needed by it."""
    return needed is not None and own is not None and needed.day > own.day


def _first_day(dates: Dates) -> date | None:
    if dates.at:
        return dates.at.day
    return dates.window.start.day if dates.window else None


def _one_precision(window: Window) -> bool:
    """Both ends with a clock or both without: a Period of mixed precision is refused (`per-1` comes out empty)."""
    return window.start.whole_day == window.end.whole_day


def _days_of(window: Window) -> Window:
    return Window(Moment(window.start.day), Moment(window.end.day))


def _hour_of_an_event(phrase: str, window: Window) -> bool:
    """True where the one hour of a window is only that of an event (`to surgery`): the phrase itself speaks of days."""
    spoken = parse(phrase)
    span = spoken.span if isinstance(spoken, Series) else spoken
    if _one_precision(window) or not isinstance(span, FromTo | Until):
        return False
    end = span.start if isinstance(span, FromTo) and window.end.whole_day else span.end
    return precision(end) == "event"


def _shown(moment: Moment | date) -> str:
    if type(moment) is Moment and moment.clock:
        return f"{_day_shown(moment.day)} {moment.clock:%H:%M}"
    return _day_shown(moment.day if type(moment) is Moment else moment)


@lru_cache(maxsize=4096)
def _day_shown(day: date) -> str:
    return f"{day:%a} {day.isoformat()}"


def _line(phrase: str, found: Moment | Window) -> str:
    if isinstance(found, Window):
        return f"{phrase}: {_shown(found.start)} to {_shown(found.end)}"
    return f"{phrase}: {_shown(found)}"
