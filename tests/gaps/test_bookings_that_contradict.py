"""A booking that says why it was cancelled is not simply booked, and a call is no visit in person, linked or not.

FHIR R4 invariant app-4: "Cancelation reason is only used for appointments that have been cancelled, or no-show"
(hl7.org/fhir/R4/appointment.html). v3-ActCode VR, virtual: "the patient and the practitioner(s) are
not in the same physical location". That a wound is not seen by telephone: common practice, no source.
"""

from dataclasses import replace
from datetime import date

import pytest

from gaps.exported import appointment, encounter, exported, gaps, part, row
from gaps.plans import ankle, evidence, link, state
from waykeeper.gaps import worklist
from waykeeper.timing.model import Anchor, Moment, Standing

WHY = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/appointment-cancellation-reason", "code": "pat"}]}
FELL = "gives a reason why it was cancelled"


@pytest.mark.parametrize(
    ("status", "day", "verdict", "says"),
    [
        ("booked", "2026-04-29", "needs-review", FELL),
        ("booked", "2026-04-23", "needs-review", FELL),
        ("arrived", "2026-04-25", "needs-review", FELL),
        ("checked-in", "2026-04-25", "needs-review", FELL),
        ("fulfilled", "2026-04-24", "needs-review", FELL),
        ("cancelled", "2026-04-29", "rebook", "cancelled by the patient"),
        ("noshow", "2026-04-24", "rebook", "did not come"),
        ("proposed", "2026-04-29", "to-book", "A request for a slot is open"),
    ],
)
def test_a_reason_why_it_was_cancelled(status, day, verdict, says, tmp_path):
    found = gaps(tmp_path, [*exported(), appointment("a", status, day, cancelationReason=WHY)], "2026-04-25")
    visit = row(found, "visit/six-week")
    assert visit["verdict"] == verdict and says in visit["reason"], visit["reason"]
    assert [a["reference"] for a in found["appointments"]].count("Appointment/a") == 1


def test_who_was_seen_was_seen(tmp_path):
    booked = appointment("a", "booked", cancelationReason=WHY)
    came = encounter("e", appointment=[{"reference": "Appointment/a"}])
    assert row(gaps(tmp_path, [*exported(), booked, came]), "visit/six-week")["verdict"] == "attended"


def linked(item="visit/six-week"):
    return {"basedOn": [{"reference": f"ServiceRequest/{part(exported(), item, 'request')['id']}"}]}


CALL = {"appointmentType": {"text": "Telephone visit"}}
OF_A = {"appointment": [{"reference": "Appointment/a"}]}
HAPPENED = {
    "a linked call": (encounter("e", kind="VR", **linked()),),
    "a call of a linked booking": (appointment("a", **linked()), encounter("e", kind="VR", **OF_A)),
    "a linked booking of a call": (appointment("a", **linked(), **CALL),),
    "a recognised booking of a call": (appointment("a", **CALL),),
    "a call by its kind": (encounter("e", type=[{"text": "Telephone call: asks for refill"}], **linked()),),
}


@pytest.mark.parametrize("what", HAPPENED)
@pytest.mark.parametrize(("as_of", "severity"), [("2026-04-30", 2), ("2026-05-10", 3)])
def test_a_call_is_no_visit_in_person(what, as_of, severity, tmp_path):
    found = gaps(tmp_path, [*exported(), *HAPPENED[what]], as_of)
    visit = row(found, "visit/six-week")
    assert (visit["verdict"], visit["severity"]) == ("needs-review", severity)
    assert "telephone or video, and this visit is to be in person" in visit["reason"]
    assert visit["questions"] == ["Was the patient seen in person on Wed 2026-04-29?"]
    assert len([a for a in found["appointments"] if a["reference"] in ("Appointment/a", "Encounter/e")]) == len(
        HAPPENED[what]
    )


@pytest.mark.parametrize(
    "found",
    [
        (appointment("a", **linked(), **CALL), encounter("e", **OF_A)),
        (encounter("e", kind="VR", **linked()), appointment("a", day="2026-04-30", **linked())),
        (encounter("e", kind="VR", **OF_A), encounter("f", **OF_A), appointment("a", **linked())),
    ],
)
def test_who_was_seen_in_person_was_seen(found, tmp_path):
    assert row(gaps(tmp_path, [*exported(), *found]), "visit/six-week")["verdict"] == "attended"


def test_where_a_call_does_it_counts(tmp_path):
    came = encounter("e", day="2026-02-25", kind="VR", **linked("visit/joint-class"))
    assert row(gaps(tmp_path, [*exported(), came]), "visit/joint-class")["verdict"] == "attended"


def test_a_call_that_is_booked_asks(tmp_path):
    booked = appointment("a", "booked", **linked(), **CALL)
    visit = row(gaps(tmp_path, [*exported(), booked], "2026-04-20"), "visit/six-week")
    assert visit["verdict"] == "booked"
    (question,) = visit["questions"]
    assert "is by telephone or video" in question and "Wed 2026-04-29" in question


MOVED = date(2026, 4, 1)
CLOSED = {"closed_because": "the surgeon says it counts", "closed_by": "R. Alder", "closed_on": date(2026, 4, 2)}


def _six_week(moved, *facts, as_of=date(2026, 4, 25), known=None):
    """Its window is Wed 2026-04-22 to Wed 2026-05-06."""
    made = ankle()
    made = replace(made, anchors=(*made.anchors, Anchor("change", Moment(moved), Standing.GIVEN))) if moved else made
    (found,) = [r for r in worklist([(made, known or state())], facts, as_of).rows if r.item == "visit/six-week"]
    return found


def test_a_visit_that_was_kept_before_surgery_moved_is_no_contradiction():
    """The record is right: whether the visit still counts is asked, and an answer or a new booking settles it."""
    to = link(ankle(), "six-week")
    kept = evidence("Appointment/a", "fulfilled", date(2026, 3, 20), link_to=to)
    said = _six_week(MOVED, kept)
    assert (said.verdict, said.gap) == ("needs-review", True)
    assert "for a surgery day that does not hold any more" in said.reason and "close it" in said.next_action
    assert "contradicts itself" in _six_week(None, kept).reason
    assert "contradicts itself" in _six_week(date(2026, 3, 19), kept).reason  # it took place after the move
    assert _six_week(MOVED, kept, known=state(visit__six_week=CLOSED)).closed
    for status, verdict, gap in (("booked", "booked", False), ("noshow", "rebook", True)):
        again = evidence("Appointment/b", status, date(2026, 4, 29), link_to=to)
        said = _six_week(MOVED, kept, again, as_of=date(2026, 4, 28 if status == "booked" else 30))
        assert (said.verdict, said.gap, said.questions) == (verdict, gap, ())
