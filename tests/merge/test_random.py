"""Random lives of a plan: people and schedulers edit, surgery moves, versions change, pushes go on."""

import uuid
from datetime import date, timedelta

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from effort import examples
from merge.small import BLOOD, CALL, HOLD, LATEX, READY, SURGERY, VISIT, WASH, WEIGHT, instant
from merge.stories import GONE, answer, complete, output, theirs
from merge.worlds import Memory
from waykeeper.fhir import identity, read_all, status_class
from waykeeper.fhir.extensions import find
from waykeeper.fhir.names import HOLD as HOLD_URL
from waykeeper.fhir.ownership import digest, offered_of
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.medicines import same_medicine
from waykeeper.merge import Decisions, withdraw
from waykeeper.merge.stripped import WRITTEN_AGAIN
from waykeeper.plan.holds import longer_now

OLDER = (("by: 1 week before surgery", "by: 8 days before surgery"),)
ORDERS = ("apixaban 5 mg tablet", "Apixaban 5mg", "rivaroxaban 20 mg tablet")  # what the same order names
VERSIONS = ((), OLDER, GONE)
ANAESTHETICS = ("general", "spinal", "unknown")  # apixaban: two days off, with a needle three, and where nobody knows
TASKS = ((CALL, "task"), (BLOOD, "task"), (WASH, "task"), (READY, "gate"), (LATEX, "ask"), (HOLD, "confirm"))
DAY = date(2026, 3, 1)


def standing_plan(world):
    return read_all(world.resources())[0][0]


def edit(world, key, part, **fields):
    """A person's edit, where the resource stands and is not over."""
    standing = world.at(key, part)
    if standing is not None and status_class(standing) in ("open", "busy"):
        world.edit(key, part, **fields)


def note(world, key, part, text):
    edit(world, key, part, note=[*(world.at(key, part) or {}).get("note", []), {"text": text}])


def act(world, move, state):
    """One thing that people or schedulers do."""
    kind, which, number = move
    key, part = TASKS[which % len(TASKS)]
    day = DAY + timedelta(days=number % 20)
    standing = world.at(key, part)
    alive = standing is not None and status_class(standing) in ("open", "busy")
    if kind == "note":
        text = f"note {uuid.uuid4()}"
        if alive:
            note(world, key, part, text)
            state["written"].add(text)
    elif kind == "due" and alive:
        edit(world, key, part, restriction={"period": {"end": day.isoformat()}})
    elif kind == "owner" and alive:
        edit(world, key, part, owner={"display": f"Nurse {number}"})
        state["owners"][identity(standing).uuid] = f"Nurse {number}"
    elif kind == "status" and alive:
        edit(world, key, part, status=("accepted", "in-progress", "on-hold", "cancelled")[number % 4])
    elif kind == "done" and alive:
        if key == HOLD:
            answer(world, number % 7, day)
            state["answered_for"] = standing_plan(world).anaesthesia
        else:
            told = {"output": [output("answer", valueString="no")]} if key == LATEX else {}
            complete(world, key, part, day, **told)
    elif kind == "book" and world.at(VISIT, "appointment") is not None:
        said = ("booked", "noshow", "fulfilled", "cancelled")[number % 4]
        edit(world, VISIT, "appointment", status=said, start=instant(day))
    elif kind == "theirs":
        theirs(world, day, ("booked", "fulfilled", "cancelled")[number % 3])
    elif kind == "release" and world.at(WEIGHT, "request") is not None:
        edit(world, WEIGHT, "request", status="completed")
    elif kind == "delete" and alive and state["deletes"]:
        state["deletes"] -= 1
        state["written"] -= {n["text"] for n in standing.get("note", [])}
        state["owners"].pop(identity(standing).uuid, None)
        world.delete(key, part)
    elif kind == "dose" and world.at(HOLD, "hold") is not None:
        parts = find(world.at(HOLD, "hold"), HOLD_URL)["extension"]
        said = [{**p, "valueInteger": number % 6} if p["url"] == "missedDays" else p for p in parts]
        others = [e for e in world.at(HOLD, "hold")["extension"] if e["url"] != HOLD_URL]
        edit(world, HOLD, "hold", extension=[*others, {"url": HOLD_URL, "extension": said}])
        state["answered_for"] = standing_plan(world).anaesthesia  # a number that a person wrote there is an answer
    elif kind == "strip" and standing is not None:
        # another system saves it, and keeps no extension that it does not know
        world.edit(key, part, extension=None)
    elif kind == "root":
        change = ({"title": f"Plan {number}"}, {"period": {"start": "2026-01-05", "end": day.isoformat()}})[number % 2]
        edit(world, PLAN_KEY, "plan", **change)
    elif kind == "withdraw":  # and wanted again by the next push
        world.send(withdraw(standing_plan(world), world.resources(), "cancelled", today=world.today))
    elif kind == "move":
        state["surgery"] = SURGERY + timedelta(days=7 * (number % 5))
    elif kind == "anaesthetic":
        state["anaesthesia"] = ANAESTHETICS[number % 3]
    elif kind == "order":
        state["words"] = ORDERS[number % 3]
    elif kind == "version":
        state["changes"] = VERSIONS[number % 3]


KINDS = (
    "note", "due", "owner", "status", "done", "book", "theirs", "release", "delete", "move", "version", "dose", "order",
    "anaesthetic", "strip", "root", "withdraw", "push", "push",
)  # fmt: skip
MOVES = st.lists(st.tuples(st.sampled_from(KINDS), st.integers(0, 5), st.integers(0, 19)), max_size=14)


def pushed(world, state) -> Decisions:
    wanted = {name: state[name] for name in ("surgery", "changes", "words", "anaesthesia")}
    made = world.push(**wanted)
    if any(WRITTEN_AGAIN in d.reason for d in made.changing):
        made = world.push(**wanted)  # what was answered on it is read once it says again what it is
    again = world.push(**wanted)
    assert again.changing == (), [d.json() for d in again.changing]
    assert [q.mark for q in again.conflicts] == [q.mark for q in made.conflicts]
    return made


def laws(world, state, made):
    """What must hold after every push."""
    own = [(identity(r), r) for _, r in world.resources() if identity(r)]
    uuids = [said.uuid for said, _ in own]
    assert len(uuids) == len(set(uuids)), "ids never collide"
    written = {n["text"] for _, r in own for n in r.get("note", [])}
    assert state["written"] <= written, "nothing a person wrote is lost"
    owners = {said.uuid: (r.get("owner") or {}).get("display") for said, r in own}
    assert {u: owners.get(u) for u in state["owners"]} == state["owners"], "nor whom they named"
    waiting = {q.key for q in made.conflicts}
    asked = [said.key for said, r in own if said.part == "conflict" and status_class(r) in ("open", "busy")]
    open_tasks = {str(key).removeprefix("conflict/") for key in asked}
    assert {str(k) for k in waiting} == open_tasks, "one open Task for each conflict, none without"
    wanted = {(str(i.key), i.key): i for i in made.plan.items}
    for said, resource in own:
        current = said.key in {k for _, k in wanted} and said.round == newest(own, said.key, said.part)
        alive = status_class(resource) in ("open", "busy") and resource["resourceType"] != "Appointment"
        if alive and said.key not in waiting and current and said.part in ("task", "gate", "ask"):
            item = wanted[str(said.key), said.key]
            stands = resource["restriction"]["period"]["end"]
            ours = stands == str(item.dates.at)
            assert ours or edited(resource), (said, stands, "no old date stands without a conflict")

    recorded = world.state().items.get(HOLD)
    anchor = standing_plan(world).anchor("surgery")
    assert anchor.moment.day == state["surgery"], "the plan says for which surgery its items are dated"
    for item in (i for i in made.plan.items if i.hold is not None and i.hold.answered is not None):
        told = recorded.answer if recorded is not None else None
        assert told is None or told.medicine is None or same_medicine(told.medicine, item.hold.medicine), (
            "an answer speaks for its medicine only"
        )
        assert state["anaesthesia"] == state["answered_for"] or not longer_now(item, item.hold.answered), (
            "nor do days of another anaesthetic stand where more are proposed for this one"
        )


def newest(own, key, part):
    return max(said.round for said, _ in own if (said.key, said.part) == (key, part))


def edited(resource) -> bool:
    """A person changed the dates after they were offered for this very plan."""
    return offered_of(resource)["when"] != [digest(resource, "when")]


@example([("note", 5, 0), ("done", 5, 0)])
@example([("done", 4, 0), ("strip", 4, 0)])
@example([("done", 5, 2), ("anaesthetic", 0, 1), ("push", 0, 0), ("done", 5, 3), ("anaesthetic", 0, 0)])
@example(
    [("done", 5, 2), ("push", 0, 0), ("order", 0, 2), ("push", 0, 0), ("move", 0, 1), ("push", 0, 0), ("order", 0, 0)]
)
@given(MOVES)
@settings(max_examples=examples(40), deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_whatever_happens_between_pushes(moves):
    world = Memory()
    state = {"surgery": SURGERY, "changes": (), "words": ORDERS[0], "anaesthesia": "general", "answered_for": "",
             "written": set(), "owners": {}, "deletes": 2}  # fmt: skip
    laws(world, state, pushed(world, state))
    for move in moves:
        if move[0] == "push":
            laws(world, state, pushed(world, state))
        else:
            act(world, move, state)
    laws(world, state, pushed(world, state))
