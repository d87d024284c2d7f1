"""When things happen for one patient: anchors with their standing, and every event that phrases may count from."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache

from waykeeper.findings import Finding, WaykeeperError, finding
from waykeeper.pathway.model import AnchorRule, Pathway
from waykeeper.plan.model import Answers
from waykeeper.record import Record, of_other_side, recorded
from waykeeper.timing import TimingError, events, on_its_side, parse, resolve
from waykeeper.timing.model import Anchor, Awaited, Moment, Standing, Window, WorkingCalendar


@dataclass
class Timeline:
    """Resolves phrases for one patient. `visit_day` gives the rolled day of a planned visit, once asked.

    `noticed` are times that do not exist on their day (WKT202). Not a value: it remembers what it resolved during one
    compile.
    """

    anchors: Mapping[str, Anchor]
    answers: Answers
    calendar: WorkingCalendar
    visit_day: Callable[[str], Moment | None] = lambda _: None
    noticed: list[Finding] = field(default_factory=list)
    _memory: dict[str, Moment | None] = field(default_factory=dict)
    _phrases: dict[str, Moment | Window | Awaited] = field(default_factory=dict)

    def when(self, phrase: str, target: Moment | None = None) -> Moment | Window | Awaited:
        """The phrase as a moment or a window of moments; Awaited where an event is not known yet.

        A series gives its window: what repeats inside it stays in the phrase.
        """
        if target is not None:
            return self._resolved(phrase, target)
        if phrase not in self._phrases:
            self._phrases[phrase] = self._resolved(phrase, None)
        return self._phrases[phrase]

    def _resolved(self, phrase: str, target: Moment | None) -> Moment | Window | Awaited:
        names = _events(phrase)
        for name in names:
            if name != "target":
                self.event(name)
        known = self._memory if target is None else {**self._memory, "target": target}
        try:
            found = resolve(parse(phrase), known, self.calendar, report=self.noticed.append)
        except TimingError as error:
            if error.code == "WKT201":  # hours before a day without a clock: the time of day is what is missing
                return Awaited("the time of day of " + ", ".join(names), hour=True)
            raise
        if isinstance(found, Moment):
            return plain(found)
        if isinstance(found, Awaited):
            return found
        if not isinstance(found, Window):
            self.noticed.extend(found.findings())
            found = found.window
        start, end = plain(found.start), plain(found.end)
        return found if start is found.start and end is found.end else Window(start, end)

    def on_its_side(self, phrase: str, day: date, window: Window) -> Window:
        """The days of a window to which a point phrase that gave `day` may be rolled."""
        return on_its_side(parse(phrase), day, window, self._memory, self.calendar)

    def day(self, phrase: str) -> date | None:
        """The day of a point phrase; None while it is awaited."""
        found = self.when(phrase)
        return found.day if isinstance(found, Moment) else None

    def event(self, name: str) -> Moment | None:
        """The moment of an event as the grammar names it: an anchor, `visit X`, `release of G`, `completion of I`."""
        if name not in self._memory:
            self._memory[name] = self._find(name)
        return self._memory[name]

    def _find(self, name: str) -> Moment | None:
        if name in self.anchors:
            return self.anchors[name].moment
        if name.startswith("visit "):
            return self.visit_day(name.removeprefix("visit "))
        if name.startswith("release of "):
            return _moment(self.answers.released.get(name.removeprefix("release of ")))
        item = name.removeprefix("completion of ")
        days = [day for key, day in self.answers.completed.items() if key.item == item]
        return _moment(max(days)) if days else None


@lru_cache(maxsize=2048)
def _events(phrase: str) -> tuple[str, ...]:
    """The names of the events that a phrase counts from."""
    return tuple(sorted(str(event) for event in events(parse(phrase))))


def _moment(day: date | None) -> Moment | None:
    return Moment(day) if day else None


def plain(moment: Moment) -> Moment:
    """One way to write a moment: a whole day has no zone, so that equal moments are equal."""
    return Moment(moment.day) if moment.clock is None and (moment.zone or moment.fold) else moment


def anchors_of(
    pathway: Pathway, record: Record, given: Mapping[str, Moment], calendar: WorkingCalendar, side: str = ""
) -> tuple[dict[str, Anchor], list[Finding]]:
    """Every anchor with its standing: recorded outranks given, given outranks assumed.

    Raises WaykeeperError (WKL101, WKL102): a required anchor without a moment, or one that the pathway does not know.
    """
    names = {rule.name for rule in pathway.anchors}
    problems = [
        finding("WKL102", f"the pathway {pathway.name} has no anchor {name!r}", help=f"Anchors: {', '.join(names)}.")
        for name in given
        if name not in names
    ]
    problems += [
        finding("WKL101", f"the pathway {pathway.name} needs the date of {rule.name}")
        for rule in pathway.anchors
        if rule.required and rule.name not in given
    ]
    if problems:
        raise WaykeeperError(problems)
    anchors: dict[str, Anchor] = {}
    notes: list[Finding] = []
    for rule in pathway.anchors:
        anchor, note = _anchor(rule, record, given, anchors, calendar, side)
        anchors[rule.name] = anchor
        notes += note
    return anchors, notes


def _anchor(
    rule: AnchorRule,
    record: Record,
    given: Mapping[str, Moment],
    before: Mapping[str, Anchor],
    calendar: WorkingCalendar,
    side: str,
) -> tuple[Anchor, list[Finding]]:
    planned = given.get(rule.name)
    signs = tuple(f"{kind} {code}" for kind, codes in sorted(rule.recognise.items()) for code in codes)
    surgery = planned if rule.required else (before["surgery"].moment if "surgery" in before else None)
    proof = recorded(record, rule, calendar.zone, surgery, side) if rule.recognise else None
    other = of_other_side(record, rule, calendar.zone, surgery, side) if rule.recognise and not proof else ""
    notes = (
        [finding("WKL110", f"{other} of the planned day names another side than the plan ({side})")] if other else []
    )
    if proof:
        moment, evidence = proof
        if planned and planned.day == moment.day:
            moment = planned  # the planned clock stays: it is what the other times were computed from
        anchor = Anchor(rule.name, plain(moment), Standing.RECORDED, "", evidence, signs)
        return anchor, _differs(rule.name, planned, moment)
    if planned:
        return Anchor(rule.name, plain(planned), Standing.GIVEN, recognise=signs), notes
    if rule.assume:
        found = Timeline(before, Answers(), calendar).when(rule.assume)
        if isinstance(found, Moment):
            return Anchor(rule.name, found, Standing.ASSUMED, rule.assume, recognise=signs), notes
    return Anchor(rule.name, None, Standing.AWAITED, rule.assume, recognise=signs), notes


def _differs(name: str, planned: Moment | None, recorded_at: Moment) -> list[Finding]:
    if planned is None or planned.day == recorded_at.day:
        return []
    found = f"{name} was given as {planned.day}, the record proves {recorded_at.day}; the recorded day is used"
    return [finding("WKL104", found)]
