"""Plan -> FHIR R4 resources, part by part. The table of the mapping is in README.md."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

import orjson

from waykeeper.fhir.extensions import coding, encode, with_translations
from waykeeper.fhir.filling import Filler, Written, dates_pairs, period, restriction
from waykeeper.fhir.forms import FILLED, LEADING, reason_pairs, text_pairs, words_pairs
from waykeeper.fhir.names import DAYS_OF_WEEK, HOLD, NO_CAUTION, PLAN
from waykeeper.fhir.ownership import with_offered
from waykeeper.fhir.resource import Maker, Resource
from waykeeper.medicines import BY_HOURS, NOT_TAKEN, unclear
from waykeeper.plan.model import HoldAnswer, HoldProposal, Item, Key, Offer, Plan, PlanPhase
from waykeeper.timing.model import Anchor, Moment

__all__ = ["IN_ACTIVITY", "LEADING", "PLAN_KEY", "parts", "surgery_day", "write"]

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
ANSWERED_NOT_TAKEN = {
    "en": "Do with this medicine what your prescriber decided. If you are not sure, call us.",
    "es": "Haga con esta medicina lo que decidió su médico. Si tiene dudas, llámenos.",
}
PLAN_KEY = Key("plan", "plan")
IN_ACTIVITY = {"Appointment", "CommunicationRequest", "MedicationRequest", "Task", "ServiceRequest"}


def write(plan: Plan, rounds: Mapping[Key, int] | None = None) -> list[Resource]:
    """Every resource of a plan: the root CarePlan first, then its phases, then the parts of each item in plan order.

    `rounds` gives items a later round than the first. References among them are `Type/id` with computed ids. Each
    carries the digests of what it offers. The caller may change them: they share nothing with another plan.
    """
    texts = [one.text for one in parts(Maker(plan, rounds or {}))]
    found: list[Resource] = orjson.loads(b"[%b]" % b",".join(texts))
    return found


def parts(maker: Maker) -> list[Written]:
    """As `write`, as JSON texts, with references as the maker writes them; in a transaction they have no id."""
    plan = maker.plan
    filler = Filler(maker)
    everything: list[Written] = []
    of_phase: dict[str, list[Written]] = {phase.name: [] for phase in plan.phases}
    for item in plan.items:
        made = filler.filled(item) if item.key.kind in FILLED else _offered(maker, item)
        everything += made
        of_phase.setdefault(item.phase, []).extend(made)
    entries = {one.id: _activity_entry(maker, one) for one in everything if one.kind in IN_ACTIVITY}
    phases = [_phase(maker, phase, _activity(entries, of_phase[phase.name])) for phase in plan.phases]
    root = _root(maker, everything, _activity(entries, everything))
    ever = (root["id"], *(r["id"] for r in phases), *dict.fromkeys(one.id for one in everything))
    plans = [with_offered(root, ever=ever), *(with_offered(r) for r in phases)]
    return [*(_written(maker, r) for r in plans), *everything]


def _offered(maker: Maker, item: Item) -> list[Written]:
    """The resources of an item without forms: a medicine's."""
    day = surgery_told(maker.plan, item)
    return [_written(maker, with_offered(r, surgery=day)) for r in _WRITERS[item.key.kind](maker, item)]


def _written(maker: Maker, resource: Resource) -> Written:
    said = {name: value for name, value in resource.items() if name != "id"} if maker.urns else resource
    return Written(resource["resourceType"], resource["id"], orjson.dumps(said))


def surgery_day(plan: Plan) -> str:
    """The day of surgery as text, "" where it is not known."""
    day = plan.surgery_day
    return day.isoformat() if day else ""


def surgery_told(plan: Plan, item: Item) -> str:
    """The surgery that a medicine is answered for: its day, and its hour too where the limit is counted in hours."""
    anchor = plan.anchor("surgery")
    moment = anchor.moment if anchor else None
    by_hours = item.hold is not None and BY_HOURS in item.hold.notes
    if moment is None or moment.clock is None or not by_hours:
        return surgery_day(plan)
    return f"{moment.day.isoformat()}T{moment.clock:%H:%M}"


# the item extension


def item_pairs(item: Item) -> list[tuple[str, Any]]:
    """What the item extension of an item's leading resource says behind the key."""
    return [*text_pairs(item), *dates_pairs(item.dates), *reason_pairs(item)]


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
        ("doseMg", None if hold.dose_mg is None else f"{hold.dose_mg.normalize():f}"),
        ("note", hold.notes),
        ("alternative", hold.alternatives),
        ("reference", hold.reference),
        ("code", hold.codes),
        ("proposed", _offer(hold.offer)),
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
        ("answeredTo", _offer(answer.offer)),
    ]


def _offer(offer: Offer | None) -> dict[str, Any] | None:
    """What was proposed, as a part of its own: no answer, and nobody's editing of the hold, takes its place."""
    if offer is None:
        return None
    return _nested([
        ("decision", offer.decision),
        ("missedDays", offer.missed_days),
        ("lastDose", offer.last_dose),
        ("lastLimit", offer.last_limit),
        ("question", offer.question),
        ("ground", offer.ground),
        ("clearance", offer.clearance),
        ("measured", offer.measured),
        ("turnsOn", offer.turns),
        ("waykeeper", offer.version),
    ])  # fmt: skip


def _put(resource: Resource, **fields: Any) -> Resource:
    resource.update({k: v for k, v in fields.items() if v not in (None, [], {}, "")})
    return resource


# one writer for each kind that has no forms


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
    return [resource, confirm, *stop_and_restart(maker, item, source)]


def _held(item: Item) -> HoldProposal:
    if item.hold is None:
        raise ValueError(f"{item.key} has no proposal")
    return item.hold


def _concept(hold: HoldProposal) -> dict[str, Any]:
    codes = [coding(c) for c in hold.codes]
    return {"coding": codes, "text": hold.words} if codes else {"text": hold.words}


def _patient_words(hold: HoldProposal) -> Mapping[str, str]:
    """What the patient reads, always without dates, and nothing of a proposal before it is clearly answered."""
    if hold.answered is None or unclear(hold.answered):
        return UNANSWERED
    if hold.answered.missed_days is not None:
        return ANSWERED
    return ANSWERED_NOT_TAKEN if hold.answered.decision in NOT_TAKEN else ANSWERED_OTHERWISE


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


def stop_and_restart(maker: Maker, item: Item, source: dict[str, Any] | None) -> list[Resource]:
    """Tasks that exist only once a prescriber clearly answered with a number of days."""
    hold = _held(item)
    answer = hold.answered
    if answer is None or answer.missed_days is None or unclear(answer) or hold.last_dose is None:
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
    facts = [*item_pairs(item), *words_pairs(item.words)]
    task = maker.task(item, "review", "confirm" if settled else "review", facts)
    _put(task, performerType=maker.role(item.who), restriction=restriction(item.dates))
    task["extension"].append(encode(HOLD, hold_pairs(hold)))
    gates = maker.gates_of.get(item.key, [])
    due = {"period": {"end": str(item.dates.due_from)}} if item.dates.due_from else None
    source = source_reference(hold.reference, hold.words)
    _put(task, focus=source, partOf=[maker.reference("Task", g, "gate") for g in gates], restriction=due)
    return [task, *stop_and_restart(maker, item, source)]


_WRITERS = {
    "hold": _hold,
    "medicine": _medicine,
}


# the plan and its phases


def _root(maker: Maker, everything: list[Written], activity: orjson.Fragment | None) -> Resource:
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
        goal=[{"reference": maker.named(one.kind, one.id)} for one in everything if one.kind == "Goal"],
        supportingInfo=[{"reference": maker.named(one.kind, one.id)} for one in everything if one.kind == "Flag"],
        activity=activity,
    )


def _activity_entry(maker: Maker, one: Written) -> bytes:
    return f'{{"reference":{{"reference":"{maker.named(one.kind, one.id)}"}}}}'.encode()


def _activity(entries: Mapping[str, bytes], resources: Iterable[Written]) -> orjson.Fragment | None:
    """CarePlan.activity as JSON: the entries of these resources that have one."""
    found = [entries[one.id] for one in resources if one.id in entries]
    return orjson.Fragment(b"[%b]" % b",".join(found)) if found else None


def _span(plan: Plan) -> dict[str, str] | None:
    """From the first to the last dated day of the plan."""
    days: list[date] = []
    for dates in [*(i.dates for i in plan.items), *(p.dates for p in plan.phases)]:
        days += [dates.at.day] if dates.at else []
        days += [m.day for m in (dates.window.start, dates.window.end) if m.day != date.min] if dates.window else []
    return {"start": min(days).isoformat(), "end": max(days).isoformat()} if days else None


def _phase(maker: Maker, phase: PlanPhase, activity: orjson.Fragment | None) -> Resource:
    said = [("phrase", phase.days), ("awaited", phase.dates.awaited)]
    resource = maker.skeleton("CarePlan", Key("phase", phase.name), "phase", phase.title, said)
    return _put(
        resource,
        partOf=[maker.reference("CarePlan", PLAN_KEY, "plan")],
        status="active",
        intent="plan",
        title=phase.title,
        subject=maker.subject,
        period=period(phase.dates.window),
        activity=activity,
    )


def plan_pairs(plan: Plan) -> list[tuple[str, Any]]:
    """The plan extension: everything about the plan that no standard element holds."""
    settings = plan.settings
    return [
        ("pathway", plan.pathway.name),
        *words_pairs(plan.pathway.words),
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
        ("weekday", tuple(DAYS_OF_WEEK[day] for day in plan.weekdays)),
        ("closed", plan.closed),
        ("answers", plan.answers),
        ("caution", plan.cautions if plan.cautions is None else plan.cautions or (NO_CAUTION,)),
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
