"""What a plan names as its part and is not there: deleted on a server that lets go of what others refer to.

And plans that are not there themselves while their phases are.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from waykeeper.fhir.identity import Identity, belongs, episode_of, identity, is_computed, named_by, own_identifier
from waykeeper.fhir.ownership import mark, offered_of
from waykeeper.fhir.status import status_class
from waykeeper.fhir.write import LEADING, surgery_day
from waykeeper.plan.model import Key, Plan, State
from waykeeper.record import Medications, identifier_names, names_of, relative, says_which

Held = tuple[str, Mapping[str, Any]]
GONE = (
    "the plan names it and it is not there: deleted, or left out of what was read; push the plan to be asked whether it"
    " is made again"
)
MANY_GONE = (
    "{count} parts that the plan names are not there: deleted, or left out of what was read. What they ask for is on no"
    " list. Read the whole plan, or restore what the server lost; a push asks which are made again. Among them: {some}"
)
A_PART = "a part of the plan"
MEDICATION = "Medication"
MANY = 20  # parts of one plan: more of them are told in one sentence
# Parts beside the leading one. A proposed Appointment is none of them: its request still asks for the visit.
PARTS: Mapping[str, tuple[str, ...]] = {
    "visit": ("request",),
    "hold": ("hold", "confirm", "stop", "restart"),
    "medicine": ("review", "stop", "restart"),
    "restriction": ("request", "flag"),
}
A_FEW = 3  # parts of one type that may have been deleted one by one until none is left (common practice, no source)
DELETED, WANTED = "deleted", "wanted"  # both sides of the question that a push asks about it


def entries(root: Mapping[str, Any]) -> list[str]:
    """What the root refers to as its parts, as `Type/id` or urn."""
    direct = [*(root.get("goal") or ()), *(root.get("supportingInfo") or ())]
    references = (*direct, *(a.get("reference") or {} for a in root.get("activity") or ()))
    return [relative(str(r["reference"])) for r in references if r.get("reference")]


@dataclass(frozen=True, slots=True)
class Types:
    """Types of which there is something, and how many parts of each type all plans in force name together.

    Of Medications it is whether any is there that an order points at, and of how many orders nothing else says what
    they are.
    """

    there: frozenset[str]
    named: Mapping[str, int]

    def __or__(self, other: Types) -> Types:
        """Of both together, as if they had been read at once."""
        both = {kind: self.named.get(kind, 0) + other.named.get(kind, 0) for kind in {*self.named, *other.named}}
        return Types(self.there | other.there, both)

    @property
    def left_out(self) -> frozenset[str]:
        """The types that plans name and of which nothing was read, where that is no matter of a few deletions.

        An export of some types only has none of the others: then that is said once, and not of each part of each plan.
        """
        absent = {kind: count for kind, count in self.named.items() if kind not in self.there}
        return frozenset(absent) if any(count > A_FEW for count in absent.values()) else frozenset()


def types_of(held: Sequence[Held]) -> Types:
    """Which types were read, and which the plans among them name."""
    there = frozenset({str(r.get("resourceType")) for _, r in held})
    named: dict[str, int] = {}
    for _, root in held:
        if root.get("resourceType") == "CarePlan" and episode_of(root) is not None and status_class(root) == "open":
            for kind in [ref.partition("/")[0] for ref in entries(root) if "/" in ref]:
                named[kind] = named.get(kind, 0) + 1
    named.pop("Appointment", None)  # a proposal is nobody's loss: its request still asks for the visit
    orders = [r for _, r in held if "medicationReference" in r]
    blind = [r for r in orders if not (r["medicationReference"] or {}).get("display")]
    if blind:
        known = Medications(held)
        named[MEDICATION] = sum(not says_which(r, known) for r in blind)
        there = there - {MEDICATION} | ({MEDICATION} if any(map(known.found, orders)) else set())
    return Types(there, named)


def gone(
    root: Mapping[str, Any],
    plan: Plan,
    own: Sequence[Identity],
    theirs: Sequence[Held],
    left_out: frozenset[str] = frozenset(),
) -> Iterator[str]:
    """What is gone of a plan in force, each in a sentence, named where another part of the plan tells which it was.

    own        the parts of the plan that are there
    theirs     everything of its patient
    left_out   types of which nothing at all was read

    A push takes what is gone out of the root's entries, and asks; what a person answered, and what a newer round stands
    for, is no news. Entries may be somebody else's: where a server gives the ids only as many are told as are lacking.
    """
    if plan.withdrawn or status_class(root) != "open":
        return
    there = {relative(ref) for ref, _ in theirs}
    known = left_out | {"Appointment"}
    dangling = [ref for ref in entries(root) if ref not in there and ref.partition("/")[0] not in known]
    if not dangling:
        return
    lacking = _lacking(root, plan, theirs) - {one.uuid for one in own}  # those that lost our identifier too
    names = _names(plan, own) if lacking else {}
    lacking -= {uuid for uuid, key in names.items() if not key}
    titles = _titles(plan, theirs) if lacking else {}
    called = {uuid: titles.get(key, key) for uuid, key in names.items()}
    computed = [ref for ref in dangling if ref.partition("/")[2] in lacking]
    told = [f"{called.get(ref.partition('/')[2]) or A_PART} ({ref})" for ref in computed]
    nameless = lacking - {ref.partition("/")[2] for ref in computed}
    others = [ref for ref in dangling if not _is_computed(ref, root)]
    places = ", ".join(others) if len(others) <= MANY else f"{', '.join(others[:A_FEW])} and {len(others) - A_FEW} more"
    told += [f"{called.get(uuid) or A_PART} (one of {places})" for uuid in sorted(nameless)[: len(others)]]
    if len(told) <= MANY:
        yield from (f"{one}: {GONE}" for one in told)
        return
    yield MANY_GONE.format(count=len(told), some="; ".join(told[:A_FEW]))


def _is_computed(ref: str, root: Mapping[str, Any]) -> bool:
    return ref.partition("/")[2] in offered_of(root).get("ever", ())


def _lacking(root: Mapping[str, Any], plan: Plan, theirs: Sequence[Held]) -> set[str]:
    """The ids that were offered and that nothing carries, but for those that a person let go."""
    told = offered_of(root)
    there = {name for _, r in theirs for name in named_by(r)}
    settled, day = set(map(str, told.get("settled", ()))), surgery_day(plan)
    ever = set(map(str, told.get("ever", ()))) - there
    return {uuid for uuid in ever if mark(uuid, DELETED, WANTED, day) not in settled}


def _names(plan: Plan, own: Sequence[Identity]) -> dict[str, str]:
    """The computed ids of parts -> the item, "" for a part of a round that a newer one stands for."""
    newest: dict[Key, int] = {key: 1 for item in plan.items for key in (*item.needs, *item.asks_for)}
    for one in own:
        newest[one.key] = max(one.round, newest.get(one.key, 1))
    found: dict[str, str] = {}
    for key, last in newest.items():
        for part in PARTS.get(key.kind) or ((LEADING[key.kind][1],) if key.kind in LEADING else ()):
            for number in range(1, last + 1):
                uuid = plan.episode.uuid(key.kind, key.item, part, key.occurrence, number)
                found[uuid] = str(key) if number == last or key.kind == "visit" else ""
    return found


def _titles(plan: Plan, theirs: Sequence[Held]) -> dict[str, str]:
    """The items -> what people call them: an item that is gone itself by what its other parts say of it."""
    found = {str(item.key): item.title for item in plan.items if item.title}
    for _, resource in theirs:
        said = str(resource.get("description") or (resource.get("code") or {}).get("text") or "")
        known = identity(resource) if said else None
        if known is not None and belongs(known, plan.episode):
            found.setdefault(str(known.key), said)
    return found


def rootless(held: Sequence[Held], plans: Sequence[tuple[Plan, State]]) -> list[tuple[str, str]]:
    """(patient, root) of each plan in force that is not read: parts are there, its own CarePlan does not say it.

    The root is what the plan's phases name; "" where they are not there either.

    plans   those that were read; the copy of a plan may lie under another reference than its phases name
    """
    roots = {state.plan_reference for _, state in plans}
    found = {}
    for _, phase in held:
        if phase.get("resourceType") != "CarePlan" or not phase.get("partOf"):
            continue
        root = relative(str(phase["partOf"][0].get("reference") or ""))
        if root in roots or root in found or status_class(phase) != "open" or (known := identity(phase)) is None:
            continue
        if not any(belongs(known, plan.episode) for plan, _ in plans):
            found[root] = _patient_of(phase)
    found |= {root: patient for root, patient in _silent(held, plans) if root not in found}
    named = set(found.values())
    lost = [(patient, "") for patient in _without_plan(held, plans) if patient not in named]
    return [*((patient, root) for root, patient in found.items()), *lost]


def _silent(held: Sequence[Held], plans: Sequence[tuple[Plan, State]]) -> Iterator[tuple[str, str]]:
    """(root, patient) of each CarePlan in force that has our number and says nothing else of ours: nor may its parts.

    Not of a copy of a plan that was read.
    """
    bare = [
        (ref, root, number)
        for ref, root in held
        if root.get("resourceType") == "CarePlan" and not root.get("partOf") and status_class(root) == "open"
        if (number := own_identifier(root)) and is_computed(number) and episode_of(root) is None
    ]
    read = {plan.episode.uuid("plan", "plan", "plan") for plan, _ in plans} if bare else set()
    yield from ((ref, _patient_of(root)) for ref, root, number in bare if number not in read)


def _patient_of(care_plan: Mapping[str, Any]) -> str:
    subject = care_plan.get("subject") or {}
    return relative(str(subject.get("reference") or "")) or "a patient who is not named"


def _without_plan(held: Sequence[Held], plans: Sequence[tuple[Plan, State]]) -> list[str]:
    """The patients of whom parts of a plan in force are here, and no CarePlan of it, not even a phase."""
    known = {name for plan, _ in plans for name in (str(plan.patient.identifier), *plan.patient.merged)}
    plans_of = [r for _, r in held if r.get("resourceType") == "CarePlan" and (episode_of(r) or identity(r))]
    known |= {name for r in plans_of for name in names_of([r.get("subject") or {}])}
    numbers = {ref: identifier_names(r) for ref, r in held if r.get("resourceType") == "Patient"}
    planned: dict[tuple[str, ...], bool] = {(): True}  # by the names in a pointer, which most of a patient's share
    found: dict[str, None] = {}
    for _, part in held:
        names = names_of([part.get("subject") or part.get("for") or part.get("patient") or {}])
        if names not in planned:
            planned[names] = not known.isdisjoint({*names, *(n for m in names for n in numbers.get(m, ()))})
        if not planned[names] and identity(part) is not None and status_class(part) == "open":
            found[names[0]] = None
    return list(found)
