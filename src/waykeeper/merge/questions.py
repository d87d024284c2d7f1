"""Conflict Tasks: one for each item about which a person must decide, the same one until it is answered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from waykeeper.fhir.identity import parse_key
from waykeeper.fhir.names import TASK_CODES
from waykeeper.fhir.ownership import with_offered
from waykeeper.fhir.resource import Maker, Resource
from waykeeper.fhir.status import status_class
from waykeeper.merge.groups import judge, offers, weave
from waykeeper.merge.held import Holding
from waykeeper.merge.model import Decision, Question, Side
from waykeeper.merge.withdrawal import reoffered, withdrawn
from waykeeper.plan.model import Item, Key, Plan

PART = "conflict"
WAITING = ("open", "busy")
GROUP_WORDS: Mapping[str, str] = {
    "when": "its dates", "what": "its words or codes", "who": "who does it", "status": "its status",
}  # fmt: skip


def conflict_key(key: Key) -> Key:
    """The key of the conflict about an item: a Task of its own, so that it never shifts the item's rounds."""
    return parse_key(f"conflict/{key}")


def conflict_tasks(
    plan: Plan, held: Holding, questions: Sequence[Question], take: Mapping[Key, Side], titles: Mapping[Key, str]
) -> list[Decision]:
    """Open, keep or close the conflict Task of each item."""
    asked: dict[Key, list[Question]] = {}
    for question in questions:
        asked.setdefault(question.key, []).append(question)
    found = [_ask(plan, held, key, about, titles) for key, about in asked.items()]
    open_keys = {conflict_key(key) for key in asked}
    for (key, part, number), (ref, resource) in held.own.items():
        if part == PART and key not in open_keys and status_class(resource) in WAITING:
            side = next((s for k, s in take.items() if conflict_key(k) == key), None)
            found.append(_close(key, number, ref, resource, side))
    return found


def _ask(plan: Plan, held: Holding, key: Key, about: Sequence[Question], titles: Mapping[Key, str]) -> Decision:
    own = conflict_key(key)
    standing = {n: h for (k, part, n), h in held.own.items() if k == own and part == PART}
    waiting = [n for n, (_, r) in standing.items() if status_class(r) in WAITING]
    number = max(waiting) if waiting else held.highest(own) + 1
    wanted = _task(plan, own, number, about, titles.get(key, str(key)))
    reason = "; ".join(dict.fromkeys(q.why for q in about))
    if not waiting:
        return Decision(str(own), PART, number, "create", (), reason, "", "Task", None, wanted)
    ref, before = standing[number]
    verdicts = {g: judge(wanted, before, g) for g in ("when", "what", "who")}
    write = [g for g, verdict in verdicts.items() if verdict == "write"]
    if not write:
        return Decision(str(own), PART, number, "unchanged", (), "still waits for an answer", ref, "Task", before)
    after = reoffered(weave(before, wanted, write), offers(wanted, before, {**verdicts, "status": "theirs"}))
    return Decision(str(own), PART, number, "write", tuple(write), reason, ref, "Task", before, after)


def _task(plan: Plan, own: Key, number: int, about: Sequence[Question], title: str) -> Resource:
    maker = Maker(plan, {own: number})
    task = maker.skeleton("Task", own, PART, f"Decide: {title}")
    why = "; ".join(dict.fromkeys(q.why for q in about))
    task |= {
        "status": "requested",
        "intent": "plan",
        "code": {"coding": [{"system": TASK_CODES, "code": PART}], "text": f"Decide: {title}"},
        "description": f"Decide about {title}: {why}",
        "for": maker.subject,
        "performerType": maker.role("coordinator"),
    }
    focus = next((q.reference for q in about if q.reference), "")
    return with_offered(task | ({"focus": {"reference": focus}} if focus else {}))


def _close(key: Key, number: int, ref: str, before: Mapping[str, Any], side: Side | None) -> Decision:
    """Answered by `take`: completed, with the side as output. The question is gone: cancelled, with a note."""
    if side is None:
        why = "nothing differs any more"
        after = withdrawn(before, why)
        after["note"] = [*(before.get("note") or []), {"text": f"Closed: {why}."}]
    else:
        why = f"answered: {side}"
        after = {**before, "status": "completed"}
        said = {"type": {"text": "Which side was taken"}, "valueString": side}
        after["output"] = [*(before.get("output") or []), said]
    return Decision(str(key), PART, number, "close", ("status",), why, ref, "Task", before, after)


def words(groups: Sequence[str]) -> str:
    """The groups in words for a sentence."""
    return " and ".join(GROUP_WORDS[g] for g in groups)


def titles_of(plan: Plan, stored: Plan | None) -> dict[Key, str]:
    """Titles of the items of both plans, the new one's where both have it."""
    items: Sequence[Item] = (*(stored.items if stored else ()), *plan.items)
    return {item.key: item.title for item in items}
