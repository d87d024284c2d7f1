"""Forms filled in for one plan: ids, dates, references and the digest of the dates."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from waykeeper.fhir.extensions import encode
from waykeeper.fhir.forms import LEADING, Form, Part, forms_of, house, mirror_of
from waykeeper.fhir.names import IDENTIFIER_PATH, ITEM
from waykeeper.fhir.ownership import digest_of_dates, offered
from waykeeper.fhir.resource import Maker, Resource
from waykeeper.plan.model import Item, Key
from waykeeper.timing.model import Dates, Window


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
    """A FHIR Period; both ends have one precision."""
    return {"start": str(window.start), "end": str(window.end)} if window else None


def restriction(dates: Dates) -> dict[str, Any] | None:
    """Task.restriction: from .. due; `at` is the due moment."""
    if dates.at is None:
        return None
    if dates.window:
        return {"period": period(dates.window)}
    return {"period": {"end": str(dates.at)}}


@dataclass(frozen=True, slots=True)
class _When:
    """What one sort of resource says of some dates: elements, those to leave out, extension parts, and the digest."""

    elements: dict[str, Any]
    lacking: tuple[str, ...]
    said: list[Part]
    digest: str


def _occurrence(dates: Dates) -> dict[str, Any]:
    return {"occurrencePeriod": period(dates.window)}


def _requested(dates: Dates) -> dict[str, Any]:
    return {"requestedPeriod": [period(dates.window)] if dates.window else None}


def _restricted(dates: Dates) -> dict[str, Any]:
    return {"restriction": restriction(dates)}


def _told(dates: Dates) -> dict[str, Any]:
    at = dates.at
    return {
        "occurrenceDateTime": str(at) if at else None,
        "occurrencePeriod": None if at else period(dates.window),
    }


def _from(dates: Dates) -> dict[str, str] | None:
    return {"start": str(dates.at)} if dates.at else None


# Sort of resource -> the elements that hold its dates, and whether its item extension says them too.
_ELEMENTS: Mapping[str, tuple[Callable[[Dates], dict[str, Any]], bool]] = {
    "visit": (_occurrence, True),
    "appointment": (_requested, True),
    "task": (_restricted, True),
    "mirror": (_restricted, False),
    "instruction": (_told, True),
    "restriction": (lambda dates: {"occurrencePeriod": _from(dates)}, True),
    "flag": (lambda dates: {"period": _from(dates)}, False),
}


class Filler:
    """Fills the forms of one plan. What it returns shares its insides with the forms: to be read only."""

    def __init__(self, maker: Maker) -> None:
        plan = maker.plan
        self.maker = maker
        self._house = house(tuple(plan.letterhead.roles.items()), plan.patient.test_data)
        self._system = plan.episode.clinic_url + IDENTIFIER_PATH
        self._orders = {key: {"url": "order", "valuePositiveInt": n} for key, n in maker.order.items()}
        # Many items of a plan have the same dates, as one object: known by its address while the plan is there.
        self._said: dict[int, list[Part]] = {}
        self._whens: dict[tuple[str, int], _When] = {}

    def filled(self, item: Item) -> list[Resource]:
        """The resources of an item that has forms, the leading one first."""
        return _FILLERS[item.key.kind](self, item)

    def _fill(self, form: Form, key: Key, sort: str, dates: Dates, links: Mapping[str, Any]) -> Resource:
        """One resource of a sort, with its dates and links."""
        when = self._whens.get((sort, id(dates))) or self._when(sort, dates)
        resource = self._blank(form, key, when.said, when.digest)
        resource.update(links)
        resource.update(when.elements)
        for name in when.lacking:
            del resource[name]
        return resource

    def _when(self, sort: str, dates: Dates) -> _When:
        elements, says = _ELEMENTS[sort]
        found = elements(dates)
        known = {name: value for name, value in found.items() if value}
        said = self._parts(dates) if says else []
        made = _When(known, tuple(found.keys() - known.keys()), said, digest_of_dates(known, said))
        self._whens[sort, id(dates)] = made
        return made

    def _blank(self, form: Form, key: Key, said: list[Part], when: str) -> Resource:
        """The form with its identity and the dates of its extensions; links and elements with dates still lack."""
        maker = self.maker
        identifier = maker.id(key, form.part)
        resource = form.body.copy()
        resource["id"] = identifier
        resource["identifier"] = [{"system": self._system, "value": identifier}]
        place = [{"url": "round", "valuePositiveInt": maker.round(key, form.part)}, self._orders[key]]
        resource["extension"] = [
            {"url": ITEM, "extension": [*form.first, *place, *form.middle, *said, *form.last]},
            offered(when, form.offered),
        ]
        return resource

    def _parts(self, dates: Dates) -> list[Part]:
        found = self._said.get(id(dates))
        if found is None:
            found = self._said[id(dates)] = encode(ITEM, dates_pairs(dates))["extension"]
        return found

    def _visit(self, item: Item) -> list[Resource]:
        form, wish = forms_of(self._house, item)
        subject = self.maker.subject
        request = self._fill(form, item.key, "visit", item.dates, {"subject": subject})
        if not self.maker.plan.settings.proposed_appointments:
            return [request]
        links = {
            "basedOn": [{"reference": self.maker.named(form.kind, request["id"])}],
            "participant": [{"actor": subject, "required": "required", "status": "needs-action"}],
        }
        return [request, self._fill(wish, item.key, "appointment", item.dates, links)]

    def _task(self, item: Item) -> list[Resource]:
        (form,) = forms_of(self._house, item)
        return [self._fill(form, item.key, "task", item.dates, {"for": self.maker.subject})]

    def _instruction(self, item: Item) -> list[Resource]:
        (form,) = forms_of(self._house, item)
        subject = self.maker.subject
        return [self._fill(form, item.key, "instruction", item.dates, {"subject": subject, "recipient": [subject]})]

    def _restriction(self, item: Item) -> list[Resource]:
        request, flag = forms_of(self._house, item)
        links = {"subject": self.maker.subject}
        return [
            self._fill(request, item.key, "restriction", item.dates, links),
            self._fill(flag, item.key, "flag", item.dates, links),
        ]

    def _goal(self, item: Item) -> list[Resource]:
        (form,) = forms_of(self._house, item)
        said, at = self._parts(item.dates), item.dates.at
        due = at.day.isoformat() if at else ""
        goal = self._blank(form, item.key, said, digest_of_dates({"target.dueDate": [due]} if due else {}, said))
        goal["subject"] = self.maker.subject
        if due:
            goal["target"] = [{**form.body["target"][0], "dueDate": due}]
        return [goal]

    def _gate(self, item: Item) -> list[Resource]:
        (gate,) = self._task(item)
        return [gate, *(self._mirror(item, gate["id"], need) for need in item.needs if need.kind != "medicine")]

    def _mirror(self, gate: Item, identifier: str, need: Key) -> Resource:
        """A child of the gate that is done when its focus is; it belongs to the gate and shares its round."""
        form = mirror_of(self._house, gate, need, self.maker.items[need].title)
        links = {
            "for": self.maker.subject,
            "partOf": [{"reference": self.maker.named("Task", identifier)}],
            "focus": self.maker.reference(LEADING[need.kind][0], need, LEADING[need.kind][1]),
        }
        return self._fill(form, gate.key, "mirror", gate.dates, links)


_FILLERS: Mapping[str, Callable[[Filler, Item], list[Resource]]] = {
    "visit": Filler._visit,
    "task": Filler._task,
    "instruction": Filler._instruction,
    "gate": Filler._gate,
    "question": Filler._task,
    "restriction": Filler._restriction,
    "goal": Filler._goal,
}
