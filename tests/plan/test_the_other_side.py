"""A Procedure of the planned day that names the other side proves nothing, and is told: left with 0SRF0JA is refused.

ICD-10-PCS table 0SR (US Government work): the body part is the fourth character, ankle F right and G left, hip 9 and B,
knee C and D.
"""

from datetime import date, time

import pytest

from waykeeper.fhir import is_ours, read_all, write
from waykeeper.gaps import worklist
from waykeeper.pathway.library import folder
from waykeeper.pathway.model import AnchorRule
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Answers
from waykeeper.record import Record, of_other_side, read, recorded
from waykeeper.timing import Standing
from waykeeper.timing.model import Moment
from waykeeper.verbs import inputs

SURGERY = Moment(date(2026, 3, 18), time(7, 30), "America/Chicago")
PCS = "http://www.cms.gov/Medicare/Coding/ICD10"
ANY = AnchorRule("surgery", recognise={"procedure": ("JOINT",)})


def done(*codes, text="", site="", number=1, **more):
    found = {"resourceType": "Procedure", "id": f"p{number}", "status": "completed", "performedDateTime": "2026-03-18"}
    found["code"] = {"coding": [{"system": PCS, "code": c} for c in codes], "text": text}
    return found | ({"bodySite": [{"text": site}]} if site else {}) | more


@pytest.mark.parametrize(
    ("procedure", "left", "right"),
    [
        (done("0SRF0JA"), False, True),
        (done("0SRG0J9"), True, False),
        (done("0SR90JZ"), False, True),
        (done("0SRB0JA"), True, False),
        (done("0SRC0J9"), False, True),
        (done("0SRD0JZ"), True, False),
        (done("0SRC0J9", "0SRD0J9"), True, True),  # both at once
        (done(site="Left ankle"), True, False),
        (done(text="Replacement of RIGHT ankle joint"), False, True),
        (done("0SRG0JA", text="total ankle replacement, right"), False, False),  # code and words must agree
        (done(text="TAR, Rt ankle"), False, True),
        (done(text="Total ankle replacement (L)"), True, False),
        (done(text="Ankle replacement and removal of both screws, right"), False, True),
        (done(text="Total ankle replacement, fusion L4 known"), True, True),
        (done("XYZ", text="total ankle replacement"), True, True),  # nothing names a side
    ],
)
def test_the_side_that_codes_and_words_name(procedure, left, right):
    procedure["code"]["coding"].append({"code": "JOINT"})
    for side, proves in (("left", left), ("right", right), ("", True)):
        held = Record({}, (procedure,))
        assert bool(recorded(held, ANY, "America/Chicago", SURGERY, side)) is proves
        assert of_other_side(held, ANY, "America/Chicago", SURGERY, side) == ("" if proves else "Procedure/p1")


def plan(side, *procedures):
    known = inputs.clinic_of("clinic-demo")
    pathway, _ = inputs.pathway_of("total-ankle-replacement", known, "clinic-demo")
    held = inputs.held_of([str(folder("sandbox_bundles") / "demo-left" / "record.bundle.json")])
    everything = [*held, *((f"Procedure/{p['id']}", p) for p in procedures)]
    record = read(everything, is_ours)
    return compile_plan(pathway, known, record, {"surgery": SURGERY}, side=side, answers=Answers())


def row(made, *procedures):
    ours = write(made)
    subject = next(r["subject"] for r in ours if r["resourceType"] == "CarePlan")
    held = [(f"{r['resourceType']}/{r['id']}", r) for r in (*ours, *(p | {"subject": subject} for p in procedures))]
    (found,) = (r for r in worklist(read_all(held), (), date(2026, 3, 19)).rows if r.kind == "plan")
    return found


def test_compile_says_so_and_takes_it_for_no_proof():
    made = plan("left", done("0SRF0JA"))
    assert made.anchor("surgery").standing is Standing.GIVEN
    (told,) = (f for f in made.findings if f.code == "WKL110")
    assert told.details == "Procedure/p1 of the planned day names another side than the plan (left)"
    both = plan("left", done("0SRF0JA"), done("0SRG0JA", number=2))
    assert both.anchor("surgery").evidence == "Procedure/p2" and "WKL110" not in {f.code for f in both.findings}


def test_the_list_tells_it_before_all_else():
    made = plan("left")
    found = row(made, done("0SRF0JA"))
    assert (found.verdict, found.severity, found.first) == ("needs-review", 3, True)
    assert "Procedure/p1" in found.reason and "another side than the plan (left)" in found.reason
    assert "Ask the surgeon now which side was operated on" in found.next_action
    assert row(made, done("0SRF0JA"), done("0SRG0JA", number=2)).verdict == "current"
    assert row(made, done("0SRG0JA")).verdict == "current"
