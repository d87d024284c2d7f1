"""Who has an item in hand, until when it is put off, why it was closed: a Task about what is no Task itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from waykeeper.fhir.identity import own_identifier
from waykeeper.fhir.names import TASK_CODES
from waykeeper.fhir.recorded import achieved, done_on
from waykeeper.fhir.resource import Maker
from waykeeper.fhir.status import status_class
from waykeeper.fhir.told import IN_HAND
from waykeeper.fhir.write import LEADING, PLAN_KEY
from waykeeper.findings import WaykeeperError, finding
from waykeeper.gaps.others import ACHIEVED
from waykeeper.plan.model import NOT_DONE, Item, ItemState, Plan, State
from waykeeper.plan.validity import done_counts
from waykeeper.timing.model import Dates, Moment

Resource = dict[str, Any]
TITLE = "Have in hand"
# What the Task's own status says of the latest word.
STATUS: Mapping[str, str] = {
    "owner": "accepted", "snoozed": "on-hold", "closed": "completed", "reopened": "requested",
}  # fmt: skip
RETRACTED = ("output", "owner", "statusReason")  # what a Task entered in error said; its notes stay as history


def asks_still(item: Item, resource: Mapping[str, Any], zone: str, today: date | None) -> bool:
    """True where a resource is over and the list asks about its item all the same, so that a note is wanted.

    It failed or was refused, was done too early, on a day that has not come or on none where the day counts, a goal
    ended without being met, or a visit's request says that it was kept, which only an Encounter can say. What counts
    is never written over by a note.
    """
    if resource["resourceType"] == "Task" and resource.get("status") in NOT_DONE:
        return True
    if status_class(resource) != "done":
        return False
    unmet = resource["resourceType"] == "Goal" and (achieved(resource) or ACHIEVED[0]) not in ACHIEVED
    return unmet or item.key.kind == "visit" or not done_counts(item, done_on(resource, zone), today)


def task_in_hand(
    held: Sequence[tuple[str, Resource]], plan: Plan, state: State, item: Item, what: str, today: date | None = None
) -> tuple[str, Resource]:
    """The Task in hand about an item with the status that the word gives it; its reference is "" if it is a new one.

    A new round of the item has a new one, so that nobody's closing of the old date stands for the new one. One that was
    entered in error begins anew: whose it was and why it was closed do not come back with the next word. Raises
    WaykeeperError WKX240 where the item does not stand on the server, or is over.
    """
    own = _of_the_plan(state) if item.key == PLAN_KEY else state.items.get(item.key)
    about = own.references.get("plan" if item.key == PLAN_KEY else LEADING[item.key.kind][1], "") if own else ""
    if own is None or not about:
        raise WaykeeperError(finding("WKX240", f"{item.key} is not on the server"))
    stands = next((r for known, r in held if known == about), None)
    if own.cls not in ("open", "busy") and not (stands and asks_still(item, stands, plan.zone, today)):
        raise WaykeeperError(finding("WKX240", f"{item.key} is {own.status} already"))
    name = plan.episode.uuid(item.key.kind, item.key.item, IN_HAND, item.key.occurrence, own.round)
    ref, standing = next(((r, t) for r, t in held if own_identifier(t) == name), ("", None))
    if standing and standing.get("status") == "entered-in-error":
        standing = {k: v for k, v in standing.items() if k not in RETRACTED}
    return ref, (standing or _new(plan, item, about, name)) | {"status": STATUS[what]}


def _of_the_plan(state: State) -> ItemState:
    """The plan as a whole as an item: its CarePlan, which has one round."""
    standing = {"resourceType": "CarePlan", "status": state.plan_status}
    return ItemState(PLAN_KEY, state.plan_status, status_class(standing), references={"plan": state.plan_reference})


def plan_itself(plan: Plan) -> Item:
    """The plan's own row as an item, for the two words of the day's work that it takes; its last day is surgery."""
    day = Moment(plan.surgery_day) if plan.surgery_day else None
    return Item(PLAN_KEY, plan.pathway.title or plan.pathway.name, dates=Dates(at=day))


def comes_back(item: Item, until: date) -> str:
    """What is to be told where something is put off past its last day; "" else."""
    last = item.dates.last_day if item.key.kind != "restriction" else None  # it holds on while nobody asks
    stays = "; another day or side than the theatre list's stays on the list" if item.key == PLAN_KEY else ""
    if last is None or until <= last:
        return stays
    again = f"it stands on the list from {last.isoformat()} on all the same"
    return f"{stays}; nothing is put off past its last day: {again}"


def _new(plan: Plan, item: Item, about: str, name: str) -> Resource:
    maker = Maker(plan)
    made = maker.skeleton("Task", item.key, IN_HAND, f"{TITLE}: {item.title}")
    del made["extension"], made["id"]  # it is about an item and no part of the plan; the server names it
    return made | {
        "identifier": [{**made["identifier"][0], "value": name}],
        "intent": "plan",
        "code": {"coding": [{"system": TASK_CODES, "code": IN_HAND}], "text": TITLE},
        "description": f"{TITLE}: {item.title}",
        "focus": {"reference": about},
        "for": maker.subject,
    }
