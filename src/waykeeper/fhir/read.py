"""FHIR resources -> (Plan, State): the reverse of `write`, with what people recorded since."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, replace
from datetime import date
from functools import lru_cache
from operator import itemgetter
from typing import Any
from zoneinfo import ZoneInfo

import orjson

from waykeeper.fhir.extensions import Said, decode, find, first_of, moment, text_of, words_of
from waykeeper.fhir.gone import entries, gone, types_of
from waykeeper.fhir.hold_told import hold_in
from waykeeper.fhir.identity import Identity, belongs, called, episode_of, identity, own_identifier, parse_key
from waykeeper.fhir.named_again import named_again, plans_among
from waykeeper.fhir.names import DAYS_OF_WEEK, HOLD, ITEM, NO_CAUTION, PLAN
from waykeeper.fhir.ownership import offered_of
from waykeeper.fhir.patients import Patients, merged_with
from waykeeper.fhir.recorded import before_the_end, item_state, plan_state
from waykeeper.fhir.status import status, status_class
from waykeeper.fhir.told import told_of
from waykeeper.fhir.write import LEADING
from waykeeper.findings import WaykeeperError, finding
from waykeeper.pathway.model import Coding, Recognise, Settings, Source
from waykeeper.plan.beside import with_pauses_of_before
from waykeeper.plan.model import (
    Episode,
    Identifier,
    Item,
    Key,
    Letterhead,
    PathwayRef,
    PatientRef,
    Plan,
    PlanPhase,
    State,
)
from waykeeper.plan.patient import patient_ref
from waykeeper.record import Medications, identifier_names, system_of
from waykeeper.timing.model import Anchor, Dates, Moment, Standing, Window

Held = tuple[str, Mapping[str, Any]]  # the reference that names it, and the resource


class UnknownZoneError(WaykeeperError, ValueError):
    """A plan of which no day can be told; a ValueError as whatever else stands wrong in a resource."""


def read(resources: Sequence[Held]) -> tuple[Plan, State]:
    """The one plan among the resources. Raises WaykeeperError WKF101 where there is none or more than one."""
    found = read_all(resources)
    if len(found) != 1:
        raise WaykeeperError(finding("WKF101", f"{len(found)} plans found, one is needed"))
    return found[0]


def read_all(resources: Sequence[Held], left_out: frozenset[str] | None = None) -> list[tuple[Plan, State]]:
    """Every plan among the resources, each with its own parts only, in the order of their roots' identifiers.

    resources   (reference, resource) pairs as `record.resources_of` gives them; the Patient is among them
    left_out    types of which nothing was read, where the resources are only a part of what was: see `types_of`
    """
    roots = [(ref, r) for ref, r in resources if r.get("resourceType") == "CarePlan" and find(r, PLAN) is not None]
    roots.sort(key=lambda pair: str(pair[1].get("identifier")))
    episodes = [(episode, root) for root in roots if (episode := episode_of(root[1])) is not None]
    if not episodes:
        return []
    patients = Patients(resources, {episode.patient.system for episode, _ in episodes})
    left_out = types_of(resources).left_out if left_out is None else left_out
    medications = Medications(resources)
    found: list[tuple[Plan, State]] = []
    of_each: dict[int, list[int]] = {}  # the places of the plans of each patient
    for place, (episode, root) in enumerate(episodes):
        theirs = patients.of(str(episode.patient))
        if theirs:  # one list for each patient, whichever number a plan has of hers
            of_each.setdefault(id(theirs), []).append(place)
        known: list[Own] = []
        nameless: list[Held] = []
        for ref, resource in theirs:
            said = identity(resource)
            if said is None:
                nameless.append((ref, resource))
            else:
                known.append((ref, resource, said))
        own = [one for one in known if belongs(one[2], episode)]
        unsure: list[Held] = []
        if len(own) < len(known):  # of another plan, or without our identifier
            again, unsure = _known_again(episode, known, theirs)
            own += again
        own, twice = _each_once(own)
        doubts = [*_lost(root[1], nameless), *_nobodys(unsure), *twice]
        found.append(_readtext_of(episode, root, own, theirs, doubts, left_out, medications))
    for places in of_each.values():
        if len(places) > 1:
            for place, pair in zip(places, with_pauses_of_before([found[n] for n in places]), strict=True):
                found[place] = pair
    return found


Own = tuple[str, Mapping[str, Any], Identity]
Placed = tuple[tuple[int, str], Item]  # the place in the order, then the name, and the item
Person = Mapping[str, Any]


_STANDS = {"open": 0, "busy": 1}  # before what is over: a copy that says so closes nothing


def _each_once(own: Sequence[Own]) -> tuple[list[Own], list[str]]:
    """Each part once, and what a person must see to: of several with one identity nobody knows which people work with.

    Read is the one that leaves most to do, in whichever order they come.
    """
    by_name: dict[str, list[Own]] = {}
    for one in own:
        by_name.setdefault(one[2].uuid, []).append(one)
    if len(by_name) == len(own):
        return list(own), []
    told = []
    kept = []
    for same in by_name.values():
        if len(same) > 1:
            same.sort(key=lambda one: (_STANDS.get(status_class(one[1]), 2), one[0]))
            told.append(f"{called(same[0][1])} ({' and '.join(sorted(ref for ref, _, _ in same))}): {TWICE}")
        kept.append(same[0])
    return kept, told


def _known_again(episode: Episode, known: Sequence[Own], theirs: Sequence[Held]) -> tuple[list[Own], list[Held]]:
    """The plan's parts that lost our identifier, and what may be one or a part of another plan of this patient."""
    nameless = [(ref, r) for ref, r, _ in known if not own_identifier(r)]
    if not nameless:
        return [], []
    claimed = {said.uuid for _, _, said in known}
    again, unsure = [], []
    for (ref, resource), whose, said in named_again(nameless, plans_among(theirs), claimed):
        if episode in whose and said is not None:
            again.append((ref, resource, said))
        elif episode in whose:
            unsure.append((ref, resource))
    return again, unsure


def _readtext_of(
    episode: Episode,
    root: Held,
    own: Sequence[Own],
    everything: Sequence[Held],
    doubts: Sequence[str],
    left_out: frozenset[str],
    medications: Medications,
) -> tuple[Plan, State]:
    """The plan of one root from its own parts.

    doubts     what a person must see to, beside what is recorded as such
    left_out   types of which nothing at all was read
    """
    said, parts_said = _said_of(orjson.dumps(find(root[1], PLAN)), zone_of(*root))
    zone = parts_said["zone"]
    surgery = next((a.moment.day for a in parts_said["anchors"] if a.name == "surgery" and a.moment), None)
    parts: dict[Key, dict[int, dict[str, Held]]] = {}
    as_before = status(root[1]) in ("completed", "draft", "active")  # also of one that was completed by mistake
    for ref, standing, known in own:
        resource = before_the_end(standing) if as_before else standing
        parts.setdefault(known.key, {}).setdefault(known.round, {})[known.part] = (ref, resource)
    patient, source = _patient(root[1], everything, episode)
    placed: list[Placed] = []
    states = {}
    telling = told_of(everything, [(ref, resource) for ref, resource, _ in own])
    for key, by_round in parts.items():
        if key.kind not in LEADING:
            continue
        leading = _leading(key, by_round)
        if leading is None:
            continue
        states[key] = item_state(key, by_round, telling, zone, surgery)
        placed.append(_item(key, leading[1], zone))
    phases = _phases(parts, zone)
    plan = Plan(
        episode=episode,
        pathway=_pathway(root[1], said, episode.pathway_url),
        patient=patient,
        phases=tuple(phases[n] for n in text_of(said, "phases").split(",") if n in phases),
        items=tuple([item for _, item in sorted(placed, key=itemgetter(0))]),
        source_patient=source,
        **parts_said,
    )
    away = gone(root[1], plan, [known for _, _, known in own], everything, left_out)
    return plan, plan_state(root, states, own, everything, plan, (*doubts, *away), telling, medications, left_out)


@lru_cache(maxsize=1024)  # the plans of one pathway and one surgery day say the same of themselves
def _said_of(extension: bytes, written_in: str) -> tuple[Said, Mapping[str, Any]]:
    """What the root says of the plan, and the parts of the plan that are made of that alone."""
    said = decode(orjson.loads(extension), written_in)
    zone = str(said["zone"][0])
    return said, {
        "anchors": tuple(_anchor(a, zone) for a in said.get("anchor", [])),
        "zone": zone,
        "side": text_of(said, "side"),
        "anaesthesia": text_of(said, "anaesthesia"),
        "letterhead": _letterhead(said, zone),
        "overlays": tuple(said.get("overlay", [])),
        "settings": _settings(said, zone),
        "weekdays": tuple(DAYS_OF_WEEK.index(day) for day in said.get("weekday", ()) if day in DAYS_OF_WEEK),
        "closed": tuple(said.get("closed", ())),
        "answers": text_of(said, "answers"),
        "cautions": tuple(c for c in said["caution"] if c != NO_CAUTION) if "caution" in said else None,
        "waykeeper": text_of(said, "waykeeper"),
        "withdrawn": text_of(said, "withdrawn"),
    }


LOST = (
    "another system saved it without what Waykeeper wrote on it; push or move the plan to mend that, what is left then"
    " a person must close"
)
TWICE = (
    "they have one identity, and nobody can tell which of them people work with; a person must close the wrong one and"
    " take our identifier off it"
)
NOBODYS = "it lost the identifier by which it is known, and nobody can tell of which plan it is; a person must close it"


def _lost(root: Mapping[str, Any], nameless: Sequence[Held]) -> Iterable[str]:
    """What is ours by its name and does not say any more which item it is: its item would be missing in silence."""
    ever = set(offered_of(root).get("ever", ()))
    for ref, resource in nameless if ever else ():
        ours = own_identifier(resource) in ever or resource.get("id") in ever
        if ours and episode_of(resource) is None and _to_mend(root, ref, resource):
            yield f"{called(resource)} ({ref}): {LOST}"


def _nobodys(unsure: Sequence[Held]) -> Iterable[str]:
    return (f"{called(resource)} ({ref}): {NOBODYS}" for ref, resource in unsure)


def _to_mend(root: Mapping[str, Any], ref: str, resource: Mapping[str, Any]) -> bool:
    """True where a push or a person has something to do: not for a booking, nor for what is over and no part any more.

    A push takes what is no part of the plan out of the root's entries; a part that is over is read again by it.
    """
    cls = status_class(resource)
    if resource["resourceType"] == "Appointment":
        return cls == "open"
    return cls in ("open", "busy") or ref in entries(root)


def zone_of(reference: str, root: Mapping[str, Any]) -> str:
    """The time zone of a plan, by its CarePlan. Raises UnknownZoneError WKF102 for a name that is none's."""
    parts = (find(root, PLAN) or {}).get("extension") or []
    zone = str(next((p.get("valueString") for p in parts if p.get("url") == "zone"), "UTC"))
    if not _is_zone(zone):
        raise UnknownZoneError(finding("WKF102", f"{reference}: {zone[:60]!r} is no time zone"))
    return zone


@lru_cache(maxsize=256)
def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # no such zone, no name of one, a folder of them
        return False
    return True


def _leading(key: Key, by_round: Mapping[int, Mapping[str, Held]]) -> Held | None:
    """The leading resource of the newest round that has one (a visit's ServiceRequest stays in its first)."""
    part = LEADING[key.kind][1]
    for number in sorted(by_round, reverse=True):
        if part in by_round[number]:
            return by_round[number][part]
    return None


def _patient(root: Mapping[str, Any], everything: Sequence[Held], episode: Episode) -> tuple[PatientRef, Person]:
    """The patient and the Patient resource; what the subject says, and {}, where that resource is not there.

    Of several with her identifier it is the one that the plan points at, else the first with a name.
    """
    identifier = episode.patient
    subject = root.get("subject") or {}
    found: list[tuple[str, PatientRef, Person]] = []
    for ref, resource in everything:
        if resource.get("resourceType") != "Patient":
            continue
        held = {(i.get("system"), i.get("value")) for i in resource.get("identifier") or []}
        if (identifier.system, identifier.value) in held:
            found.append((ref, patient_ref(resource, identifier), resource))
    if not found:
        return PatientRef(identifier, str(subject.get("reference") or ""), str(subject.get("display") or "")), {}
    ref, best, source = min(found, key=lambda one: (one[0] != subject.get("reference"), not one[1].name))
    named = "" if ref.startswith("urn:") else ref
    return replace(best, reference=named, merged=_merged(everything, identifier)), source


def _merged(everything: Iterable[Held], identifier: Identifier) -> tuple[str, ...]:
    """Her other numbers of the same system, where a link says that records were merged (FHIR R4 Patient.link)."""
    patients = [r for _, r in everything if r.get("resourceType") == "Patient"]
    if not any("link" in r and merged_with(r) for r in patients):
        return ()
    numbers = {name for r in patients for name in identifier_names(r)}
    return tuple(sorted(n for n in numbers if system_of(n) == identifier.system and n != str(identifier)))


def _pathway(root: Mapping[str, Any], said: Said, url: str) -> PathwayRef:
    followed = (str(one).partition("|") for one in root.get("instantiatesCanonical") or ())
    version = next((version for one, _, version in followed if one == url), "")
    name, title = text_of(said, "pathway"), str(root.get("title") or "")
    words = dict(_one_language(part) for part in said.get("words", ()))
    return PathwayRef(name, url, version, "" if title == name else title, words)


def _anchor(nested: Mapping[str, Any], zone: str) -> Anchor:
    said = decode(nested, zone)
    at: Moment | None = said["moment"][0] if said.get("moment") else None
    standing = Standing(text_of(said, "standing"))
    proof = tuple(said.get("recognise", []))
    return Anchor(text_of(said, "name"), at, standing, text_of(said, "phrase"), text_of(said, "evidence"), proof)


def _letterhead(said: Said, zone: str) -> Letterhead:
    nested = {name: [decode(n, zone) for n in said.get(name, [])] for name in ("letterhead", "telephone", "role")}
    clinic = text_of(nested["letterhead"][0], "clinic") if nested["letterhead"] else ""
    return Letterhead(
        clinic,
        {text_of(n, "role"): text_of(n, "number") for n in nested["telephone"]},
        {text_of(n, "role"): text_of(n, "title") for n in nested["role"]},
    )


_SETTINGS = frozenset(f.name for f in fields(Settings))


def _settings(said: Said, zone: str) -> Settings:
    if not said.get("settings"):
        return Settings()
    values = decode(said["settings"][0], zone)
    return Settings(**{k: v[0] for k, v in values.items() if k in _SETTINGS})


def _phases(parts: Mapping[Key, Mapping[int, Mapping[str, Held]]], zone: str) -> dict[str, PlanPhase]:
    newest = {k.item: rounds[max(rounds)]["phase"][1] for k, rounds in parts.items() if k.kind == "phase"}
    return {name: _phase(name, resource, zone) for name, resource in newest.items()}


def _phase(name: str, resource: Mapping[str, Any], zone: str) -> PlanPhase:
    said = decode(find(resource, ITEM), zone)
    dates = Dates(window=_span(resource.get("period"), zone), awaited=text_of(said, "awaited") or None)
    return PlanPhase(name, str(resource.get("title") or ""), text_of(said, "phrase"), dates)


def _window(period: Mapping[str, Any] | None, zone: str) -> Window | None:
    if not period or not period.get("start") or not period.get("end"):
        return None
    return Window(moment(str(period["start"]), zone), moment(str(period["end"]), zone))


def _span(period: Mapping[str, Any] | None, zone: str) -> Window | None:
    """The days of an instruction or a phase; without a start they are those of `until ...`, which has none."""
    if period and period.get("end") and not period.get("start"):
        return Window(Moment(date.min), moment(str(period["end"]), zone))
    return _window(period, zone)


# items


# What an item is read from, beside our extensions: nothing that names the patient, a day of writing or a state.
_OF_ITEM = (
    "resourceType", "language", "occurrencePeriod", "restriction", "code", "payload", "patientInstruction",
    "_patientInstruction", "target",
)  # fmt: skip


def _item(key: Key, resource: Mapping[str, Any], zone: str) -> Placed:
    part: dict[str, Any] = {name: resource[name] for name in _OF_ITEM if name in resource}
    part["extension"] = [e for e in resource.get("extension") or () if e.get("url") in (ITEM, HOLD)]
    return _item_of(key, orjson.dumps(part), zone)


@lru_cache(maxsize=4096)  # patients who have surgery on one day share their items
def _item_of(key: Key, part: bytes, zone: str) -> Placed:
    resource = orjson.loads(part)
    said = decode(find(resource, ITEM), zone)
    item = Item(
        key=key,
        title=text_of(said, "title"),
        phase=text_of(said, "phase"),
        who=text_of(said, "who"),
        why=text_of(said, "why"),
        source=Source(text_of(said, "source"), text_of(said, "grade")),
        harm=int(said.get("harm", [1])[0]),
        phrase=text_of(said, "phrase"),
        window_phrase=text_of(said, "windowPhrase"),
        dates=_dates(resource, said, zone),
        words=_words(resource),
        overlays=tuple(said.get("overlay", [])),
        recognise=_recognise(resource, said),
        minutes=int(said.get("minutes", [0])[0]),
        valid_for=text_of(said, "validFor"),
        redo=text_of(said, "redo"),
        needs=tuple(parse_key(k) for k in said.get("needs", [])),
        before=text_of(said, "before"),
        released_by=text_of(said, "releasedBy"),
        until=text_of(said, "until"),
        measure=text_of(said, "measure"),
        goal_target=_goal_target(resource),
        hold=hold_in(resource, zone),
        fact=text_of(said, "fact"),
        asks_for=tuple(parse_key(k) for k in said.get("asksFor", [])),
        undecided=tuple(said.get("undecided", [])),
    )
    return (int(said.get("order", [0])[0]), str(key)), item


def _dates(resource: Mapping[str, Any], said: Said, zone: str) -> Dates:
    instruction = resource["resourceType"] == "CommunicationRequest"
    return Dates(
        target=first_of(said, "target"),
        at=first_of(said, "at"),
        window=_span(_period(resource), zone) if instruction else _window(_period(resource), zone),
        book_from=first_of(said, "bookFrom"),
        late_from=first_of(said, "lateFrom"),
        due_from=first_of(said, "dueFrom"),
        valid_from=first_of(said, "validFrom"),
        earliest=first_of(said, "earliest"),
        awaited=first_of(said, "awaited"),
    )


def _period(resource: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """Where the type keeps the window: a Period with both ends, or nothing."""
    if resource["resourceType"] == "Task":
        return (resource.get("restriction") or {}).get("period")
    return resource.get("occurrencePeriod")


def _words(resource: Mapping[str, Any]) -> dict[str, str]:
    main = str(resource.get("language") or "")
    if resource["resourceType"] == "CommunicationRequest":
        payload: Mapping[str, Any] = next(iter(resource.get("payload") or []), {})
        return words_of(payload, "contentString", main) if main else {}
    if resource["resourceType"] == "ServiceRequest":
        return words_of(resource, "patientInstruction", main)
    extension = find(resource, ITEM) or {}
    held = [p for p in extension.get("extension") or [] if p.get("url") == "words"]
    return dict(_one_language(part) for part in held)


def _one_language(part: Mapping[str, Any]) -> tuple[str, str]:
    said = {p["url"]: p.get("valueCode") or p.get("valueString") for p in part.get("extension") or []}
    return str(said.get("lang")), str(said.get("content"))


def _recognise(resource: Mapping[str, Any], said: Said) -> Recognise:
    codings = (resource.get("code") or {}).get("coding") or [] if resource["resourceType"] == "ServiceRequest" else []
    types = tuple(Coding(c.get("system", ""), c.get("code", ""), c.get("display", "")) for c in codings)
    return Recognise(
        types, tuple(said.get("specialty", [])), tuple(said.get("word", [])), bool(said.get("telehealth", [False])[0])
    )


def _goal_target(resource: Mapping[str, Any]) -> str:
    targets = resource.get("target") if resource["resourceType"] == "Goal" else None
    target: Mapping[str, Any] = next(iter(targets or []), {})
    return str(target.get("detailString") or "")
