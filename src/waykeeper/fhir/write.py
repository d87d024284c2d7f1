"""Plan -> FHIR R4 resources, part by part. The table of the mapping is in README.md."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from functools import lru_cache
from typing import Any

import orjson

from waykeeper.fhir.extensions import coding, encode, with_translations
from waykeeper.fhir.names import CATEGORIES, HOLD, PLAN
from waykeeper.fhir.ownership import with_offered
from waykeeper.fhir.resource import Maker, Resource, narrative
from waykeeper.plan.model import HoldAnswer, HoldProposal, Item, Key, Plan
from waykeeper.timing.model import Anchor, Dates, Moment, Window

UNANSWERED = {
    "en": "Do not stop or start this medicine until we call you.",
    "es": "No deje de tomar ni empiece esta medicina hasta que le llamemos.",
}
ANSWERED = {
    "en": "Pause this medicine before surgery as your prescriber decided. Your dated sheet says from which day.",
    "es": "Haga una pausa con esta medicina antes de la cirugía, como decidió su médico. Su hoja dice desde qué día.",
}
ANSWERED_OTHERWISE = {
    "en": "Take this medicine as your prescriber decided.",
    "es": "Tome esta medicina como decidió su médico.",
}
LEADING = {
    "visit": ("ServiceRequest", "request"),
    "task": ("Task", "task"),
    "instruction": ("CommunicationRequest", "instruction"),
    "hold": ("MedicationRequest", "hold"),
    "medicine": ("Task", "review"),
    "restriction": ("ServiceRequest", "request"),
    "gate": ("Task", "gate"),
    "goal": ("Goal", "goal"),
    "question": ("Task", "ask"),
}
PLAN_KEY = Key("plan", "plan")
IN_ACTIVITY = {"Appointment", "CommunicationRequest", "MedicationRequest", "Task", "ServiceRequest"}


def write(plan: Plan, rounds: Mapping[Key, int] | None = None) -> list[Resource]:
    """Every resource of a plan: the root CarePlan first, then its phases, then the parts of each item in plan order.

    `rounds` gives items a later round than the first. References among them are `Type/id` with computed ids. Each
    carries the digests of what it offers.
    """
    return parts(Maker(plan, rounds or {}))


def parts(maker: Maker) -> list[Resource]:
    """As `write`, with references as the maker writes them."""
    plan = maker.plan
    by_item = {item.key: _parts(maker, item) for item in plan.items}
    everything = [r for item in plan.items for r in by_item[item.key]]
    phases = [_phase(maker, p.name, by_item) for p in plan.phases]
    root = _root(maker, everything)
    ever = tuple(r["id"] for r in (root, *phases, *everything))
    dated = {id(r) for item in plan.items if item.key.kind in ("hold", "medicine") for r in by_item[item.key]}
    day = surgery_day(plan)
    rest = [with_offered(r, surgery=day if id(r) in dated else "") for r in (*phases, *everything)]
    return [with_offered(root, ever=ever), *rest]


def surgery_day(plan: Plan) -> str:
    """The day of surgery as text, "" where it is not known."""
    anchor = plan.anchor("surgery")
    return anchor.moment.day.isoformat() if anchor and anchor.moment else ""


def _parts(maker: Maker, item: Item) -> list[Resource]:
    return _WRITERS[item.key.kind](maker, item)


# the item extension


def dates_pairs(dates: Dates) -> list[tuple[str, Any]]:
    """The dates that no standard element can hold."""
    return [
        ("target", dates.target),
        ("at", dates.at),
        ("bookFrom", dates.book_from),
        ("lateFrom", dates.late_from),
        ("dueFrom", dates.due_from),
        ("validFrom", dates.valid_from),
        ("earliest", dates.earliest),
        ("awaited", dates.awaited),
    ]


def item_pairs(item: Item) -> list[tuple[str, Any]]:
    """What the item extension of an item's leading resource says behind the key."""
    return [
        ("title", item.title),
        ("phase", item.phase),
        ("phrase", item.phrase),
        ("windowPhrase", item.window_phrase),
        *dates_pairs(item.dates),
        ("", _undated(*(getattr(item, name) for name in _UNDATED))),
    ]


_UNDATED = (
    "who", "why", "harm", "source", "overlays", "valid_for", "redo", "needs", "before", "released_by", "until",
    "measure", "minutes", "recognise", "fact", "asks_for", "undecided",
)  # fmt: skip


@lru_cache(maxsize=4096)
def _undated(*values: Any) -> bytes:
    """The parts without dates, as JSON: one text for all patients of a pathway, from which each gets its own parts."""
    said = dict(zip(_UNDATED, values, strict=True))
    source, recognise = said["source"], said["recognise"]
    pairs = [
        ("who", said["who"]),
        ("why", said["why"]),
        ("harm", said["harm"]),
        ("source", source.cite),
        ("grade", source.grade),
        ("overlay", said["overlays"]),
        ("validFor", said["valid_for"]),
        ("redo", said["redo"]),
        ("needs", tuple(str(k) for k in said["needs"])),
        ("before", said["before"]),
        ("releasedBy", said["released_by"]),
        ("until", said["until"]),
        ("measure", said["measure"]),
        ("minutes", said["minutes"] or None),
        ("word", recognise.words),
        ("specialty", recognise.specialty),
        ("telehealth", recognise.telehealth or None),
        ("fact", said["fact"]),
        ("asksFor", tuple(str(k) for k in said["asks_for"])),
        ("undecided", said["undecided"]),
    ]
    return orjson.dumps(encode("", pairs)["extension"])


def hold_pairs(hold: HoldProposal) -> list[tuple[str, Any]]:
    """The hold extension: the proposal as it stands, dates included."""
    answer = hold.answered
    return [
        ("medicine", hold.words),
        ("decision", hold.decision),
        ("missedDays", hold.missed_days),
        ("lastDose", hold.last_dose),
        ("firstMissed", hold.first_missed),
        ("lastLimit", hold.last_limit),
        ("restart", hold.restart),
        ("restartFrom", hold.restart_from),
        ("rule", hold.rule),
        ("policy", hold.policy),
        ("confidence", hold.confidence),
        ("confirmBy", hold.confirm_by),
        ("question", hold.question),
        ("recognised", hold.recognised),
        ("ingredient", hold.ingredients),
        ("note", hold.notes),
        ("alternative", hold.alternatives),
        ("reference", hold.reference),
        ("code", hold.codes),
        *(_answer_pairs(answer) if answer else []),
    ]


def _answer_pairs(answer: HoldAnswer) -> list[tuple[str, Any]]:
    return [
        ("answer", answer.decision),
        ("answerDays", answer.missed_days),
        ("answerBy", answer.by),
        ("answerOn", answer.on),
        ("answerText", answer.text),
        ("answerTaken", answer.last_taken),
    ]


def words_pairs(words: Mapping[str, str]) -> list[tuple[str, Any]]:
    """Patient words for resource types that have no element for them."""
    held = with_translations("valueString", words)
    return [("words", held)] if held else []


# periods


def period(window: Window | None) -> dict[str, str] | None:
    """A FHIR Period; both ends have one precision."""
    return {"start": str(window.start), "end": str(window.end)} if window else None


def restriction(dates: Dates) -> dict[str, Any] | None:
    """Task.restriction: from .. due; `at` is the due moment."""
    if dates.at is None:
        return None
    if dates.window:
        return {"period": period(dates.window)}
    return {"period": {"end": str(dates.at)}}


def _put(resource: Resource, **fields: Any) -> Resource:
    resource.update({k: v for k, v in fields.items() if v not in (None, [], {}, "")})
    return resource


# one writer a kind


def _visit(maker: Maker, item: Item) -> list[Resource]:
    window = period(item.dates.window)
    types = [coding(c) for c in item.recognise.service_type]
    request = maker.start("ServiceRequest", item, "request", item_pairs(item))
    _put(
        request,
        status="active",
        intent="plan",
        category=[_category("visit", "Planned visit")],
        code={"coding": types, "text": item.title} if types else {"text": item.title},
        subject=maker.subject,
        occurrencePeriod=window,
        performerType=next(iter(maker.role(item.who)), None),
        reasonCode=[{"text": item.why}] if item.why else None,
        **with_translations("patientInstruction", item.words),
    )
    if not maker.plan.settings.proposed_appointments:
        return [request]
    wish = maker.start("Appointment", item, "appointment", dates_pairs(item.dates))
    _put(
        wish,
        status="proposed",
        serviceType=[{"coding": types, "text": item.title} if types else {"text": item.title}],
        specialty=[{"coding": [coding(c)]} for c in item.recognise.specialty],
        reasonCode=[{"text": item.why}] if item.why else None,
        description=item.title,
        minutesDuration=item.minutes or None,
        **with_translations("patientInstruction", item.words),
        basedOn=[maker.reference("ServiceRequest", item.key, "request")],
        participant=[{"actor": maker.subject, "required": "required", "status": "needs-action"}],
        requestedPeriod=[window] if window else None,
    )
    return [request, wish]


def _category(code: str, text: str) -> dict[str, Any]:
    return {"coding": [{"system": CATEGORIES, "code": code}], "text": text}


def _task(maker: Maker, item: Item) -> list[Resource]:
    return [_dated_task(maker, item, "task", "carry-out")]


def _dated_task(maker: Maker, item: Item, part: str, code: str, extra: Iterable[tuple[str, Any]] = ()) -> Resource:
    resource = maker.task(item, part, code, [*item_pairs(item), *words_pairs(item.words), *extra])
    performer = item.released_by if item.key.kind == "gate" else item.who
    return _put(resource, performerType=maker.role(performer), restriction=restriction(item.dates))


def _instruction(maker: Maker, item: Item) -> list[Resource]:
    resource = maker.start("CommunicationRequest", item, "instruction", item_pairs(item))
    system = "http://terminology.hl7.org/CodeSystem/communication-category"
    payload = with_translations("contentString", item.words) or {"contentString": item.title}
    return [
        _put(
            resource,
            status="active",
            category=[{"coding": [{"system": system, "code": "instruction"}]}],
            subject=maker.subject,
            payload=[payload],
            occurrenceDateTime=str(item.dates.at) if item.dates.at else None,
            occurrencePeriod=period(item.dates.window) if not item.dates.at else None,
            recipient=[maker.subject],
            reasonCode=[{"text": item.why}] if item.why else None,
        )
    ]


def _hold(maker: Maker, item: Item) -> list[Resource]:
    hold = _held(item)
    resource = maker.start("MedicationRequest", item, "hold", item_pairs(item))
    resource["extension"].append(encode(HOLD, hold_pairs(hold)))
    reason = {"system": "http://terminology.hl7.org/CodeSystem/medicationrequest-status-reason", "code": "surg"}
    _put(
        resource,
        status="on-hold",
        statusReason={"coding": [{**reason, "display": "Patient scheduled for surgery."}]},
        intent="proposal",
        medicationCodeableConcept=_concept(hold),
        subject=maker.subject,
        reasonCode=[{"text": item.why}] if item.why else None,
        dosageInstruction=[with_translations("patientInstruction", _patient_words(hold))],
    )
    source = source_reference(hold.reference, hold.words)
    if source and hold.reference.startswith("MedicationRequest"):
        resource["priorPrescription"] = source
    elif source:
        resource["supportingInformation"] = [source]
    confirm = _confirm(maker, item, maker.reference("MedicationRequest", item.key, "hold"))
    return [resource, confirm, *_stop_and_restart(maker, item, source)]


def _held(item: Item) -> HoldProposal:
    if item.hold is None:
        raise ValueError(f"{item.key} has no proposal")
    return item.hold


def _concept(hold: HoldProposal) -> dict[str, Any]:
    codes = [coding(c) for c in hold.codes]
    return {"coding": codes, "text": hold.words} if codes else {"text": hold.words}


def _patient_words(hold: HoldProposal) -> Mapping[str, str]:
    """What the patient reads, always without dates, and nothing of a proposal before it is answered."""
    if hold.answered is None:
        return UNANSWERED
    return ANSWERED if hold.answered.missed_days is not None else ANSWERED_OTHERWISE


def source_reference(reference: str, words: str) -> dict[str, Any] | None:
    """A reference to the source order: literal where it has an id, logical where only its identifier is known."""
    if not reference:
        return None
    kind, _, identifier = reference.partition("?identifier=")
    if not identifier:
        return {"reference": reference, "display": words}
    system, _, value = identifier.partition("|")
    return {"type": kind, "identifier": {"system": system, "value": value}, "display": words}


def _confirm(maker: Maker, item: Item, focus: dict[str, Any]) -> Resource:
    task = maker.task(item, "confirm", "confirm", [("dueFrom", item.dates.due_from)])
    due = {"period": {"end": str(item.dates.due_from)}} if item.dates.due_from else None
    return _put(task, focus=focus, performerType=maker.role(item.who), restriction=due)


def _stop_and_restart(maker: Maker, item: Item, source: dict[str, Any] | None) -> list[Resource]:
    """Tasks that exist only once a prescriber answered with a number of days."""
    hold = _held(item)
    if hold.answered is None or hold.answered.missed_days is None or hold.last_dose is None:
        return []
    stop = maker.task(item, "stop", "stop", [("at", Moment(hold.last_dose))])
    restart = maker.task(item, "restart", "restart", [("dueFrom", hold.restart_from)])
    for task, code in ((stop, "suspend"), (restart, "resume")):
        task["code"]["coding"].append({"system": "http://hl7.org/fhir/CodeSystem/task-code", "code": code})
        _put(task, focus=source)
    start = {"start": str(hold.restart_from)} if hold.restart_from else None
    _put(stop, performerType=maker.role("patient"), restriction={"period": {"end": str(hold.last_dose)}})
    _put(restart, performerType=maker.role("prescriber"), restriction={"period": start} if start else None)
    return [stop, restart]


def _medicine(maker: Maker, item: Item) -> list[Resource]:
    """A row without a hold: confirm what continues, review what could not be classified. A child of its gates."""
    hold = _held(item)
    settled = hold.recognised and hold.decision in ("continue", "adjust", "time", "already stopped")
    task = _dated_task(maker, item, "review", "confirm" if settled else "review")
    task["extension"].append(encode(HOLD, hold_pairs(hold)))
    gates = maker.gates_of.get(item.key, [])
    due = {"period": {"end": str(item.dates.due_from)}} if item.dates.due_from else None
    source = source_reference(hold.reference, hold.words)
    _put(task, focus=source, partOf=[maker.reference("Task", g, "gate") for g in gates], restriction=due)
    return [task, *_stop_and_restart(maker, item, source)]


def _restriction(maker: Maker, item: Item) -> list[Resource]:
    start = {"start": str(item.dates.at)} if item.dates.at else None
    request = maker.start("ServiceRequest", item, "request", item_pairs(item))
    _put(
        request,
        status="active",
        intent="plan",
        category=[_category("restriction", "Restriction")],
        doNotPerform=True,
        code={"text": item.title},
        subject=maker.subject,
        occurrencePeriod=start,
        reasonCode=[{"text": item.why}] if item.why else None,
        **with_translations("patientInstruction", item.words),
    )
    flag = maker.start("Flag", item, "flag")
    safety = {"system": "http://terminology.hl7.org/CodeSystem/flag-category", "code": "safety", "display": "Safety"}
    _put(
        flag,
        status="active",
        category=[{"coding": [safety]}],
        code={"text": item.title},
        subject=maker.subject,
        period=start,
    )
    return [request, flag]


def _gate(maker: Maker, item: Item) -> list[Resource]:
    gate = _dated_task(maker, item, "gate", "gate")
    return [gate, *(_mirror(maker, item, need) for need in item.needs if need.kind != "medicine")]


def _mirror(maker: Maker, gate: Item, need: Key) -> Resource:
    """A child of the gate that is done when its focus is; it belongs to the gate and shares its round."""
    needed = maker.items[need]
    mirror = maker.task(gate, f"mirror:{need}", "mirror", [("mirrors", str(need))])
    mirror["text"] = narrative(f"{gate.title}: {needed.title}", mirror.get("language", ""))
    return _put(
        mirror,
        description=f"Needed: {needed.title}",
        partOf=[maker.reference("Task", gate.key, "gate")],
        focus=maker.reference(LEADING[need.kind][0], need, LEADING[need.kind][1]),
        restriction=restriction(gate.dates),
    )


def _goal(maker: Maker, item: Item) -> list[Resource]:
    goal = maker.start("Goal", item, "goal", [*item_pairs(item), *words_pairs(item.words)])
    target: dict[str, Any] = {"measure": {"text": item.measure or item.title}}
    _put(
        target,
        detailString=item.goal_target,
        dueDate=item.dates.at.day.isoformat() if item.dates.at else None,
    )
    return [
        _put(
            goal,
            lifecycleStatus="active",
            description={"text": item.title},
            subject=maker.subject,
            target=[target],
        )
    ]


def _question(maker: Maker, item: Item) -> list[Resource]:
    return [_dated_task(maker, item, "ask", "ask")]


_WRITERS = {
    "visit": _visit,
    "task": _task,
    "instruction": _instruction,
    "hold": _hold,
    "medicine": _medicine,
    "restriction": _restriction,
    "gate": _gate,
    "goal": _goal,
    "question": _question,
}


# the plan and its phases


def _root(maker: Maker, everything: list[Resource]) -> Resource:
    plan = maker.plan
    root = maker.skeleton("CarePlan", PLAN_KEY, "plan", plan.pathway.title or plan.pathway.name)
    root["extension"].append(encode(PLAN, plan_pairs(plan)))
    return _put(
        root,
        instantiatesCanonical=[plan.pathway.canonical],
        status="active",
        intent="plan",
        title=plan.pathway.title or plan.pathway.name,
        subject=maker.subject,
        period=_span(plan),
        goal=_references(maker, everything, {"Goal"}),
        supportingInfo=_references(maker, everything, {"Flag"}),
        activity=[{"reference": r} for r in _references(maker, everything, IN_ACTIVITY)],
    )


def _references(maker: Maker, resources: Iterable[Resource], kinds: set[str]) -> list[dict[str, str]]:
    return [{"reference": maker.named(r["resourceType"], r["id"])} for r in resources if r["resourceType"] in kinds]


def _span(plan: Plan) -> dict[str, str] | None:
    """From the first to the last dated day of the plan."""
    days: list[date] = []
    for dates in [*(i.dates for i in plan.items), *(p.dates for p in plan.phases)]:
        days += [dates.at.day] if dates.at else []
        days += [dates.window.start.day, dates.window.end.day] if dates.window else []
    return {"start": min(days).isoformat(), "end": max(days).isoformat()} if days else None


def _phase(maker: Maker, name: str, by_item: Mapping[Key, list[Resource]]) -> Resource:
    phase = next(p for p in maker.plan.phases if p.name == name)
    own = [r for item in maker.plan.items if item.phase == name for r in by_item[item.key]]
    resource = maker.skeleton(
        "CarePlan", Key("phase", name), "phase", phase.title, [("phrase", phase.days), ("awaited", phase.dates.awaited)]
    )
    return _put(
        resource,
        partOf=[maker.reference("CarePlan", PLAN_KEY, "plan")],
        status="active",
        intent="plan",
        title=phase.title,
        subject=maker.subject,
        period=period(phase.dates.window),
        activity=[{"reference": r} for r in _references(maker, own, IN_ACTIVITY)],
    )


def plan_pairs(plan: Plan) -> list[tuple[str, Any]]:
    """The plan extension: everything about the plan that no standard element holds."""
    settings = plan.settings
    return [
        ("pathway", plan.pathway.name),
        ("clinicUrl", plan.episode.clinic_url),
        ("episode", plan.episode.number),
        ("side", plan.side),
        ("anaesthesia", plan.anaesthesia),
        ("zone", plan.zone),
        *(("anchor", _nested(_anchor_pairs(a))) for a in plan.anchors),
        ("letterhead", _nested([("clinic", plan.letterhead.clinic)])),
        *(("telephone", _nested([("role", r), ("number", n)])) for r, n in sorted(plan.letterhead.telephone.items())),
        *(("role", _nested([("role", r), ("title", t)])) for r, t in sorted(plan.letterhead.roles.items())),
        ("overlay", plan.overlays),
        ("settings", _nested([(name, getattr(settings, name)) for name in settings.__dataclass_fields__])),
        ("answers", plan.answers),
        ("withdrawn", plan.withdrawn),
        ("waykeeper", plan.waykeeper),
        ("phases", ",".join(p.name for p in plan.phases)),
    ]


def _anchor_pairs(anchor: Anchor) -> list[tuple[str, Any]]:
    return [
        ("name", anchor.name),
        ("standing", str(anchor.standing)),
        ("moment", anchor.moment),
        ("phrase", anchor.phrase),
        ("evidence", anchor.evidence),
        ("recognise", anchor.recognise),
    ]


def _nested(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    return {"extension": encode("", pairs)["extension"]}
