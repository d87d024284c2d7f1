"""Forms filled in for one plan: ids, dates, references and the digest of the dates."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import orjson

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
        self._restrictions: dict[int, dict[str, Any] | None] = {}
        self._digests: dict[bytes, str] = {}

    def filled(self, item: Item) -> list[Resource]:
        """The resources of an item that has forms, the leading one first."""
        return _FILLERS[item.key.kind](self, item)

    def _fill(
        self, form: Form, key: Key, said: list[Part], links: Mapping[str, Any], dates: Mapping[str, Any]
    ) -> Resource:
        """One resource: `said` are the dates of the item extension, `dates` elements that are left out where empty."""
        known = {name: value for name, value in dates.items() if value}
        resource = self._blank(form, key, said, self._when(known, said))
        resource.update(links)
        resource.update(known)
        if len(known) < len(dates):
            for name in dates.keys() - known.keys():
                del resource[name]
        return resource

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

    def _restriction(self, dates: Dates) -> dict[str, Any] | None:
        if id(dates) not in self._restrictions:
            self._restrictions[id(dates)] = restriction(dates)
        return self._restrictions[id(dates)]

    def _when(self, elements: Mapping[str, Any], said: list[Part]) -> str:
        written = orjson.dumps([elements, said])
        found = self._digests.get(written)
        if found is None:
            found = self._digests[written] = digest_of_dates(elements, said)
        return found

    def _visit(self, item: Item) -> list[Resource]:
        subject, window, said = self.maker.subject, period(item.dates.window), self._parts(item.dates)
        form, wish = forms_of(self._house, item)
        request = self._fill(form, item.key, said, {"subject": subject}, {"occurrencePeriod": window})
        if not self.maker.plan.settings.proposed_appointments:
            return [request]
        links = {
            "basedOn": [{"reference": self.maker.named(form.kind, request["id"])}],
            "participant": [{"actor": subject, "required": "required", "status": "needs-action"}],
        }
        return [request, self._fill(wish, item.key, said, links, {"requestedPeriod": [window] if window else None})]

    def _task(self, item: Item) -> list[Resource]:
        (form,) = forms_of(self._house, item)
        links, dates = {"for": self.maker.subject}, {"restriction": self._restriction(item.dates)}
        return [self._fill(form, item.key, self._parts(item.dates), links, dates)]

    def _instruction(self, item: Item) -> list[Resource]:
        (form,) = forms_of(self._house, item)
        subject, at = self.maker.subject, item.dates.at
        dates = {
            "occurrenceDateTime": str(at) if at else None,
            "occurrencePeriod": None if at else period(item.dates.window),
        }
        links = {"subject": subject, "recipient": [subject]}
        return [self._fill(form, item.key, self._parts(item.dates), links, dates)]

    def _restricted(self, item: Item) -> list[Resource]:
        start = {"start": str(item.dates.at)} if item.dates.at else None
        request, flag = forms_of(self._house, item)
        links = {"subject": self.maker.subject}
        return [
            self._fill(request, item.key, self._parts(item.dates), links, {"occurrencePeriod": start}),
            self._fill(flag, item.key, [], links, {"period": start}),
        ]

    def _goal(self, item: Item) -> list[Resource]:
        (form,) = forms_of(self._house, item)
        said, at = self._parts(item.dates), item.dates.at
        due = at.day.isoformat() if at else ""
        goal = self._blank(form, item.key, said, self._when({"target.dueDate": [due]} if due else {}, said))
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
        return self._fill(form, gate.key, [], links, {"restriction": self._restriction(gate.dates)})


_FILLERS: Mapping[str, Callable[[Filler, Item], list[Resource]]] = {
    "visit": Filler._visit,
    "task": Filler._task,
    "instruction": Filler._instruction,
    "gate": Filler._gate,
    "question": Filler._task,
    "restriction": Filler._restricted,
    "goal": Filler._goal,
}
