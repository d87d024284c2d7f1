"""The skeleton that every resource of ours shares: identity, tag, narrative, item extension."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from html import escape
from typing import Any

from waykeeper.fhir.extensions import encode, ordered
from waykeeper.fhir.names import IDENTIFIER_PATH, ITEM, ROLES, TAG_CODE, TAG_SYSTEM, TASK_CODES, TEST_LABEL
from waykeeper.plan.model import Item, Key, Plan

Resource = dict[str, Any]


@dataclass(frozen=True)
class Maker:
    """Makes resources of one plan. `rounds` gives the round of an item; an item not named is in its first.

    `urns`: references among the resources are `urn:uuid:` as in a transaction, else `Type/id`.
    """

    plan: Plan
    rounds: Mapping[Key, int] = field(default_factory=dict)
    urns: bool = False

    @cached_property
    def order(self) -> dict[Key, int]:
        """The place of each item in the plan."""
        return {item.key: number for number, item in enumerate(self.plan.items, 1)}

    @cached_property
    def items(self) -> dict[Key, Item]:
        """The items by key."""
        return {item.key: item for item in self.plan.items}

    @cached_property
    def gates_of(self) -> dict[Key, list[Key]]:
        """The gates that need an item."""
        found: dict[Key, list[Key]] = {}
        for item in self.plan.items:
            if item.key.kind == "gate":
                for need in item.needs:
                    found.setdefault(need, []).append(item.key)
        return found

    def round(self, key: Key, part: str = "") -> int:
        """The round of an item. A visit's request stays in its first: only the Appointment is proposed again."""
        if not self.rounds or (key.kind == "visit" and part == "request"):
            return 1
        return self.rounds.get(key, 1)

    def id(self, key: Key, part: str) -> str:
        """The computed id of one part of an item in its round."""
        return self.plan.episode.uuid(key.kind, key.item, part, key.occurrence, self.round(key, part))

    def reference(self, kind: str, key: Key, part: str) -> dict[str, str]:
        """A relative reference to a part of an item of this plan."""
        return {"reference": self.named(kind, self.id(key, part))}

    def named(self, kind: str, identifier: str) -> str:
        """How a resource of ours is referred to."""
        return f"urn:uuid:{identifier}" if self.urns else f"{kind}/{identifier}"

    @cached_property
    def subject(self) -> dict[str, Any]:
        """The patient as reference, with the plan's identifier."""
        patient = self.plan.patient
        identifier = {"system": patient.identifier.system, "value": patient.identifier.value}
        found: dict[str, Any] = {"reference": self.patient_reference, "type": "Patient", "identifier": identifier}
        return found | ({"display": patient.name} if patient.name else {})

    @cached_property
    def patient_reference(self) -> str:
        """Where the patient is: what the plan knows, else the computed id of a conditional create."""
        if self.plan.patient.reference:
            return self.plan.patient.reference
        return self.named("Patient", self.patient_id)

    @property
    def patient_id(self) -> str:
        """The computed id of the Patient that is created where none is there."""
        return self.plan.episode.uuid("patient", "", "patient")

    def start(self, kind: str, item: Item, part: str, facts: Iterable[tuple[str, Any]] = ()) -> Resource:
        """A resource with everything that all of ours have; `facts` go into the item extension behind the key."""
        return self.skeleton(kind, item.key, part, item.title, facts, language=language_of(item.words))

    def skeleton(
        self, kind: str, key: Key, part: str, title: str, facts: Iterable[tuple[str, Any]] = (), *, language: str = ""
    ) -> Resource:
        """As `start`, for what is no item: the plan and its phases."""
        identity = [("key", str(key)), ("part", part), ("round", self.round(key, part)), ("order", self.order.get(key))]
        identifier = self.id(key, part)
        resource: Resource = {"resourceType": kind, "id": identifier, "meta": meta(self.plan.patient.test_data)}
        if language:
            resource["language"] = language
        return resource | {
            "text": narrative(title, language),
            "extension": [encode(ITEM, [*identity, *facts])],
            "identifier": [{"system": self.plan.episode.clinic_url + IDENTIFIER_PATH, "value": identifier}],
        }

    def role(self, who: str) -> list[dict[str, Any]]:
        """A role as performerType: our code, and the clinic's title for it."""
        return performer(self.plan.letterhead.roles, who)

    def task(self, item: Item, part: str, code: str, facts: Iterable[tuple[str, Any]] = ()) -> Resource:
        """A Task of ours: open, for the patient, with our own code."""
        resource = self.start("Task", item, part, facts)
        resource |= {
            "status": "requested",
            "intent": "plan",
            "code": {"coding": [{"system": TASK_CODES, "code": code}], "text": item.title},
            "description": item.title,
            "for": self.subject,
        }
        if item.why:
            resource["reasonCode"] = {"text": item.why}
        return resource


def narrative(title: str, language: str = "") -> dict[str, str]:
    """A short generated narrative without dates."""
    spoken = f' lang="{language}" xml:lang="{language}"' if language else ""
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"{spoken}><p>{escape(title)}</p></div>'
    return {"status": "generated", "div": div}


def meta(test_data: bool) -> dict[str, Any]:
    """Our tag, and the label of test data."""
    found: dict[str, Any] = {"tag": [{"system": TAG_SYSTEM, "code": TAG_CODE}]}
    if test_data:
        found["security"] = [{"system": TEST_LABEL[0], "code": TEST_LABEL[1]}]
    return found


def performer(roles: Mapping[str, str], who: str) -> list[dict[str, Any]]:
    """A role as performerType: our code, and the clinic's title for it."""
    return [{"coding": [{"system": ROLES, "code": who}], "text": roles.get(who, who)}] if who else []


def language_of(words: Mapping[str, str]) -> str:
    """The language that a resource with these words is in, "" where there are none."""
    return next(iter(ordered(words)), "")
