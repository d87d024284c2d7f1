"""Lives of one plan on a running server, beside a model of it: whatever people and the scheduler do, in any order.

The model holds what people recorded, where surgery stands, which version is followed and whether the plan is in force.
After each step the server is read and must equal it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from merge.small import BLOOD, CALL, HOLD, LATEX, SURGERY, VISIT, WASH, compiled, instant
from merge.stories import GONE, output
from merge.worlds import Live
from waykeeper.exchange.moving import Mover
from waykeeper.exchange.pushing import PlanRefusedError, Why, push
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import answers, belongs, bundle, identity, read_all, status_class
from waykeeper.fhir.write import LEADING

NOW = datetime(2026, 3, 1, 18, tzinfo=UTC)
OLDER = (("by: 1 week before surgery", "by: 8 days before surgery"),)
VERSIONS = ((), OLDER, GONE)
TASKS = (CALL, BLOOD, WASH)
DAYS = st.integers(0, 25).map(lambda n: date(2026, 2, 10) + timedelta(days=n))


@dataclass
class Model:
    """What must stand on the server."""

    surgery: date = SURGERY
    changes: tuple = ()
    in_force: bool = False
    exists: bool = False
    recorded: dict[str, dict] = field(default_factory=dict)  # reference -> elements that a person wrote
    bookings: dict[str, dict] = field(default_factory=dict)  # reference -> the scheduler's Appointment, whole


class Life(RuleBasedStateMachine):
    """One life. Subclasses name the server: `base` and `form`."""

    base = ""
    form = "post"

    @initialize()
    def begin(self):
        self.world, self.model = Live(self.base, self.form), Model()

    # what the tool does

    def again(self, **wish):
        """Compile as a move does, from what stands."""
        surgery, changes = wish.get("surgery", self.model.surgery), wish.get("changes", self.model.changes)
        return lambda old, state, held: compiled(
            self.world.identifier, surgery, changes=changes, answers=answers(state)
        )

    def mover(self, reason="theatre closed"):
        return Mover(self.world.server, NOW, Why("move", "Ruth Alderman, RN", reason))

    @rule()
    def compile_and_push(self):
        plan = self.world.plan(surgery=self.model.surgery, changes=self.model.changes)
        try:
            report = push(bundle(plan), self.world.server, now=NOW)
        except PlanRefusedError as refused:
            assert not self.model.in_force and [f.code for f in refused.findings] == ["WKU105"]
            return
        finally:
            self.world._read = None
        assert self.model.in_force or not self.model.exists
        assert report.findings == ()
        self.model.in_force = self.model.exists = True
        second = push(bundle(plan), self.world.server, now=NOW)
        assert second.changes == () and not second.sent
        self.world._read = None

    @precondition(lambda self: self.model.exists)
    @rule(weeks=st.integers(-1, 4))
    def move(self, weeks):
        surgery = SURGERY + timedelta(weeks=weeks)
        moved = self.mover().move(self.world.identifier, self.again(surgery=surgery), reinstate=True)
        assert moved.findings == ()
        self.model.surgery, self.model.in_force = surgery, True
        second = self.mover().move(self.world.identifier, self.again(surgery=surgery), reinstate=True)
        assert not second.sent and second.new.items == moved.new.items
        self.world._read = None

    @precondition(lambda self: self.model.in_force)
    @rule(number=st.integers(0, 2))
    def upgrade(self, number):
        moved = self.mover("new version").move(self.world.identifier, self.again(changes=VERSIONS[number]))
        assert moved.findings == ()
        self.model.changes = VERSIONS[number]
        self.world._read = None

    @precondition(lambda self: self.model.in_force)
    @rule(suspended=st.booleans())
    def cancel(self, suspended):
        report = withdraw(self.world.server, self.world.identifier, "flood", suspended=suspended, now=NOW)
        assert report.findings == () and report.sent
        self.model.in_force = False
        self.world._read = None

    @precondition(lambda self: self.model.in_force)
    @rule(weeks=st.integers(1, 3))
    def there_and_back(self, weeks):
        """For what nobody touched, moving there and back gives the first plan again."""
        first = self.untouched()
        for day in (self.model.surgery + timedelta(weeks=weeks), self.model.surgery):
            self.mover().move(self.world.identifier, self.again(surgery=day))
            self.world._read = None
        again = self.untouched()
        assert {k: v for k, v in again.items() if k in first} == {k: v for k, v in first.items() if k in again}
        assert set(first) <= set(again) or self.model.recorded

    # what people do

    def edit(self, key, part, **fields):
        held = self.world._held(key, part)
        if held is None or status_class(held[1]) not in ("open", "busy"):
            return
        ref, _ = held
        self.world.edit(key, part, **fields)
        self.model.recorded.setdefault(ref, {}).update(fields)

    @precondition(lambda self: self.model.in_force)
    @rule(which=st.integers(0, 2), day=DAYS)
    def complete(self, which, day):
        self.edit(TASKS[which], "task", status="completed", executionPeriod={"end": day.isoformat()})

    @precondition(lambda self: self.model.in_force)
    @rule(which=st.integers(0, 2), number=st.integers(0, 9))
    def take_up(self, which, number):
        fields = {"status": "in-progress", "owner": {"display": f"Nurse {number}"}}
        self.edit(TASKS[which], "task", **fields, note=[{"text": f"seen {number}"}])

    @precondition(lambda self: self.model.in_force)
    @rule(days=st.integers(0, 5), day=DAYS)
    def answer(self, days, day):
        told = [output("decision", valueString="hold"), output("missed-days", valueInteger=days)]
        self.edit(HOLD, "confirm", status="completed", executionPeriod={"end": day.isoformat()}, output=told)

    @precondition(lambda self: self.model.in_force)
    @rule(said=st.sampled_from(["yes", "no"]))
    def answer_question(self, said):
        self.edit(LATEX, "ask", status="completed", output=[output("answer", valueString=said)])

    @precondition(lambda self: self.model.in_force)
    @rule(day=DAYS)
    def stop(self, day):
        self.edit(HOLD, "stop", status="completed", executionPeriod={"end": day.isoformat()})

    @precondition(lambda self: self.model.exists)
    @rule(number=st.integers(0, 60), status=st.sampled_from(["booked", "fulfilled", "noshow"]), ours=st.booleans())
    def book_or_attend(self, number, status, ours):
        day = date(2026, 3, 20) + timedelta(days=number)
        fields = {"status": status, "start": instant(day), "end": instant(day, 10)}
        held = self.world._held(VISIT, "appointment")
        if ours and held is not None and held[1]["status"] in ("proposed", "booked"):
            self.world.edit(VISIT, "appointment", **fields)
            self.model.recorded[held[0]] = fields
            return
        made = {
            "resourceType": "Appointment", **fields, "comment": f"Room {number}",
            "basedOn": [{"reference": self.world.ref(VISIT, "request", 1)}],
            "participant": [{"actor": {"reference": self.world.patient}, "status": "accepted"}],
        }  # fmt: skip
        self.model.bookings[self.world.add(made)] = made

    # what must hold

    def own(self):
        episode = compiled(self.world.identifier).episode
        found = [(ref, r, identity(r)) for ref, r in self.world.resources()]
        return [(ref, r, said) for ref, r, said in found if said is not None and belongs(said, episode)]

    def untouched(self):
        """The items as the server holds them, but for those with work of people, with their dates."""
        plan, state = next((p, s) for p, s in read_all(self.world.resources()))
        busy = {said.key for ref, _, said in self.own() if ref in self.model.recorded}
        alive = {k for k, s in state.items.items() if s.cls == "open"}
        return {i.key: i.dates for i in plan.items if i.key in alive - busy and not i.needs and i.key != HOLD}

    @invariant()
    def nothing_that_people_recorded_is_lost(self):
        held = dict(self.world.resources())
        for ref, fields in self.model.recorded.items():
            for name, value in fields.items():
                stands = held[ref].get(name)
                if name == "status" and value == "in-progress":
                    continue  # only a withdrawal takes open work back, with its reason
                assert _same(stands, value), (ref, name, stands, value)
        for ref, booking in self.model.bookings.items():
            for name in ("status", "start", "end", "comment"):
                assert _same(held[ref].get(name), booking.get(name)), (ref, name)

    @invariant()
    def the_server_equals_the_model(self):
        found = [(p, s) for p, s in read_all(self.world.resources())]
        assert len(found) == int(self.model.exists)
        if not found:
            return
        plan, state = found[0]
        surgery = plan.anchor("surgery")
        assert surgery is not None and surgery.moment is not None and surgery.moment.day == self.model.surgery
        assert (state.plan_status == "active") == self.model.in_force and bool(plan.withdrawn) != self.model.in_force
        uuids = [said.uuid for _, _, said in self.own()]
        assert len(uuids) == len(set(uuids))
        if self.model.in_force:
            self.no_old_date_stands(state)

    def no_old_date_stands(self, state):
        """Open work bears the dates of the surgery that stands, unless a person is asked about it."""
        wanted = compiled(self.world.identifier, self.model.surgery, changes=self.model.changes, answers=answers(state))
        asked = {str(said.key).removeprefix("conflict/") for _, r, said in self.own() if said.part == "conflict"}
        newest = {}
        for _, _, said in self.own():
            newest[said.key, said.part] = max(newest.get((said.key, said.part), 0), said.round)
        items = {i.key: i for i in wanted.items}
        for _, resource, said in self.own():
            leading = said.key.kind == "task" and said.part == LEADING["task"][1]
            current = said.round == newest[said.key, said.part] and said.key in items and str(said.key) not in asked
            if leading and current and status_class(resource) in ("open", "busy"):
                assert resource["restriction"]["period"]["end"] == str(items[said.key].dates.at), said


def _same(stands, wanted) -> bool:
    """By value: a server may write an instant in another form."""
    if isinstance(stands, str) and isinstance(wanted, str) and "T" in wanted:
        return datetime.fromisoformat(stands) == datetime.fromisoformat(wanted)
    if isinstance(wanted, list) and isinstance(stands, list):
        return all(any(_same(s, w) for s in stands) for w in wanted)
    if isinstance(wanted, dict) and isinstance(stands, dict):
        return all(_same(stands.get(k), v) for k, v in wanted.items())
    return stands == wanted
