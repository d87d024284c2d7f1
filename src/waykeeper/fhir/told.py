"""What other resources tell of an item: Communications about it, doses taken or not taken, who has it in hand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from waykeeper.fhir.identity import episode_of, identity, own_identifier
from waykeeper.fhir.names import TASK_CODES
from waykeeper.plan.model import Key
from waykeeper.record import identifier_names, names_of
from waykeeper.record.anchors import local_moment
from waykeeper.timing.model import Moment

Resource = Mapping[str, Any]
Told = tuple[frozenset[str], Resource]  # the references of what a resource is about, and the resource
_KINDS = ("Communication", "MedicationStatement")
IN_HAND = "in-hand"  # code of the Task that keeps owner, snooze and closing of what is no Task itself
# FHIR R4 medication-statement-status: entered-in-error; "not-taken: The medication was not consumed by the patient";
# "intended: The medication may be taken at some time in the future". Of every other, an unknown code too, a dose may
# have been taken: inside a hold that asks. What was `stopped` or put `on-hold` on a day was not taken after it.
_NO_DOSE = ("entered-in-error", "not-taken", "intended")


def told_of(everything: Iterable[tuple[str, Resource]], own: Iterable[tuple[str, Resource]]) -> list[Told]:
    """Communications, statements and Tasks in hand, each with the references in `own` that it means.

    A literal reference may be absolute or name a version; a logical or contained one names an identifier. A Task in
    hand of an earlier round of its item is left out, see `_of_the_newest_round`.
    """
    everything = list(everything)
    telling = [r for _, r in everything if r.get("resourceType") in _KINDS or is_in_hand(r)]
    if not telling:
        return []
    own = list(own)
    known = {name: ref for ref, resource in own for name in identifier_names(resource)}
    told = [(frozenset([known.get(name, name) for name in _about(r)]), r) for r in telling]
    return _of_the_newest_round(told, own, everything) if any(is_in_hand(r) for r in telling) else told


def _of_the_newest_round(
    told: Sequence[Told], own: Sequence[tuple[str, Resource]], everything: Sequence[tuple[str, Resource]]
) -> list[Told]:
    """Without the Tasks in hand about an earlier round of their item, whose request stands for every round.

    What a person closed is the date of that round: it must not close the visit that is proposed since. Such a Task says
    by its identifier of which round it is; one that does not say is of the first.
    """
    said = {ref: known for ref, resource in own if (known := identity(resource)) is not None}
    newest: dict[Key, int] = {}
    for one in said.values():
        newest[one.key] = max(newest.get(one.key, 0), one.round)
    episodes = [episode for _, resource in everything if (episode := episode_of(resource)) is not None]

    def current(about: frozenset[str], task: Resource) -> bool:
        meant = [said[ref] for ref in about if ref in said]
        later = {one.key for one in meant if one.round < newest[one.key]}
        names = {e.uuid(k.kind, k.item, IN_HAND, k.occurrence, newest[k]) for k in later for e in episodes}
        return not later or own_identifier(task) in names

    return [(about, r) for about, r in told if not is_in_hand(r) or current(about, r)]


def _about(resource: Resource) -> tuple[str, ...]:
    if resource.get("resourceType") == "Task":
        return names_of([resource.get("focus") or {}], resource.get("contained") or ())
    derived = [d for d in resource.get("derivedFrom") or () if "Task/" in str(d.get("reference") or "")]
    pointed = [*(resource.get("about") or ()), *(resource.get("basedOn") or ()), *derived]
    return names_of(pointed, resource.get("contained") or ())


def is_in_hand(resource: Resource) -> bool:
    """True for a Task that says who has an item in hand, until when it is put off, or why it was closed."""
    if resource.get("resourceType") != "Task" or resource.get("status") == "entered-in-error":
        return False
    codings = (resource.get("code") or {}).get("coding") or ()
    return any(c.get("code") == IN_HAND and c.get("system") == TASK_CODES for c in codings)


def in_hand(about: Iterable[Resource]) -> Resource | None:
    """The Task in hand among what is about an item; of several the one that was noted upon last."""
    return max((r for r in about if is_in_hand(r)), key=_last_note, default=None)


def _last_note(task: Resource) -> str:
    return max((str(note.get("time") or "") for note in task.get("note") or ()), default="")


def related(references: Iterable[str], telling: Sequence[Told]) -> list[Resource]:
    """What is about any of these references, whoever wrote it."""
    wanted = {reference for reference in references if reference}
    return [resource for about, resource in telling if not wanted.isdisjoint(about)]


def last_taken(about: Iterable[Resource], zone: str) -> Moment | None:
    """The latest dose that somebody recorded as taken. A stop Task that is ticked says nothing of a dose."""
    return _latest([r for r in about if r.get("status") not in _NO_DOSE], zone)


def not_taken(about: Iterable[Resource], zone: str) -> Moment | None:
    """The latest record that the medicine was not taken."""
    return _latest([r for r in about if r.get("status") == "not-taken"], zone)


def _latest(about: Iterable[Resource], zone: str) -> Moment | None:
    told = [_dose(r, zone) for r in about if r.get("resourceType") == "MedicationStatement"]
    return max((one for one in told if one), key=str, default=None)


def _dose(statement: Resource, zone: str) -> Moment | None:
    """When a statement says that a dose was taken: its day, or the end of its period.

    A period of one that is `active` ("The medication is still being taken") was known up to the day on which that was
    asserted, and no further.
    """
    period = statement.get("effectivePeriod") or {}
    ends = [statement.get("effectiveDateTime") or period.get("end")]
    if statement.get("status") == "active" and not statement.get("effectiveDateTime"):
        ends.append(statement.get("dateAsserted"))
    known = [moment for end in ends if end and (moment := local_moment(str(end), zone))]
    return min(known, key=str) if known else local_moment(str(period.get("start") or ""), zone)
