"""Forms filled in for one plan: ids, dates, references and the digest of the dates."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, NamedTuple

import orjson

from waykeeper.fhir.forms import LEADING, Form, forms_of, house, mirror_of
from waykeeper.fhir.names import IDENTIFIER_PATH
from waykeeper.fhir.ownership import digest_told, normal, part_told
from waykeeper.fhir.resource import Maker
from waykeeper.plan.model import Item, Key
from waykeeper.timing.model import Dates, Moment, Window

Values = dict[str, bytes]  # JSON text for each gap of a form


class Written(NamedTuple):
    """A resource as JSON text, and what is needed to refer to it."""

    kind: str
    id: str
    text: bytes


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


def period(window: Window | None) -> dict[str, str] | None:
    """A FHIR Period; both ends have one precision. Of `until ...` nobody said the start, so it has only an end."""
    if window is None:
        return None
    start = {} if window.open_start else {"start": str(window.start)}
    return {**start, "end": str(window.end)}


def restriction(dates: Dates) -> dict[str, Any] | None:
    """Task.restriction: from .. due; `at` is the due moment."""
    if dates.at is None:
        return None
    if dates.window:
        return {"period": period(dates.window)}
    return {"period": {"end": str(dates.at)}}


# The same as JSON: as it is written, and with its keys in order as it is digested; two empty texts for nothing.
Said = tuple[str, str]
_NOTHING: Said = ("", "")


def _window(dates: Dates) -> Said:
    if dates.window is None:
        return _NOTHING
    start, end = f'"start":"{dates.window.start}"', f'"end":"{dates.window.end}"'
    if dates.window.open_start:
        return _alike(f"{{{end}}}")
    return f"{{{start},{end}}}", f"{{{end},{start}}}"


def _restricted(dates: Dates) -> Said:
    if dates.at is None:
        return _NOTHING
    return _window(dates) if dates.window else _alike(f'{{"end":"{dates.at}"}}')


def _from(dates: Dates) -> Said:
    return _alike(f'{{"start":"{dates.at}"}}') if dates.at else _NOTHING


def _at(dates: Dates) -> Said:
    return _alike(f'"{dates.at}"') if dates.at else _NOTHING


def _window_without_at(dates: Dates) -> Said:
    return _NOTHING if dates.at else _window(dates)


def _day(dates: Dates) -> Said:
    return _alike(f'"{dates.at.day}"') if dates.at else _NOTHING


def _alike(text: str) -> Said:
    return text, text


@dataclass(frozen=True, slots=True)
class _Element:
    """An element that holds dates: its name, its value, and what stands around that; `path` where it lies deeper."""

    name: str
    value: Callable[[Dates], Said]
    around: tuple[str, str] = ("", "")
    path: str = ""


# Where each sort of resource says its dates. All but the silent say them in the item extension too.
_ELEMENTS: Mapping[str, tuple[_Element, ...]] = {
    "visit": (_Element("occurrencePeriod", _window),),
    "appointment": (_Element("requestedPeriod", _window, ("[", "]")),),
    "task": (_Element("restriction", _restricted, ('{"period":', "}")),),
    "mirror": (_Element("restriction", _restricted, ('{"period":', "}")),),
    "instruction": (_Element("occurrenceDateTime", _at), _Element("occurrencePeriod", _window_without_at)),
    "restriction": (_Element("occurrencePeriod", _from),),
    "flag": (_Element("period", _from),),
    "goal": (_Element("dueDate", _day, path="target.dueDate"),),
}
_SILENT = frozenset({"mirror", "flag"})
# The sorts of the forms of each kind, in their order.
_SORTS: Mapping[str, tuple[str, ...]] = {
    "task": ("task",),
    "question": ("task",),
    "gate": ("task",),
    "instruction": ("instruction",),
    "restriction": ("restriction", "flag"),
    "goal": ("goal",),
}


class Filler:
    """Fills the forms of one plan."""

    def __init__(self, maker: Maker) -> None:
        plan = maker.plan
        self.maker = maker
        system = plan.episode.clinic_url + IDENTIFIER_PATH
        self._house = house(tuple(plan.letterhead.roles.items()), system, plan.patient.test_data)
        self._patient = orjson.dumps(maker.subject)
        # Many items of a plan have the same dates, as one object: known by its address while the plan is there.
        self._parts: dict[int, tuple[bytes, Sequence[str]]] = {}
        self._whens: dict[tuple[str, int], Values] = {}

    def filled(self, item: Item) -> list[Written]:
        """The resources of an item that has forms, the leading one first."""
        key = item.key
        forms = forms_of(self._house, item)
        if key.kind == "visit":
            return self._visit(item, *forms)
        made = [self._fill(form, key, sort, item.dates) for form, sort in zip(forms, _SORTS[key.kind], strict=True)]
        if key.kind == "gate":
            gate = self._named("Task", made[0].id)
            made += [self._mirror(item, gate, need) for need in item.needs if need.kind != "medicine"]
        return made

    def _visit(self, item: Item, form: Form, wish: Form) -> list[Written]:
        request = self._fill(form, item.key, "visit", item.dates)
        if not self.maker.plan.settings.proposed_appointments:
            return [request]
        links = {"request": self._named(form.kind, request.id)}
        return [request, self._fill(wish, item.key, "appointment", item.dates, links)]

    def _mirror(self, gate: Item, named: bytes, need: Key) -> Written:
        """A child of the gate that is done when its focus is; it belongs to the gate and shares its round."""
        form = mirror_of(self._house, gate, need, self.maker.items[need].title)
        kind, part = LEADING[need.kind]
        links = {"gate": named, "needed": self._named(kind, self.maker.id(need, part))}
        return self._fill(form, gate.key, "mirror", gate.dates, links)

    def _named(self, kind: str, identifier: str) -> bytes:
        """How a resource of ours is referred to."""
        return f'"{self.maker.named(kind, identifier)}"'.encode()

    def _fill(self, form: Form, key: Key, sort: str, dates: Dates, links: Values | None = None) -> Written:
        """One resource of a sort, with its identity, its dates and its links."""
        maker = self.maker
        identifier = maker.id(key, form.part)
        quoted = f'"{identifier}"'.encode()
        values = {
            "own id": b"" if maker.urns else b',"id":' + quoted,
            "id": quoted,
            "round": b"%d" % maker.round(key, form.part),
            "order": b"%d" % maker.order[key],
            "patient": self._patient,
            **(self._whens.get((sort, id(dates))) or self._when(sort, dates)),
        }
        if links:
            values |= links
        return Written(form.kind, identifier, form.filled(values))

    def _when(self, sort: str, dates: Dates) -> Values:
        """What one sort of resource says of some dates: elements, parts of its extension, and the digest of all."""
        parts, told = (b"", ()) if sort in _SILENT else self._parts_of(dates)
        values, members = {"dates": parts}, [*told]
        for element in _ELEMENTS[sort]:
            said, digested = element.value(dates)
            before, after = element.around
            values[element.name] = f',"{element.name}":{before}{said}{after}'.encode() if said else b""
            if said and element.path:  # it lies in the entries of a list, and is digested as a list
                members.append(f'"{element.path}":[{digested}]')
            elif said:
                members.append(f'"{element.name}":{before}{digested}{after}')
        values["when"] = f'"{digest_told(members)}"'.encode()
        self._whens[sort, id(dates)] = values
        return values

    def _parts_of(self, dates: Dates) -> tuple[bytes, Sequence[str]]:
        found = self._parts.get(id(dates))
        if found is None:
            found = self._parts[id(dates)] = _parts(dates)
        return found


_TYPES: Mapping[type, str] = {Moment: "valueDateTime", date: "valueDate"}


def _parts(dates: Dates) -> tuple[bytes, Sequence[str]]:
    """The dates as parts of the item extension, and as members of what is digested."""
    parts, told = [], []
    for name, value in dates_pairs(dates):
        if not value:
            continue
        kind = _TYPES.get(type(value))
        if kind:
            said = f'"{kind}":"{value}"'
            parts.append(f',{{"url":"{name}",{said}}}')
            told.append(part_told(name, said))
        else:  # what is awaited, a free text
            parts.append(f',{{"url":"{name}","valueString":{_quoted(value)}}}')
            told.append(part_told(name, f'"valueString":{_quoted(normal(value))}'))
    return "".join(parts).encode(), told


def _quoted(text: str) -> str:
    return orjson.dumps(text).decode()
