"""What people recorded on our resources since they were written: status, day, who, answers, contacts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any

from waykeeper.fhir.cautions_since import cautions_since
from waykeeper.fhir.extensions import decode, find, moment
from waykeeper.fhir.hold_told import EDITED, named_in, offer_answered
from waykeeper.fhir.identity import Identity, parse_key
from waykeeper.fhir.listed_since import listed_since
from waykeeper.fhir.measured_since import measured_since
from waykeeper.fhir.names import COMPLETED, ENDED, GOAL_ACHIEVEMENT, HOLD, REASON_URL, TASK_CODES
from waykeeper.fhir.noted_since import noted_since
from waykeeper.fhir.ownership import as_offered, offered_of
from waykeeper.fhir.status import status, status_class, status_element
from waykeeper.fhir.told import Told, in_hand, last_taken, not_taken, related
from waykeeper.fhir.write import LEADING, PLAN_KEY
from waykeeper.medicines import NOT_TAKEN, NamedMedicine, same_medicine
from waykeeper.pathway.model import AnchorRule
from waykeeper.plan.model import (
    MEDICINES,
    Completion,
    Contact,
    HoldAnswer,
    ItemState,
    Key,
    Plan,
    State,
    StatusClass,
)
from waykeeper.plan.unlisted import REASON
from waykeeper.record import Medications, Record, day_of, identifier_names, of_other_side, recorded
from waykeeper.timing.model import Moment

Held = tuple[str, Mapping[str, Any]]
Rounds = Mapping[int, Mapping[str, Held]]
CLOSED = "closed-because"  # the output in which the reason stands for which a person took a row off the list


# Where people and other systems record what became of a resource of ours; without any of these nothing was recorded.
_RECORDED_IN = frozenset({
    "output", "note", "owner", "statusReason", "cancelationReason", "executionPeriod", "statusDate",
    "achievementStatus",
})  # fmt: skip


def item_state(
    key: Key, by_round: Rounds, telling: Sequence[Told], zone: str, surgery: date | None = None
) -> ItemState:
    """The state of one item: its newest round counts, older rounds are history. `telling`: see `told.told_of`."""
    newest = max(by_round)
    parts = by_round[newest]
    part = LEADING[key.kind][1]
    ref, leading = parts.get(part) or next(iter(by_round[n][part] for n in sorted(by_round) if part in by_round[n]))
    references = {p: r for p, (r, _) in parts.items()} | {part: ref}
    found = ItemState(
        key=key,
        status=status(leading),
        cls=status_class(leading),
        round=newest,
        references=references,
        versions={p: str((r.get("meta") or {}).get("versionId") or "") for p, (_, r) in parts.items()},
        identifiers=_identifiers(parts.values()),
    )
    single = not telling and len(by_round) == 1 and key.kind not in MEDICINES  # the dates of a hold tell too
    if single and found.cls == "open" and all(_RECORDED_IN.isdisjoint(r) for _, r in parts.values()):
        return found
    return _with_recorded(found, by_round, leading, telling, zone, surgery)


def before_the_end(resource: Mapping[str, Any]) -> Mapping[str, Any]:
    """A part of a completed plan; what was still open in it as it stood before: not done is not "not needed".

    So it is too once a person has set the plan back to active, which alone brings none of its parts back.
    """
    if status_class(resource) not in ("withdrawn", "done") or not as_offered(resource, "status"):
        return resource
    before = next(iter(offered_of(resource).get("before", ())), "")
    if not before or not _reason_told(resource).startswith(COMPLETED):
        return resource
    return {k: v for k, v in resource.items() if k != "statusReason"} | {
        status_element(resource["resourceType"]): before
    }


def _reason_told(resource: Mapping[str, Any]) -> str:
    """The reason of a withdrawal: of a ServiceRequest, which has no element for it, that of the extension."""
    concepts = (e.get("valueCodeableConcept") or {} for e in resource.get("extension") or () if e["url"] == REASON_URL)
    return _reason(resource) or str(next(concepts, {}).get("text") or "")


def _with_recorded(
    found: ItemState,
    by_round: Rounds,
    leading: Mapping[str, Any],
    telling: Sequence[Told],
    zone: str,
    surgery: date | None,
) -> ItemState:
    """The same state with what people recorded."""
    key, cls, parts = found.key, found.cls, by_round[found.round]
    confirming = parts["confirm"][1] if key.kind == "hold" and "confirm" in parts else leading
    about = related(found.references.values(), telling) if telling else ()
    of_any_round = related(_references(by_round, found.round), telling) if telling else ()
    hand = (in_hand(about) if about else None) or leading
    closer = next((r for r in (leading, confirming, hand) if output_of(r, CLOSED)), leading)
    closed_by, closed_on = _closed(closer, zone)
    return replace(
        found,
        done_on=done_on(leading, zone),
        owner=_display(leading.get("owner")) or _display(hand.get("owner")),
        by=_task_told(confirming),
        reason=_reason(leading),
        answer=hold_answer(parts, zone),
        fact_answer=output_of(leading, "answer") or "",
        last_taken=last_taken(of_any_round, zone) if of_any_round else None,
        stopped_on=_day_of(parts.get("stop"), zone),
        was_to_stop=_was_to_stop(parts.get("stop"), zone),
        restarted_on=_restarted_on(parts, key.kind, cls, zone, surgery),
        restart_asked="restart-needed" in parts and status_class(parts["restart-needed"][1]) in ("open", "busy"),
        withdrawn_by_us=cls == "withdrawn" and as_offered(leading, "status"),
        contacts=_contacts(about, zone) if about else (),
        snoozed_until=_snoozed(leading) or _snoozed(hand),
        closed_because=output_of(closer, CLOSED) or "",
        closed_by=closed_by,
        closed_on=closed_on,
        earlier=_asked_again(by_round, found.round, zone) if len(by_round) > 1 else None,
        not_taken=not_taken(of_any_round, zone) if of_any_round else None,
        achieved=achieved(leading) if key.kind == "goal" else "",
    )


def achieved(goal: Mapping[str, Any]) -> str:
    """How a goal ended: the code of the standard's value set (goal-achievement), else what stands there."""
    said = goal.get("achievementStatus") or {}
    codes = [c for c in said.get("coding") or () if c.get("code")]
    codes.sort(key=lambda c: c.get("system") != GOAL_ACHIEVEMENT)
    return str(codes[0]["code"] if codes else said.get("text") or "")


def _references(by_round: Rounds, newest: int) -> list[str]:
    """Every part of every round, without the rounds in which the order named another medicine: its doses are others."""
    if len(by_round) == 1:
        return [ref for ref, _ in by_round[newest].values()]
    now = named_medicine(by_round[newest])
    names = {n: named_medicine(parts) for n, parts in by_round.items()}
    same = [n for n, was in names.items() if now is None or was is None or same_medicine(was, now)]
    return [ref for n in same for ref, _ in by_round[n].values()]


def named_medicine(parts: Mapping[str, Held]) -> NamedMedicine | None:
    """What the order of one round calls its medicine, as our own resource says; None where it says nothing."""
    holder = parts.get("hold") or parts.get("review")
    return named_in(decode(find(holder[1], HOLD), "UTC")) if holder else None


def _restarted_on(
    parts: Mapping[str, Held], kind: str, cls: StatusClass, zone: str, surgery: date | None
) -> date | None:
    """The day of the restart. One before a surgery that still comes is no end of the hold: it will pause again.

    What leads a medicine is its review, which stays done where the plan is withdrawn: its restart Task says that.
    """
    restart, asked = parts.get("restart"), parts.get("restart-needed")
    over = cls == "withdrawn"
    if kind == "medicine" and cls == "done":
        over = restart is None or status_class(restart[1]) == "withdrawn"
    # what a move asked for and nobody answered until surgery was over is answered for the pause of that surgery too
    after = surgery is not None and (day := _day_of(asked, zone)) is not None and day >= surgery
    told = [restart, asked if (over or after) and not _declined(asked) else None]
    return next((_day_of(one, zone) for one in told if one is not None and _completed(one)), None)


def _declined(asked: Held | None) -> bool:
    """True where the answer about a restart was that nobody takes the medicine any more."""
    return asked is not None and output_of(asked[1], "decision") in NOT_TAKEN


def _was_to_stop(stop: Held | None, zone: str) -> date | None:
    """The last-dose day of a stop Task that a push or withdrawal took back: by then the patient may have stopped."""
    if stop is None or status_class(stop[1]) != "withdrawn" or not as_offered(stop[1], "status"):
        return None
    last = _moment(((stop[1].get("restriction") or {}).get("period") or {}).get("end"), zone)
    return last.day if last else None


def _day_of(part: Held | None, zone: str) -> date | None:
    return done_on(part[1], zone) if part is not None and _completed(part) else None


def plan_state(
    root: Held,
    states: Mapping[Key, ItemState],
    own: Sequence[tuple[str, Mapping[str, Any], Identity]],
    everything: Sequence[Held],
    plan: Plan,
    doubts: Sequence[str],
    telling: Sequence[Told],
    medications: Medications,
    left_out: frozenset[str],
) -> State:
    """Everything recorded about one plan; `everything` holds the resources of its patient only.

    doubts        what a person must see to beside the conflicts that stand there as Tasks
    telling       see `told.told_of`
    medications   those of all patients, which are no patient's
    left_out      types of which nothing at all was read
    """
    tasks = [r for _, r, known in own if known.part == "conflict" and status_class(r) in ("open", "busy")]
    conflicts = (*(str(r.get("description") or "") for r in tasks), *doubts)
    patients = [r for _, r in everything if r.get("resourceType") == "Patient"]
    dead_on = next((m.day for p in patients if (m := _moment(p.get("deceasedDateTime"), plan.zone))), None)
    dead = dead_on is not None or any(p.get("deceasedBoolean") or p.get("deceasedDateTime") for p in patients)
    (proven, proven_on, other_side), own_row = _proven(plan, everything), _of_the_root(root, telling)
    return State(
        states, status(root[1]), root[0], conflicts, dead_on, dead, proven=proven, proven_on=proven_on,
        other_side=other_side, root=own_row, left_over=_left_over(own),
        listed_since=listed_since(plan, states, everything, medications, left_out),
        cautions_since=cautions_since(plan, everything), measured_since=measured_since(plan, states, everything),
        noted_since=noted_since(plan, states, everything), completed=_completion(root[1], plan.zone),
    )  # fmt: skip


def _completion(root: Mapping[str, Any], zone: str) -> Completion | None:
    """How a completed plan ended: the newest note that says so; another system may have written none."""
    if status(root) != "completed":
        return None
    notes = [n for n in root.get("note") or () if str(n.get("text") or "").startswith(COMPLETED)]
    if not notes:
        return Completion()
    said = notes[-1]
    on = _moment(said.get("time"), zone)
    because = str(said["text"]).removeprefix(COMPLETED).removeprefix(": ")
    return Completion(on.day if on else None, str(said.get("authorString") or ""), because)


def _left_over(own: Sequence[tuple[str, Mapping[str, Any], Identity]]) -> frozenset[Key]:
    """The items of which a person is asked whether they may go, or said that they stay, by the newest conflict Task."""
    newest: dict[Key, tuple[int, Mapping[str, Any]]] = {}
    for _, task, known in own:
        if known.part == "conflict" and known.round >= newest.get(known.key, (0, task))[0]:
            newest[known.key] = known.round, task
    stays = {
        key for key, (_, task) in newest.items()
        if REASON in str(task.get("description") or "") and (status_class(task) in ("open", "busy") or _kept(task))
    }  # fmt: skip
    return frozenset(parse_key(str(key).removeprefix("conflict/")) for key in stays)


def _kept(task: Mapping[str, Any]) -> bool:
    return any(output.get("valueString") == "theirs" for output in task.get("output") or [])


def _of_the_root(root: Held, telling: Sequence[Told]) -> ItemState | None:
    """Who has the plan as a whole in hand, and until when it is put off; None where nobody said so."""
    hand = in_hand(related([root[0]], telling)) if telling else None
    if hand is None:
        return None
    return ItemState(
        PLAN_KEY,
        status(root[1]),
        status_class(root[1]),
        owner=_display(hand.get("owner")),
        references={"plan": root[0]},
        snoozed_until=_snoozed(hand),
    )


def _proven(plan: Plan, everything: Sequence[Held]) -> tuple[dict[str, str], dict[str, date], str]:
    """Anchors that something in the record proves by now, with what does; and a Procedure that names the other side.

    Between them the day that the record has of each, of several the last, as `recorded` takes it for a plan: a patient
    may have gone home on another than was assumed.
    """
    to_prove = [a for a in plan.anchors if a.recognise]
    if not to_prove:
        return {}, {}, ""
    theirs = [(ref, r) for ref, r in everything if r.get("resourceType") in ("Procedure", "Encounter")]
    surgery = plan.anchor("surgery")
    found: dict[str, str] = {}
    days: dict[str, date] = {}
    wrong = ""
    moment = surgery.moment if surgery else None
    for anchor in to_prove:
        signs: dict[str, tuple[str, ...]] = {}
        for sign in anchor.recognise:
            kind, _, code = sign.partition(" ")
            signs[kind] = (*signs.get(kind, ()), code)
        rule = AnchorRule(anchor.name, recognise=signs)
        for ref, resource in theirs:
            alone = Record({}, (resource,))
            if there := recorded(alone, rule, plan.zone, moment, plan.side):
                if there[0].day >= days.get(anchor.name, date.min):
                    found[anchor.name], days[anchor.name] = ref, there[0].day
            elif of_other_side(alone, rule, plan.zone, moment, plan.side):
                wrong = ref
    return found, days, "" if "surgery" in found else wrong


def hold_answer(parts: Mapping[str, Held], zone: str) -> HoldAnswer | None:
    """What the prescriber decided, with what was proposed when they did."""
    answer = _decided(parts, zone)
    holder = parts.get("hold") or parts.get("review")
    if answer is None or holder is None:
        return answer
    return replace(answer, offer=offer_answered(decode(find(holder[1], HOLD), zone), answer, zone))


def _decided(parts: Mapping[str, Held], zone: str) -> HoldAnswer | None:
    """The confirm Task completed, else dates of the hold that a person changed."""
    task = parts.get("confirm") or parts.get("review")
    if _completed(task):
        resource = task[1]  # type: ignore[index]
        told, days = output_of(resource, "missed-days"), None
        decision = (output_of(resource, "decision") or ("hold" if told is not None else "")).strip().casefold()
        if told is not None and (days := _days(told)) is None:
            decision = f"{decision} {told} days"  # no number of days: it asks what is meant
        return HoldAnswer(
            decision=decision or _proposed(parts),
            missed_days=days if told is not None else _proposed_days(parts, decision),
            by=_task_told(resource),
            on=done_on(resource, zone),
            text=output_of(resource, "text") or "",
            medicine=named_medicine(parts),
        )
    hold = parts.get("hold")
    if hold and _edited(hold[1]):
        said = decode(find(hold[1], HOLD), zone)
        days = int(said["missedDays"][0]) if said.get("missedDays") else None
        return HoldAnswer("hold", days, by=EDITED, medicine=named_medicine(parts))
    return None


LONGEST_HOLD = 120  # days without a dose; a longer number is a slip of the keyboard


def _days(told: str) -> int | None:
    return int(told) if told.isdecimal() and int(told) <= LONGEST_HOLD else None


def _asked_again(by_round: Rounds, standing: int, zone: str) -> HoldAnswer | None:
    """The answer of before, about which this round asks; None where it proposes more days of the same medicine: those
    nobody has decided about."""
    answer, parts = earlier_answer(by_round, standing, zone), by_round[standing]
    now, named = _days_of_hold(parts.get("hold") or parts.get("review")), named_medicine(parts)
    if answer is None or answer.missed_days is None or answer.medicine is None or now is None or named is None:
        return answer
    return None if now > answer.missed_days and same_medicine(answer.medicine, named) else answer


def earlier_answer(by_round: Rounds, before: int, zone: str) -> HoldAnswer | None:
    """The answer of the latest round before this one that was answered."""
    told = (hold_answer(by_round[n], zone) for n in sorted(by_round, reverse=True) if n < before)
    return next((answer for answer in told if answer is not None), None)


def _proposed(parts: Mapping[str, Held]) -> str:
    """A confirm Task completed without output confirms the proposal as it stood."""
    holder = parts.get("hold") or parts.get("review")
    said = decode(find(holder[1], HOLD), "UTC") if holder else {}
    return str(said["decision"][0]) if said.get("decision") else ""


def _proposed_days(parts: Mapping[str, Held], decision: str) -> int | None:
    return _days_of_hold(parts.get("hold")) if decision in ("", "hold") else None


def _days_of_hold(holder: Held | None) -> int | None:
    said = decode(find(holder[1], HOLD), "UTC") if holder else {}
    return int(said["missedDays"][0]) if said.get("missedDays") else None


def _edited(hold: Mapping[str, Any]) -> bool:
    return "when" in offered_of(hold) and not as_offered(hold, "when") and status_class(hold) != "void"


def _completed(held: Held | None) -> bool:
    return held is not None and held[1].get("status") == "completed"


def done_on(resource: Mapping[str, Any], zone: str) -> date | None:
    """The day on which it was done, as recorded: never the day on which somebody touched the resource."""
    if status_class(resource) != "done":
        return None
    period = resource.get("executionPeriod") or {}
    told = period.get("end") or period.get("start") or resource.get("statusDate") or _ended_on(resource)
    found = _moment(told, zone)
    return found.day if found else None


def _ended_on(resource: Mapping[str, Any]) -> Any:
    """The time of the newest note that says that a restriction has ended: a ServiceRequest has no element for it."""
    notes = resource.get("note") or () if resource.get("doNotPerform") else ()
    told = (n.get("time") for n in reversed(notes) if str(n.get("text") or "").startswith(ENDED))
    return next((time for time in told if time), None)


def _moment(text: Any, zone: str) -> Moment | None:
    try:
        return moment(str(text), zone) if text else None
    except ValueError:
        return None


def _display(reference: Any) -> str:
    if not isinstance(reference, dict):
        return ""
    return str(reference.get("display") or (reference.get("identifier") or {}).get("value") or "")


def _task_told(resource: Mapping[str, Any]) -> str:
    """Who recorded the latest note, else the owner."""
    authors = [n.get("authorString") or _display(n.get("authorReference")) for n in resource.get("note") or ()]
    return str(next((a for a in reversed(authors) if a), "") or _display(resource.get("owner")))


def _reason(resource: Mapping[str, Any]) -> str:
    reason = resource.get("statusReason") or resource.get("cancelationReason") or {}
    if isinstance(reason, str):
        return reason
    displays = [str(c.get("display") or c.get("code") or "") for c in reason.get("coding") or []]
    return str(reason.get("text") or next(iter(displays), ""))


def opened(resource: Mapping[str, Any]) -> dict[str, Any]:
    """Without the reason for which it was closed; the note that said so stays."""
    kept = [o for o in resource.get("output") or [] if output_of({"output": [o]}, CLOSED) is None]
    return {k: v for k, v in resource.items() if k != "output"} | ({"output": kept} if kept else {})


def output_of(resource: Mapping[str, Any], code: str) -> str | None:
    """The value of a Task output with our code, as text; None where there is none."""
    for output in resource.get("output") or []:
        codings = (output.get("type") or {}).get("coding") or []
        if any(c.get("system") == TASK_CODES and c.get("code") == code for c in codings):
            value = next((v for k, v in output.items() if k.startswith("value")), None)
            return None if value is None else _as_text(value)
    return None


def _as_text(value: Any) -> str:
    """A value of any type as a person would say it: of a Quantity the number, of a concept its text or code."""
    if not isinstance(value, Mapping):
        return str(value)
    code: Mapping[str, Any] = next(iter(value.get("coding") or []), {})
    return str(value.get("value") or value.get("text") or code.get("code") or code.get("display") or "")


def _contacts(related: Iterable[Mapping[str, Any]], zone: str) -> tuple[Contact, ...]:
    found = []
    for resource in related:
        sent = _moment(resource.get("sent"), zone)
        void = resource.get("status") == "entered-in-error"
        if resource.get("resourceType") != "Communication" or sent is None or void:
            continue
        medium: Mapping[str, Any] = next(iter(resource.get("medium") or []), {})
        payload = " ".join(str(p.get("contentString") or "") for p in resource.get("payload") or [])
        codes = {str(c.get("code")) for t in resource.get("category") or [] for c in t.get("coding") or []}
        found.append(
            Contact(
                on=sent.day,
                route=str(medium.get("text") or ""),
                reached=resource.get("status") == "completed",
                read_back="read-back" in codes,
                by=_display(resource.get("sender")),
                text=payload,
            )
        )
    return tuple(sorted(found, key=lambda c: (c.on, c.route)))


def _snoozed(resource: Mapping[str, Any]) -> date | None:
    """The day; None where what stands there is no day, so that nothing is put off by it."""
    return day_of(output_of(resource, "snoozed-until"))


def _closed(task: Mapping[str, Any], zone: str) -> tuple[str, date | None]:
    """Who closed it and when: the latest note with the very words of the reason."""
    because = output_of(task, CLOSED)
    notes = [n for n in task.get("note") or () if because and str(n.get("text") or "") == because]
    if not notes:
        return "", None
    told = _moment(notes[-1].get("time"), zone)
    who = notes[-1].get("authorString") or _display(notes[-1].get("authorReference"))
    return str(who), told.day if told else None


def _identifiers(parts: Iterable[Held]) -> tuple[str, ...]:
    """The identifiers on our resources: ours, and what others put there, order numbers for instance."""
    return tuple(sorted({name for _, resource in parts for name in identifier_names(resource)}))
