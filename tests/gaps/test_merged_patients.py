"""Records of one person that were merged are one person's; records that only see each other are not.

FHIR R4 link-type (hl7.org/fhir/R4/valueset-link-type.html): replaced-by "The patient resource containing this link must
no longer be used", replaces "The link points back to an inactive patient resource that has been merged into this
resource"; with refer and seealso both resources are "in use and valid".
"""

from datetime import date

import pytest

from gaps.exported import MRN, appointment, encounter, exported, gaps, row
from waykeeper.fhir import evidence, read_all
from waykeeper.fhir.patients import persons_of
from waykeeper.record import resources_of
from waykeeper.verbs.caseload import caseload

OTHER = "AQ-9009"
NUMBER = {"system": MRN, "value": OTHER}
FAMILY = {"system": "https://insurer.example/members", "value": "F-1"}


def other(kind="", to="Patient/1", **more):
    """A second Patient, 9, with a number of its own."""
    made = {"resourceType": "Patient", "id": "9", "identifier": [NUMBER], "name": [{"family": "Wintergale"}]}
    link = {"link": [{"other": {"reference": to} if isinstance(to, str) else to, "type": kind}]} if kind else {}
    return made | link | more


def hers(kind="", to="Patient/9"):
    """Her plan, whose Patient 1 may have a link."""
    made = exported()
    if kind:
        patient = next(r for r in made if r["resourceType"] == "Patient")
        patient["link"] = [{"other": {"reference": to} if isinstance(to, str) else to, "type": kind}]
    return made


OF_9 = [{"actor": {"reference": "Patient/9"}, "status": "accepted"}]
BY_NUMBER = [{"actor": {"type": "Patient", "identifier": NUMBER}, "status": "accepted"}]
MERGED = {
    "the other was replaced by hers": [*hers(), other("replaced-by")],
    "by a version of hers": [*hers(), other("replaced-by", "https://h.example/fhir/Patient/1/_history/3")],
    "by her number": [*hers(), other("replaced-by", {"identifier": {"system": MRN, "value": "AQ-1001"}})],
    "hers replaces the other": [*hers("replaces"), other()],
    "hers was replaced by the other": [*hers("replaced-by"), other()],
    "by the other's number": [*hers("replaced-by", {"identifier": NUMBER}), other()],
    "both say so": [*hers("replaces"), other("replaced-by")],
    "over a third": [
        *hers(), other("replaced-by", "Patient/5"),
        {"resourceType": "Patient", "id": "5", "link": [{"other": {"reference": "Patient/1"}, "type": "replaced-by"}]},
    ],
    "with another who was merged too": [
        *hers(), other("replaced-by"), other("replaced-by", id="8", identifier=[{"system": MRN, "value": "AQ-8008"}]),
    ],
    "and both have the number of a family": [
        *hers(), other("replaced-by", identifier=[NUMBER, FAMILY]),
        other(id="7", identifier=[{"system": MRN, "value": "7"}, FAMILY], deceasedBoolean=True),
    ],
}  # fmt: skip
APART = {
    "seealso": [*hers(), other("seealso")],
    "refer": [*hers("refer"), other()],
    "no link": [*hers(), other()],
    "a link to a relative": [*hers(), other("replaced-by", "RelatedPerson/1")],
    "a link to nobody": [*hers(), other("replaced-by", {})],
}


@pytest.mark.parametrize("participant", [OF_9, BY_NUMBER], ids=["reference", "number"])
@pytest.mark.parametrize("how", MERGED)
def test_what_was_booked_for_a_merged_record_is_hers(how, participant, tmp_path):
    found = gaps(tmp_path, [*MERGED[how], appointment("a", participant=participant)])
    visit = row(found, "visit/six-week")
    assert (visit["verdict"], visit["evidence"]) == ("attended", ["Appointment/a"])
    split = caseload([tmp_path / "export" / "all.ndjson"], date(2026, 5, 10), part=20_000, jobs=1)
    assert len(split.parts.files) > 1
    assert {r.item: r.verdict for r in split.worklist.rows} == {r["item"]: r["verdict"] for r in found["rows"]}


@pytest.mark.parametrize("participant", [OF_9, BY_NUMBER], ids=["reference", "number"])
@pytest.mark.parametrize("how", APART)
def test_what_was_booked_for_another_is_not_hers(how, participant, tmp_path):
    found = gaps(tmp_path, [*APART[how], appointment("a", participant=participant)])
    assert row(found, "visit/six-week")["verdict"] == "missed"
    (place,) = [a for a in found["appointments"] if a["reference"] == "Appointment/a"]
    assert place["place"] == "no plan"


@pytest.mark.parametrize(("kind", "died"), [("replaced-by", True), ("replaces", True), ("seealso", False)])
def test_a_death_in_a_merged_record_is_hers(kind, died, tmp_path):
    held = [*hers(), other(kind, deceasedDateTime="2026-04-20")]
    visit = row(gaps(tmp_path, held), "visit/six-week")
    assert visit["verdict"] == ("excused" if died else "missed") and visit["contactable"] is not died


def test_a_booking_and_its_encounter_under_the_two_records_are_one(tmp_path):
    came = encounter("e", subject={"reference": "Patient/1"}, appointment=[{"reference": "Appointment/a"}])
    held = [*hers(), other("replaced-by"), appointment("a", "booked", participant=OF_9), came]
    assert row(gaps(tmp_path, held), "visit/six-week")["evidence"] == ["Appointment/a", "Encounter/e"]


def test_plans_under_both_numbers_are_one_patients(tmp_path):
    knee = exported("knee-left", "9", "k")
    patient = next(r for r in knee if r["resourceType"] == "Patient")
    patient["link"] = [{"other": {"reference": "Patient/1"}, "type": "replaced-by"}]
    booked = appointment("a", participant=OF_9)
    found = gaps(tmp_path, [*hers(), *knee, booked])
    assert row(found, "visit/six-week")["verdict"] == "attended"
    assert [a["place"] for a in found["appointments"] if a["reference"] == "Appointment/a"] == ["evidence"]


def test_a_link_names_a_person_only_where_records_were_merged():
    assert persons_of("Patient/9", other("replaced-by")) == (("Patient/9", f"{MRN}|{OTHER}", "Patient/1"),)
    assert persons_of("Patient/9", other("seealso")) == (("Patient/9", f"{MRN}|{OTHER}"),)


def test_her_own_names_come_first_and_nobody_elses():
    held = resources_of({"resourceType": "Bundle", "entry": [{"resource": r} for r in [
        *hers(), other("replaced-by"), {"resourceType": "Patient", "id": "4", "identifier": [{"value": "4"}]},
        appointment("a", participant=OF_9), appointment("b", participant=[{"actor": {"reference": "Patient/4"}}]),
    ]]})  # fmt: skip
    found = {e.reference: e.patient for e in evidence(held, "America/Chicago") if not e.ours}
    assert found == {
        "Appointment/a": ("Patient/9", f"{MRN}|{OTHER}", "Patient/1", f"{MRN}|AQ-1001"),
        "Appointment/b": ("Patient/4", "|4"),
    }
    (one,) = read_all(held)
    assert one[0].patient.merged == (f"{MRN}|{OTHER}",)
