"""Two records of one patient that were made one: what other systems write at either is hers on a server too.

FHIR R4 link-type (hl7.org/fhir/R4/valueset-link-type.html): replaced-by "The patient resource containing this link must
no longer be used ... points forward to another patient resource that must be used in lieu"; with seealso both are
"in use and valid". Search parameter `link` of Patient (hl7.org/fhir/R4/patient.html#search): "All patients linked to
the given patient".
"""

from __future__ import annotations

from datetime import date

import pytest

from exchange.conftest import PUSHED
from merge.small import compiled, new_identifier
from waykeeper.exchange import Server
from waykeeper.exchange.errors import refusal
from waykeeper.exchange.noting import note
from waykeeper.exchange.pushing import PlanRefusedError, push
from waykeeper.exchange.reading import one_patient, one_plan, plan_resources, record_resources
from waykeeper.exchange.withdrawing import withdraw
from waykeeper.fhir import bundle, read_all
from waykeeper.findings import WaykeeperError
from waykeeper.record import read

HERS, OTHER, BOTH = "hers", "the other", "both"


class Unlinked(Server):
    """A server that does not search Patients by their links, or lets nobody."""

    status = 400

    def search(self, kind, params, **options):
        if "link" in dict(params):
            raise refusal(self.status, "search", {"resourceType": "OperationOutcome"})
        return super().search(kind, params, **options)


class Absolute(Unlinked):
    """A server whose links name a Patient by the whole address."""

    def __init__(self, url, *, base):
        super().__init__(url)
        self.there = base

    def search(self, kind, params, **options):
        found = super().search(kind, params, **options)
        for _, resource in found:
            for link in resource.get("link", ()):
                link["other"]["reference"] = f"{self.there}/{link['other']['reference']}"
        return found


def post(server, resource):
    answer = server.send("POST", resource["resourceType"], resource)
    assert answer.status == 201
    return f"{resource['resourceType']}/{answer.document['id']}"


def linked(server, ref, kind, other):
    held = server.read(ref)
    assert server.send("PUT", ref, {**held, "link": [{"type": kind, "other": other}]}).status == 200


def merged(one, where, *, by_number=False, kind="replaced-by"):
    """Her plan's Patient, and another number and Patient that it was merged with: an order and a visit stand there."""
    server, identifier = one
    number = new_identifier()
    hers, mine = one_patient(server, identifier)
    there = post(server, {"resourceType": "Patient", "meta": mine["meta"],
                          "identifier": [{"system": number.system, "value": number.value}]})  # fmt: skip
    if where in (HERS, BOTH):
        named = {"identifier": {"system": number.system, "value": number.value}} if by_number else {"reference": there}
        linked(server, hers, kind, named)
    if where in (OTHER, BOTH):
        linked(server, there, "replaces" if kind == "replaced-by" else kind, {"reference": hers})
    visit = post(server, {"resourceType": "Appointment", "status": "booked", "start": "2026-05-01T09:00:00-05:00",
                          "end": "2026-05-01T09:30:00-05:00",
                          "participant": [{"actor": {"reference": there}, "status": "accepted"}]})  # fmt: skip
    order = post(server, {"resourceType": "MedicationRequest", "status": "active", "intent": "order",
                          "subject": {"reference": there},
                          "medicationCodeableConcept": {"text": "apixaban 5 mg"}})  # fmt: skip
    return server, identifier, number, hers, there, {visit, order}


@pytest.mark.parametrize(("where", "by_number"), [(HERS, False), (HERS, True), (OTHER, False), (BOTH, False)])
def test_the_list_reads_what_stands_at_the_other_record(one, where, by_number):
    server, identifier, number, hers, there, written = merged(one, where, by_number=by_number)
    for who in (None, identifier):
        assert {hers, there, *written} <= dict(plan_resources(server, who)).keys()
    if not by_number:  # which of the two numbers a person gives does not matter
        assert one_plan(plan_resources(server, number), 1, "")[0].episode.patient == identifier


@pytest.mark.parametrize("kind", ["seealso", "refer"])
def test_who_is_only_linked_stays_another(one, kind):
    server, identifier, _, _, there, written = merged(one, BOTH, kind=kind)
    for who in (None, identifier):
        assert dict(plan_resources(server, who)).keys().isdisjoint({there, *written})


@pytest.mark.parametrize(("base", "hers_too"), [("https://elsewhere.example/fhir", False), (None, True)])
def test_an_id_of_another_server_is_nobody_here(url, one, base, hers_too):
    _, identifier, _, _, there, written = merged(one, HERS)
    found = dict(plan_resources(Absolute(url, base=base or url), identifier)).keys()
    assert found >= {there, *written} if hers_too else found.isdisjoint({there, *written})


def test_over_a_third_record(one):
    server, identifier, _, _, there, _ = merged(one, HERS)
    third = post(server, {"resourceType": "Patient", "link": [{"type": "replaces", "other": {"reference": there}}]})
    assert {there, third} <= dict(plan_resources(server, identifier)).keys()


@pytest.mark.parametrize("status", [400, 403, 405])
def test_where_links_are_not_searched_the_forward_one_is_followed(url, one, status):
    _, identifier, _, _, there, written = merged(one, HERS)
    server = Unlinked(url)
    server.status = status
    assert {there, *written} <= dict(plan_resources(server, identifier)).keys()


def test_the_record_holds_the_orders_of_both(one):
    server, identifier, _, hers, there, written = merged(one, HERS)
    held = record_resources(server, identifier)
    order = next(ref for ref in written if ref.startswith("MedicationRequest/"))
    assert dict(held)[order]["subject"]["reference"] == hers and there not in dict(held)
    assert "apixaban 5 mg" in [entry.words for entry in read(held).medicines]


def test_her_plan_goes_on_and_no_second_one_comes_beside_it(one):
    server, identifier, number, hers, *_ = merged(one, HERS)
    assert push(bundle(compiled(identifier)), server, now=PUSHED).changes == ()
    with pytest.raises(PlanRefusedError) as refused:
        push(bundle(compiled(number)), server, now=PUSHED)
    assert "WKU103" in [f.code for f in refused.value.findings]
    ((plan, _),) = read_all(plan_resources(server, identifier))
    assert plan.patient.reference == hers


def test_of_two_plans_of_merged_records_the_number_tells_which(one):
    """Each went on, and none could be named any more; withdrawn once, a second run would have taken the other back."""
    server, identifier, number, hers, there, _ = merged(one, "unlinked")
    push(bundle(compiled(number)), server, now=PUSHED)
    linked(server, hers, "replaced-by", {"reference": there})
    by = {"by": "Ruth Alderman, RN", "on": date(2026, 3, 1)}
    for who in (identifier, number):
        assert one_plan(plan_resources(server, who), 1, "", who)[0].episode.patient == who
        note(server, who, "task/latex-free", "owner", text=str(who), **by)
    for _ in range(2):
        withdraw(server, identifier, "infection", now=PUSHED)
    withdrawn = {p.episode.patient: bool(p.withdrawn) for p, _ in read_all(plan_resources(server, number))}
    assert withdrawn == {identifier: True, number: False}
    with pytest.raises(WaykeeperError, match="2 plans"):
        one_plan(plan_resources(server, number), 1, "")  # no number is given, as for files
