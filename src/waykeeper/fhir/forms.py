"""The most frequent resources as forms: all that an item says whoever the patient is, printed once, filled in for each.

What makes a form sees no patient and no date: it is given the clinic's own words and the item without its dates. A form
is JSON text with gaps; to fill one in is to join texts. Forms are kept and shared by every plan that says the same.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from operator import attrgetter, itemgetter
from typing import Any

import orjson

from waykeeper.fhir.extensions import coding, encode, ordered, with_translations
from waykeeper.fhir.names import CATEGORIES, ITEM, TASK_CODES
from waykeeper.fhir.ownership import digests, offered
from waykeeper.fhir.resource import Resource, language_of, meta, narrative, performer
from waykeeper.plan.model import Item, Key

KEPT = 4096  # forms: some hundred for a pathway and a clinic

# The type and part of the resource that leads each kind of item.
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

Pair = tuple[str, Any]


@dataclass(frozen=True, slots=True)
class Form:
    """A resource as JSON text with gaps.

    text  with `%b` for each gap, as the operator `%` reads it
    gaps  takes what fills them, each of it JSON text, from all that a plan says; see `_gap` and `_optional`
    """

    kind: str
    part: str
    text: bytes
    gaps: Callable[[Mapping[str, bytes]], tuple[bytes, ...]]

    def filled(self, values: Mapping[str, bytes]) -> bytes:
        """The resource, with a value in each gap."""
        return self.text % self.gaps(values)


def _gap(name: str) -> Any:
    """Stands in a form for one JSON value."""
    return orjson.Fragment(b"\0%b\0" % name.encode())  # JSON writes this character otherwise, so no text can hold it


def _optional(name: str) -> Any:
    """Stands in a form for a whole element or for some entries of a list: text that begins with a comma, or nothing."""
    return orjson.Fragment(b"\0?%b\0" % name.encode())


_OWN_COMMA = re.compile(rb',(?:"\w+":)?(?=\0\?)')  # what is written before an optional gap belongs to what fills it


def _cut(kind: str, part: str, body: Resource) -> Form:
    """The form of a resource with gaps in it."""
    pieces = _OWN_COMMA.sub(b"", orjson.dumps(body)).split(b"\0")
    text = b"%b".join(piece.replace(b"%", b"%%") for piece in pieces[::2])
    return Form(kind, part, text, itemgetter(*(gap.decode().removeprefix("?") for gap in pieces[1::2])))


def _known(value: Any) -> Any:
    """The same without gaps."""
    if isinstance(value, dict):
        return {k: _known(v) for k, v in value.items() if type(v) is not orjson.Fragment}
    if isinstance(value, list):
        return [_known(v) for v in value if type(v) is not orjson.Fragment]
    return value


@dataclass(frozen=True, eq=False)
class House:
    """What forms may know beside the item: the titles of the clinic's roles, the system of our identifiers, and whether
    all of it is a test. `latest` has the forms of each key, with what they say.
    """

    roles: Mapping[str, str]
    system: str
    test_data: bool
    latest: dict[Key, tuple[tuple[Any, ...], tuple[Form, ...]]] = field(default_factory=dict)


@lru_cache(maxsize=64)
def house(roles: tuple[tuple[str, str], ...], system: str, test_data: bool) -> House:
    """One object for equal contents, so that forms are found by it quickly."""
    return House(dict(roles), system, test_data)


# Of an item: what a form may know. Never dates, nor anything of a medicine.
_STILL = (
    "key", "title", "phase", "who", "why", "source", "harm", "phrase", "window_phrase", "overlays", "recognise",
    "minutes", "valid_for", "redo", "needs", "before", "released_by", "until", "measure", "fact", "asks_for",
    "undecided", "goal_target",
)  # fmt: skip
_still = attrgetter(*_STILL)


def forms_of(house: House, item: Item) -> tuple[Form, ...]:
    """The forms of an item, the leading one first; of a gate without its mirrors."""
    said = (*_still(item), *item.words.items())
    latest = house.latest.get(item.key)
    if latest is not None and latest[0] == said:  # nearly always: quicker to see than to hash it all
        return latest[1]
    made = _forms(house, said)
    if len(house.latest) >= KEPT:
        house.latest.clear()
    house.latest[item.key] = (said, made)
    return made


@lru_cache(maxsize=KEPT)
def _forms(house: House, said: tuple[Any, ...]) -> tuple[Form, ...]:
    still, words = said[: len(_STILL)], said[len(_STILL) :]
    item = Item(**dict(zip(_STILL, still, strict=True)), words=dict(words))
    return _FORMS[item.key.kind](house, item)


def mirror_of(house: House, gate: Item, need: Key, needed: str) -> Form:
    """The form of a gate's child for one thing that the gate needs, by its title."""
    said = (gate.key, gate.title, gate.why, language_of(gate.words))
    return _mirror(house, *said, need, needed)


@lru_cache(maxsize=KEPT)
def _mirror(house: House, key: Key, title: str, why: str, language: str, need: Key, needed: str) -> Form:
    item = Item(key, title, why=why)
    rest = {
        **_task_elements(item, "mirror"),
        "description": f"Needed: {needed}",
        **({"reasonCode": {"text": why}} if why else {}),
        "partOf": [{"reference": _gap("gate")}],
        "focus": {"reference": _gap("needed")},
        "restriction": _optional("restriction"),
    }
    shown = narrative(f"{title}: {needed}", language)
    said = [("mirrors", str(need))]
    return _form(house, "Task", item, f"mirror:{need}", rest, middle=said, language=language, shown=shown)


def _form(
    house: House,
    kind: str,
    item: Item,
    part: str,
    elements: Mapping[str, Any],
    *,
    middle: Sequence[Pair] = (),
    last: Sequence[Pair] = (),
    language: str = "",
    shown: Mapping[str, str] | None = None,
) -> Form:
    language = language or language_of(item.words)
    place = [{"url": "round", "valuePositiveInt": _gap("round")}, {"url": "order", "valuePositiveInt": _gap("order")}]
    first, before, behind = (_parts(p) for p in ([("key", str(item.key)), ("part", part)], middle, last))
    body = {
        "resourceType": kind,
        "id": _optional("own id"),
        "meta": meta(house.test_data),
        **({"language": language} if language else {}),
        "text": shown or narrative(item.title, language),
        "extension": [{"url": ITEM, "extension": [*first, *place, *before, _optional("dates"), *behind]}],
        "identifier": [{"system": house.system, "value": _gap("id")}],
        **{name: value for name, value in elements.items() if value not in (None, [], {}, "")},
    }
    body["extension"].append(offered({**digests(_known(body)), "when": _gap("when")}))
    return _cut(kind, part, body)


def _parts(pairs: Sequence[Pair]) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = encode(ITEM, pairs)["extension"]
    return found


def _leading(house: House, kind: str, item: Item, part: str, elements: Mapping[str, Any], last: Sequence[Pair]) -> Form:
    return _form(house, kind, item, part, elements, middle=text_pairs(item), last=last)


def text_pairs(item: Item) -> list[Pair]:
    """The parts of the item extension before the dates."""
    return [
        ("title", item.title),
        ("phase", item.phase),
        ("phrase", item.phrase),
        ("windowPhrase", item.window_phrase),
    ]


def reason_pairs(item: Item) -> list[Pair]:
    """The parts of the item extension behind the dates."""
    return [
        ("who", item.who),
        ("why", item.why),
        ("harm", item.harm),
        ("source", item.source.cite),
        ("grade", item.source.grade),
        ("overlay", item.overlays),
        ("validFor", item.valid_for),
        ("redo", item.redo),
        ("needs", tuple(str(k) for k in item.needs)),
        ("before", item.before),
        ("releasedBy", item.released_by),
        ("until", item.until),
        ("measure", item.measure),
        ("minutes", item.minutes or None),
        ("word", item.recognise.words),
        ("specialty", item.recognise.specialty),
        ("telehealth", item.recognise.telehealth or None),
        ("fact", item.fact),
        ("asksFor", tuple(str(k) for k in item.asks_for)),
        ("undecided", item.undecided),
    ]


def words_pairs(words: Mapping[str, str]) -> list[Pair]:
    """Patient words for types that have no element for them: a part for each language, shaped as a translation is.

    A translation on the value itself would be legal too, but widely used models refuse a primitive's extension there.
    """
    return [("words", _language_part(lang, words[lang])) for lang in ordered(words)]


def _language_part(lang: str, text: str) -> dict[str, Any]:
    return {"extension": [{"url": "lang", "valueCode": lang}, {"url": "content", "valueString": text}]}


# one function a kind


def _visit(house: House, item: Item) -> tuple[Form, ...]:
    types = [coding(c) for c in item.recognise.service_type]
    what = {"coding": types, "text": item.title} if types else {"text": item.title}
    reason = [{"text": item.why}] if item.why else None
    request = {
        "status": "active",
        "intent": "plan",
        "category": [_category("visit", "Planned visit")],
        "code": what,
        "subject": _gap("patient"),
        "occurrencePeriod": _optional("occurrencePeriod"),
        "performerType": next(iter(performer(house.roles, item.who)), None),
        "reasonCode": reason,
        **with_translations("patientInstruction", item.words),
    }
    wish = {
        "status": "proposed",
        "serviceType": [what],
        "specialty": [{"coding": [coding(c)]} for c in item.recognise.specialty],
        "reasonCode": reason,
        "description": item.title,
        "minutesDuration": item.minutes or None,
        **with_translations("patientInstruction", item.words),
        "basedOn": [{"reference": _gap("request")}],
        "participant": [{"actor": _gap("patient"), "required": "required", "status": "needs-action"}],
        "requestedPeriod": _optional("requestedPeriod"),
    }
    return (
        _leading(house, "ServiceRequest", item, "request", request, reason_pairs(item)),
        _form(house, "Appointment", item, "appointment", wish),
    )


def _category(code: str, text: str) -> dict[str, Any]:
    return {"coding": [{"system": CATEGORIES, "code": code}], "text": text}


def _task_elements(item: Item, code: str) -> dict[str, Any]:
    return {
        "status": "requested",
        "intent": "plan",
        "code": {"coding": [{"system": TASK_CODES, "code": code}], "text": item.title},
        "description": item.title,
        "for": _gap("patient"),
    }


def _task(part: str, code: str) -> Callable[[House, Item], tuple[Form, ...]]:
    def made(house: House, item: Item) -> tuple[Form, ...]:
        who = item.released_by if item.key.kind == "gate" else item.who
        elements = {
            **_task_elements(item, code),
            "reasonCode": {"text": item.why} if item.why else None,
            "performerType": performer(house.roles, who),
            "restriction": _optional("restriction"),
        }
        return (_leading(house, "Task", item, part, elements, [*reason_pairs(item), *words_pairs(item.words)]),)

    return made


def _instruction(house: House, item: Item) -> tuple[Form, ...]:
    system = "http://terminology.hl7.org/CodeSystem/communication-category"
    elements = {
        "status": "active",
        "category": [{"coding": [{"system": system, "code": "instruction"}]}],
        "subject": _gap("patient"),
        "payload": [with_translations("contentString", item.words) or {"contentString": item.title}],
        "occurrenceDateTime": _optional("occurrenceDateTime"),
        "occurrencePeriod": _optional("occurrencePeriod"),
        "recipient": [_gap("patient")],
        "reasonCode": [{"text": item.why}] if item.why else None,
    }
    return (_leading(house, "CommunicationRequest", item, "instruction", elements, reason_pairs(item)),)


def _restriction(house: House, item: Item) -> tuple[Form, ...]:
    request = {
        "status": "active",
        "intent": "plan",
        "category": [_category("restriction", "Restriction")],
        "doNotPerform": True,
        "code": {"text": item.title},
        "subject": _gap("patient"),
        "occurrencePeriod": _optional("occurrencePeriod"),
        "reasonCode": [{"text": item.why}] if item.why else None,
        **with_translations("patientInstruction", item.words),
    }
    safety = {"system": "http://terminology.hl7.org/CodeSystem/flag-category", "code": "safety", "display": "Safety"}
    flag = {
        "status": "active",
        "category": [{"coding": [safety]}],
        "code": {"text": item.title},
        "subject": _gap("patient"),
        "period": _optional("period"),
    }
    return (
        _leading(house, "ServiceRequest", item, "request", request, reason_pairs(item)),
        _form(house, "Flag", item, "flag", flag),
    )


def _goal(house: House, item: Item) -> tuple[Form, ...]:
    target = {
        "measure": {"text": item.measure or item.title},
        **({"detailString": item.goal_target} if item.goal_target else {}),
        "dueDate": _optional("dueDate"),
    }
    elements = {
        "lifecycleStatus": "active",
        "description": {"text": item.title},
        "subject": _gap("patient"),
        "target": [target],
    }
    return (_leading(house, "Goal", item, "goal", elements, [*reason_pairs(item), *words_pairs(item.words)]),)


_FORMS: Mapping[str, Callable[[House, Item], tuple[Form, ...]]] = {
    "visit": _visit,
    "task": _task("task", "carry-out"),
    "instruction": _instruction,
    "gate": _task("gate", "gate"),
    "question": _task("ask", "ask"),
    "restriction": _restriction,
    "goal": _goal,
}
FILLED = frozenset(_FORMS)
