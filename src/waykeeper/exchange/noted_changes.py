"""What each word of a note changes in the resource that it is written on: pure, nothing of it is sent here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from waykeeper.fhir.names import ENDED, GOAL_ACHIEVEMENT, TASK_CODES
from waykeeper.fhir.recorded import CLOSED, achieved, opened, output_of
from waykeeper.fhir.status import status, status_class
from waykeeper.fhir.told import is_in_hand
from waykeeper.plan.model import Plan
from waykeeper.report.plain import clean, shortened

Resource = dict[str, Any]
ANSWER = ("decision", "missed-days", "text")


@dataclass(frozen=True, slots=True)
class Noted:
    """What is noted: the words of the command, with the day settled."""

    by: str
    on: date
    text: str
    days: int | None
    decision: str
    today: date | None = None  # of the writing; without it that of the note
    anew: bool = False  # an answer about a medicine that takes the place of a clear one


def whose(plan: Plan) -> str:
    """The patient of a plan and its operation, in the line that says what was noted."""
    surgery = f", surgery {plan.surgery_day.isoformat()}" if plan.surgery_day else ""
    return f"{clean(plan.patient.name) or 'no name'}, {shortened(str(plan.patient.identifier))}{surgery}"


def completed(resource: Resource, noted: Noted) -> Resource:
    """Done, met or released, on the day that is noted."""
    kind = resource["resourceType"]
    made = {**resource, "note": [*(resource.get("note") or []), *_over_before(resource), written_on(resource, noted)]}
    if kind == "Goal":
        met = {"coding": [{"system": GOAL_ACHIEVEMENT, "code": "achieved"}]}
        return {**made, "lifecycleStatus": "completed", "statusDate": noted.on.isoformat(), "achievementStatus": met}
    made["status"] = "completed"
    if kind == "Task":
        made["executionPeriod"] = {**(resource.get("executionPeriod") or {}), "end": noted.on.isoformat()}
    return made


def _over_before(resource: Resource) -> list[Resource]:
    """What stood there and did not count, so that it is not lost: failed, refused, done too early, not met."""
    if status_class(resource) != "done":
        return []
    period = resource.get("executionPeriod") or {}
    day = period.get("end") or period.get("start") or resource.get("statusDate")
    said = achieved(resource) if resource["resourceType"] == "Goal" else ""
    told = ", ".join(str(p) for p in (said or status(resource), day) if p)
    return [{"text": f"Recorded before: {told}."}]


def annotation(noted: Noted) -> Resource:
    """Who said it, on which day, in which words."""
    return {
        "authorString": noted.by,
        "time": noted.on.isoformat(),
        "text": noted.text or "Recorded with waykeeper note",
    }


def written_on(resource: Mapping[str, Any], noted: Noted) -> Resource:
    """The note on a resource that somebody completed; on a restriction its words say that it has ended."""
    said = annotation(noted)
    return {**said, "text": f"{ENDED}: {said['text']}"} if resource.get("doNotPerform") else said


def output(code: str, **value: Any) -> Resource:
    """One output of a Task under a code of ours."""
    return {"type": {"coding": [{"system": TASK_CODES, "code": code}]}, **value}


def answered(resource: Resource, noted: Noted) -> Resource:
    """The confirm or review Task completed, with decision and days as coded outputs.

    The outputs say one thing, the newest: an unclear answer before it stays in the notes.
    """
    before = [text for code in ANSWER if (text := output_of(resource, code))]
    kept = [o for o in resource.get("output") or [] if not _is_answer(o)]
    decision = noted.decision or ("hold" if noted.days is not None else "")
    outputs = [output("decision", valueString=decision)] if decision else []
    outputs += [output("missed-days", valueInteger=noted.days)] if noted.days is not None else []
    outputs += [output("text", valueString=noted.text)] if noted.text else []
    made = {k: v for k, v in completed(resource, noted).items() if k != "output"}
    if before:
        made["note"].append({"text": f"Answered before: {', '.join(before)}."})
    return made | ({"output": [*kept, *outputs]} if outputs or kept else {})


def _is_answer(output: Mapping[str, Any]) -> bool:
    codings = (output.get("type") or {}).get("coding") or []
    return any(c.get("system") == TASK_CODES and c.get("code") in ANSWER for c in codings)


def fact(resource: Resource, noted: Noted) -> Resource:
    """The question completed with one answer, the newest; one before it stays in the notes."""
    before = output_of(resource, "answer")
    made = _put_output(completed(resource, noted), "answer", valueString=noted.text)
    if before and before != noted.text:
        made["note"].append({"text": f"Answered before: {before}."})
    return made


def owner(resource: Resource, noted: Noted) -> Resource:
    """In somebody's hand; what was closed is open again."""
    made = {**opened(resource), "owner": {"display": noted.text}}
    return _with_who(made, noted, f"Owner: {noted.text}", noted.on)


def _with_who(task: Resource, noted: Noted, text: str, day: date) -> Resource:
    """A Task in hand with who said so. The item's own Task has none: its latest note names who decided or did it."""
    said = {"authorString": noted.by, "time": day.isoformat(), "text": text}
    before = task.get("note") or []
    return {**task, "note": [*before, said]} if is_in_hand(task) and said not in before else task


def opened_by(what: str, resource: Resource) -> str:
    """What is to be told where somebody takes up, or puts off, what had been closed, or opens what was not; "" else."""
    because = output_of(resource, CLOSED)
    if what == "reopened" and not because:
        return "; it was not closed, so nothing else changes (another answer about a medicine is noted as corrected)"
    return f"; it had been closed ({because}) and is open again" if because and what in ("owner", "snoozed") else ""


def _put_output(resource: Resource, code: str, **value: Any) -> Resource:
    """One output of a code, the earlier one replaced."""
    kept = [o for o in resource.get("output") or [] if not _is(o, code)]
    return {**resource, "output": [*kept, output(code, **value)]}


def _is(output: Mapping[str, Any], code: str) -> bool:
    return any(c.get("code") == code for c in (output.get("type") or {}).get("coding") or [])


def snoozed(resource: Resource, noted: Noted) -> Resource:
    """Until a day that comes, so what was closed is open again: else it would come back as closed, that is, never."""
    made = _put_output(opened(resource), "snoozed-until", valueDate=noted.on.isoformat())
    words = f": {noted.text}" if noted.text else ""
    return _with_who(made, noted, f"Put off until {noted.on.isoformat()}{words}", noted.today or noted.on)


def closed(resource: Resource, noted: Noted) -> Resource:
    """Closed, with the reason."""
    made = _put_output(resource, CLOSED, valueString=noted.text)
    return {**made, "note": [*(resource.get("note") or []), annotation(noted)]}


def reopened(resource: Resource, noted: Noted) -> Resource:
    """Open again, with the words of who says so."""
    return {**opened(resource), "note": [*(resource.get("note") or []), annotation(noted)]}
