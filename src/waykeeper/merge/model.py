"""A merge as values that a person can read: what is decided for each resource, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from waykeeper.plan.model import Key, Plan

Resource = dict[str, Any]
Held = tuple[str, Mapping[str, Any]]  # "Task/12" and the resource as it was read
Word = Literal[
    "create",  # not there yet
    "write",  # groups of ours are written
    "unchanged",  # stands as wanted
    "keep",  # somebody else's work, kept as it is
    "conflict",  # kept as it is until a person decides
    "withdraw",  # no longer wanted, untouched by people
    "reinstate",  # withdrawn by us, wanted again
    "replace",  # of an older round: the newer one takes its place
    "close",  # a conflict whose question is answered or gone
    "history",  # done or over in an older round
]
Side = Literal["ours", "theirs"]


@dataclass(frozen=True, slots=True)
class Decision:
    """What happens to one resource.

    item, part, round   whose it is
    word                what is decided
    groups              the groups of fields that the word is about, empty for the whole resource
    reason              one clause, lower case, for people
    reference           `Task/12` where it stands on the server, "" where it is to be created
    before, after       the resource as read and as it shall stand; `after` is None where nothing is written
    """

    item: str
    part: str
    round: int
    word: Word
    groups: tuple[str, ...] = ()
    reason: str = ""
    reference: str = ""
    kind: str = ""
    before: Mapping[str, Any] | None = field(default=None, repr=False, compare=False)
    after: Resource | None = field(default=None, repr=False, compare=False)

    @property
    def changes(self) -> bool:
        """True where something is sent."""
        return self.after is not None

    def json(self) -> dict[str, Any]:
        """For `--format json`."""
        return {
            "item": self.item, "part": self.part, "round": self.round, "decision": self.word,
            "groups": list(self.groups), "reason": self.reason, "resource": self.reference or self.kind,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Question:
    """One thing that only a person can decide: the item's part, which groups, and what differs.

    `mark` names the difference: of what stands, of what is wanted, and of the surgery that it was wanted for.
    """

    key: Key
    part: str
    round: int
    groups: tuple[str, ...]
    why: str
    mark: str
    reference: str = ""


@dataclass(frozen=True, slots=True)
class Decisions:
    """Everything decided for one plan.

    conflicts   the questions that wait for a person, those settled earlier not among them
    notices     what a person should know though nothing is decided: bookings to move, medicines to restart
    standing    what the server holds once the transaction went through, as (reference, resource)
    """

    plan: Plan
    rows: tuple[Decision, ...] = ()
    conflicts: tuple[Question, ...] = ()
    notices: tuple[str, ...] = ()
    standing: tuple[Held, ...] = field(default=(), repr=False, compare=False)

    @property
    def changing(self) -> tuple[Decision, ...]:
        """The decisions that send something."""
        return tuple(d for d in self.rows if d.changes)
