"""Gaps as DetectedIssue and Task: what is to be written beside a plan, and what a closed gap closes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import count
from typing import Any, Literal

from waykeeper.fhir.identity import own_identifier, parse_key
from waykeeper.fhir.names import GAP_KINDS, TASK_CODES
from waykeeper.fhir.resource import Maker
from waykeeper.fhir.status import status_class
from waykeeper.gaps.model import Row
from waykeeper.plan.model import Key, Plan, State

Resource = dict[str, Any]
Held = tuple[str, Mapping[str, Any]]
Word = Literal["create", "write", "close", "keep", "unchanged"]

ISSUE, TASK = "issue", "issue-task"
CLOSED, BY_A_PERSON = "The gap is gone", "A person closed the row of the gap"
_SEVERITY: Mapping[int, str] = {3: "high", 2: "moderate", 1: "low"}
_PLAN_KEY = Key("plan", "plan")
_LIVE = ("open", "busy")
# The resource of an item that a gap is about, by the part of its identity; the first that stands.
_PARTS = ("request", "task", "gate", "hold", "confirm", "review", "ask", "goal", "appointment", "flag")


@dataclass(frozen=True, slots=True)
class IssueChange:
    """What happens to one resource of one gap.

    word        create, write (its severity, day or actor changed), close (the gap is gone), keep (a person works on
                it or closed it), unchanged
    reference   where it stands, "" where it is to be created
    """

    key: Key
    kind: str
    part: str
    round: int
    word: Word
    reason: str = ""
    reference: str = ""
    before: Mapping[str, Any] | None = None
    after: Resource | None = None


def issues(plan: Plan, state: State, rows: Sequence[Row], held: Sequence[Held], as_of: date) -> tuple[IssueChange, ...]:
    """What the gaps of one plan ask to be written over what stands: a DetectedIssue and a Task each.

    rows    of this plan, from a whole report: an item that is not among them counts as having no gap
    held    the patient's resources as read; those of other plans may be among them

    A gap that goes closes both: the issue is `corrected`, the Task `completed` unless a person has taken it up. One
    that comes back is a new round. Nothing that a person closed is opened again while that very gap lasts: that it went
    is written on what a person closed too, so that one that comes back is told from it. What stands of a gap that was
    only put off is left as it is: it is not gone.
    """
    by_identity = {own_identifier(r): (ref, r) for ref, r in held if own_identifier(r)}
    maker = _Maker(plan, state, as_of, by_identity)
    wanted = {(parse_key(r.item), r.verdict): r for r in rows if r.to_do and r.item != ""}
    found: list[IssueChange] = []
    for (key, kind), row in sorted(wanted.items(), key=lambda w: (str(w[0][0]), w[0][1])):
        found += maker.open(key, kind, row)
    put_off = {parse_key(r.item) for r in rows if r.gap and r.snoozed and not r.closed}
    closed = {parse_key(r.item) for r in rows if r.gap and r.closed}
    gone = [name for name in _standing(plan, held, rows) if name not in wanted and name[0] not in put_off]
    for key, kind in gone:
        found += maker.close(key, kind, BY_A_PERSON if key in closed else CLOSED)
    return tuple(found)


def _standing(plan: Plan, held: Sequence[Held], rows: Iterable[Row]) -> Iterator[tuple[Key, str]]:
    """The gaps for which an issue of this plan may stand: every item with every kind that an issue here has."""
    kinds = sorted({c["code"] for _, r in held if r.get("resourceType") == "DetectedIssue" for c in _codings(r)})
    keys = sorted({item.key for item in plan.items} | {parse_key(r.item) for r in rows} | {_PLAN_KEY})
    names = {own_identifier(r) for _, r in held if r.get("resourceType") == "DetectedIssue"}
    for key in keys:
        for kind in kinds:
            if _uuid(plan, key, f"{ISSUE}:{kind}", 1) in names:
                yield key, kind


def _codings(issue: Mapping[str, Any]) -> Iterator[Mapping[str, str]]:
    for coding in (issue.get("code") or {}).get("coding") or []:
        if coding.get("system") == GAP_KINDS and coding.get("code"):
            yield coding


def _gone(issue: Mapping[str, Any]) -> bool:
    """True if its gap or row went, as we wrote on it; what a person closed stands while the gap lasts."""
    return any((m.get("action") or {}).get("text") in (CLOSED, BY_A_PERSON) for m in issue.get("mitigation") or [])


def _end(task: Mapping[str, Any]) -> str:
    """The day by which a Task was to be done, a day that never comes where it says none."""
    return str(((task.get("restriction") or {}).get("period") or {}).get("end") or "9999")


def _uuid(plan: Plan, key: Key, part: str, number: int) -> str:
    return plan.episode.uuid(key.kind, key.item, part, key.occurrence, number)


@dataclass(frozen=True)
class _Maker:
    """Everything that a change of one plan needs."""

    plan: Plan
    state: State
    as_of: date
    held: Mapping[str, Held]

    def _latest(self, key: Key, part: str) -> tuple[int, Held | None]:
        """The highest round of a part that stands, and the resource; round 0 where there was never one."""
        last: tuple[int, Held | None] = (0, None)
        for number in count(1):
            found = self.held.get(_uuid(self.plan, key, part, number))
            if found is None:
                return last
            last = (number, found)
        raise AssertionError  # count() has no end

    def open(self, key: Key, kind: str, row: Row) -> Iterator[IssueChange]:
        number, issue = self._latest(key, f"{ISSUE}:{kind}")
        _, task = self._latest(key, f"{TASK}:{kind}")
        ended = issue is not None and status_class(issue[1]) not in _LIVE
        if issue is not None and ended and not _gone(issue[1]):
            who = "a person closed it" if status_class(issue[1]) == "done" else "a person withdrew it"
            yield IssueChange(key, kind, ISSUE, number, "keep", who, issue[0], issue[1])
            return
        if issue is None or ended:
            number += 1
            yield IssueChange(key, kind, ISSUE, number, "create", after=self._issue(key, kind, row, number))
            yield IssueChange(key, kind, TASK, number, "create", after=self._task(key, kind, row, number, ""))
            return
        yield self._kept(key, kind, ISSUE, number, issue, self._issue(key, kind, row, number), ("severity",))
        if task is None:
            yield IssueChange(key, kind, TASK, number, "create", after=self._task(key, kind, row, number, issue[0]))
        elif status_class(task[1]) != "open":
            yield IssueChange(key, kind, TASK, number, "keep", "a person works on it or closed it", task[0], task[1])
        else:
            wanted = self._task(key, kind, row, number, issue[0])
            if row.by is not None and row.by <= self.as_of and _end(task[1]) <= self.as_of.isoformat():
                wanted["restriction"] = task[1]["restriction"]  # was to be done at once already: not anew each day
            yield self._kept(key, kind, TASK, number, task, wanted, ("restriction", "performerType", "priority"))

    def _kept(
        self, key: Key, kind: str, part: str, number: int, standing: Held, wanted: Resource, ours: Sequence[str]
    ) -> IssueChange:
        """What stands with the fields that follow the gap from day to day; everything else is left as it is."""
        reference, before = standing
        changed = [name for name in ours if before.get(name) != wanted.get(name)]
        if not changed:
            return IssueChange(key, kind, part, number, "unchanged", "", reference, before)
        after = {**before, **{name: wanted[name] for name in changed if name in wanted}}
        return IssueChange(key, kind, part, number, "write", f"{', '.join(changed)} changed", reference, before, after)

    def close(self, key: Key, kind: str, said: str) -> Iterator[IssueChange]:
        """Close what stands of a gap that is gone, or whose row a person closed: `said` is what is written of it."""
        because = said[0].lower() + said[1:]
        for part, over in ((ISSUE, "corrected"), (TASK, "completed")):
            number, standing = self._latest(key, f"{part}:{kind}")
            if standing is None:
                continue
            reference, before = standing
            live = status_class(before) in _LIVE
            if not live and (part == TASK or _gone(before)):
                continue
            if part == TASK and status_class(before) == "busy":
                why = f"{because}, but a person works on it"
                yield IssueChange(key, kind, part, number, "keep", why, reference, before)
                continue
            after = {**before, "status": over if live else before["status"]}
            if part == ISSUE:
                done = {"action": {"text": said}, "date": self.as_of.isoformat()}
                after["mitigation"] = [*before.get("mitigation", []), done]
            else:
                after["statusReason"] = {"text": said}
            word: Word = "close" if live else "write"
            yield IssueChange(key, kind, part, number, word, because, reference, before, after)

    def _start(self, resource_type: str, key: Key, part: str, number: int, title: str) -> Resource:
        """As every resource of ours but for the item extension: it is about an item and no part of the plan."""
        made = Maker(self.plan).skeleton(resource_type, key, part, title)
        identifier = _uuid(self.plan, key, part, number)
        del made["extension"]
        made["id"] = identifier
        made["identifier"] = [{**made["identifier"][0], "value": identifier}]
        return made

    def _issue(self, key: Key, kind: str, row: Row, number: int) -> Resource:
        title = f"{row.title}: {kind}"
        made = self._start("DetectedIssue", key, f"{ISSUE}:{kind}", number, title)
        about = self._about(key)
        return made | {
            "status": "final",
            "code": {"coding": [{"system": GAP_KINDS, "code": kind}], "text": title},
            "severity": _SEVERITY[max(row.severity, 1)],
            "patient": Maker(self.plan).subject,
            "identifiedDateTime": self.as_of.isoformat(),
            **({"implicated": [{"reference": about}]} if about else {}),
        }

    def _task(self, key: Key, kind: str, row: Row, number: int, issue: str) -> Resource:
        title = f"Act on a gap: {row.title} ({kind})"
        made = self._start("Task", key, f"{TASK}:{kind}", number, title)
        focus = issue or f"DetectedIssue/{_uuid(self.plan, key, f'{ISSUE}:{kind}', number)}"
        role = Maker(self.plan).role(row.who)
        return made | {
            "status": "requested",
            "intent": "proposal",
            "priority": "urgent" if row.severity == 3 else "routine",
            "code": {"coding": [{"system": TASK_CODES, "code": "act"}], "text": title},
            "description": title,
            "focus": {"reference": focus},
            "for": Maker(self.plan).subject,
            **({"performerType": role} if role else {}),
            "restriction": {"period": {"end": (row.by or self.as_of).isoformat()}},
        }

    def _about(self, key: Key) -> str:
        """The reference of what a gap is about, "" where nothing of it stands."""
        if key == _PLAN_KEY:
            return self.state.plan_reference
        own = self.state.items.get(key)
        references = own.references if own else {}
        return next((references[part] for part in _PARTS if part in references), "")
