"""A pathway for a clinical review: beside another one, or as the sheet that is signed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from waykeeper.findings import Finding, WaykeeperError, finding
from waykeeper.verbs import inputs
from waykeeper.verbs.words import MomentText, PathText, as_text

if TYPE_CHECKING:
    from waykeeper.pathway.comparing import Comparison
    from waykeeper.pathway.model import Pathway
    from waykeeper.report.review import Review

EXAMPLE = "example-patient"  # the number of a patient who does not exist, in the clinic's own system


def compare_pathways(a: PathText, b: PathText, *, clinic: PathText = "") -> Comparison:
    """Two pathways, or two versions of one, side by side.

    a, b     a name of the library or a file; `NAME+OVERLAY` lays overlays of the library, or files, over it
    clinic   its overlays, roles and opening days hold for both

    Raises WaykeeperError with the findings of a side that `check` refuses.
    """
    from waykeeper.pathway.comparing import compare

    home = as_text(clinic)
    return compare(_pathway(as_text(a), home, "A"), _pathway(as_text(b), home, "B"))


def review_pathway(pathway: PathText, *, clinic: PathText, surgery: MomentText, discharge: MomentText = "") -> Review:
    """The review sheet of a pathway in a clinic, with the days of an example patient of whom nothing is known.

    pathway   as for `compare_pathways`; the clinic's own overlays are in force beside those that it names
    surgery   local date and time of the clinic, `2026-03-18T07:30`; the example's day
    """
    from waykeeper.plan.compile import compile as compile_plan
    from waykeeper.record import read
    from waykeeper.report.review import review

    clinic = as_text(clinic)
    known = inputs.clinic_of(clinic)
    given = inputs.anchors_of(known, as_text(surgery), as_text(discharge))
    chosen, noted = _checked(as_text(pathway), clinic, "")
    system = known.own_identifier_system or known.patient_identifier_system
    example = {"resourceType": "Patient", "id": EXAMPLE, "identifier": [{"system": system, "value": EXAMPLE}]}
    plan = compile_plan(chosen, known, read([(f"Patient/{EXAMPLE}", example)]), given, side="left")
    return review(chosen, plan, known, [one.line() for one in (*noted, *plan.findings)])


def _pathway(wanted: str, clinic: str, side: str) -> Pathway:
    return _checked(wanted, clinic, side)[0]


def _checked(wanted: str, clinic: str, side: str) -> tuple[Pathway, tuple[Finding, ...]]:
    """A pathway with the overlays that its name adds, in force in a clinic where one is given."""
    name, overlays = _named(wanted)
    if not name or not all(overlays):
        where = f"--compare {side}" if side else "--review"
        help_text = "Write NAME or NAME+OVERLAY."
        raise WaykeeperError(finding("WKC201", f"{where} is {wanted!r}, which names nothing", help=help_text))
    known = inputs.clinic_of(clinic) if clinic else None
    return inputs.pathway_of(name, known, clinic, overlays)


def _named(wanted: str) -> tuple[str, list[str]]:
    if Path(wanted).is_file():
        return wanted, []
    name, *overlays = wanted.split("+")
    return name, overlays
