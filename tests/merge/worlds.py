"""The places in which the stories are told: in memory, or on a running server. One interface.

`push(plan)` decides and sends; `at(key, part)` is what stands; `edit(...)` is what a person does to it.
"""

from __future__ import annotations

import copy
import uuid
from datetime import date, timedelta

from merge.small import SURGERY, compiled, new_identifier, patient
from waykeeper.exchange import Server
from waykeeper.exchange.reading import of_patients, one_patient
from waykeeper.fhir import answers, belongs, identity, read_all
from waykeeper.merge import Decisions, apply, decide
from waykeeper.plan.model import Answers, Key, Plan

TODAY = date(2026, 3, 1)


def later(days: int) -> date:
    """Surgery moved by so many days."""
    return SURGERY + timedelta(days=days)


class World:
    """What stands, and what people do with it."""

    today = TODAY  # the day on which people push

    def __init__(self):
        self.identifier = new_identifier()

    # subclasses: resources(), send(decisions), put(ref, resource), add(resource) -> ref, remove(ref)

    def plan(self, surgery: date = SURGERY, **options) -> Plan:
        """The plan, compiled with what the world holds, as `compile --from` does."""
        state = self.state(options.get("episode", 1))
        told = answers(state) if state else Answers()
        return compiled(self.identifier, surgery, answers=told, **options)

    def state(self, episode: int = 1):
        """What is recorded of the plan, None where none stands."""
        found = [s for p, s in read_all(self.resources()) if p.episode.number == episode]
        return found[0] if found else None

    def push(self, plan: Plan | None = None, take=None, **options) -> Decisions:
        """One push, without guards: decide and send."""
        plan = plan or self.plan(**options)
        made = decide(self.located(plan), self.resources(), take=take, today=self.today)
        self.send(made)
        return made

    def located(self, plan: Plan) -> Plan:
        return plan

    def at(self, key: Key, part: str, number: int | None = None, *, episode: int = 1):
        """The resource of one part: of the round named, else of the newest; None where there is none."""
        held = self._held(key, part, number, episode)
        return held[1] if held else None

    def _held(self, key, part, number=None, episode=1):
        wanted = compiled(self.identifier, episode=episode).episode
        found = [
            (said.round, ref, r)
            for ref, r in self.resources()
            if (said := identity(r)) and belongs(said, wanted) and (said.key, said.part) == (key, part)
        ]
        found = [f for f in found if number in (None, f[0])]
        return max(found, key=lambda f: f[0])[1:] if found else None

    def edit(self, key: Key, part: str, number: int | None = None, **fields) -> None:
        """A person changes elements; None takes one away."""
        ref, resource = self._held(key, part, number)
        made = {**copy.deepcopy(resource), **fields}
        self.put(ref, {k: v for k, v in made.items() if v is not None})

    def delete(self, key: Key, part: str) -> None:
        """A person deletes a resource, and what points at it lets go first where the server insists."""
        ref, _ = self._held(key, part)
        for other, resource in self.resources():
            entries = [a for a in resource.get("activity", []) if a["reference"]["reference"] != ref]
            if len(entries) != len(resource.get("activity", [])):
                rest = {k: v for k, v in resource.items() if k != "activity"}
                self.put(other, rest | ({"activity": entries} if entries else {}))
            if (resource.get("focus") or {}).get("reference") == ref:
                self.put(other, {k: v for k, v in resource.items() if k != "focus"})
        self.remove(ref)

    def ref(self, key: Key, part: str, number: int | None = None) -> str:
        """Where a part stands."""
        return self._held(key, part, number)[0]

    def conflicts(self) -> list[dict]:
        """Open conflict Tasks."""
        said = [(identity(r), r) for _, r in self.resources()]
        return [r for k, r in said if k and k.part == "conflict" and r["status"] in ("requested", "accepted")]


class Memory(World):
    """A server that is a list."""

    def __init__(self):
        super().__init__()
        self.held = [("Patient/1", {**patient(self.identifier), "id": "1"})]

    def resources(self):
        return list(self.held)

    def send(self, decisions):
        self.held = list(decisions.standing)

    def put(self, ref, resource):
        self.held = [(r, resource if r == ref else old) for r, old in self.held]

    def add(self, resource):
        ref = f"{resource['resourceType']}/{uuid.uuid4()}"
        self.held.append((ref, {**resource, "id": ref.partition("/")[2]}))
        return ref

    def remove(self, ref):
        self.held = [(r, old) for r, old in self.held if r != ref]

    @property
    def patient(self):
        return "Patient/1"


class Live(World):
    """A running server, through the client that a push uses. `form` is how it creates."""

    def __init__(self, base: str, form: str):
        super().__init__()
        self.server, self.form = Server(base), form
        self._read = None
        self.patient = self.add(patient(self.identifier))

    def resources(self):
        if self._read is None:
            held = one_patient(self.server, self.identifier)
            self._read = [held, *of_patients(self.server, [held[0]])]
        return self._read

    def located(self, plan):
        from dataclasses import replace

        return replace(plan, patient=replace(plan.patient, reference=self.patient))

    def send(self, decisions):
        bundle = apply(decisions, form=self.form)
        self._read = None
        if bundle["entry"]:
            self.server.bundle(bundle)

    def put(self, ref, resource):
        self._read = None
        answer = self.server.send("PUT", ref, resource, headers={"If-Match": f'W/"{resource["meta"]["versionId"]}"'})
        assert answer.status == 200, answer.document

    def add(self, resource):
        self._read = None
        kind = resource["resourceType"]
        answer = self.server.send("POST", kind, resource, headers={"Prefer": "return=representation"})
        assert answer.status == 201, answer.document
        return f"{kind}/{answer.document['id']}"

    def remove(self, ref):
        self._read = None
        answer = self.server.send("DELETE", ref)
        assert answer.status in (200, 204), answer.document
