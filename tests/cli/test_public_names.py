"""The public names of the package, pinned; and rooms that bear the name of a command."""

from __future__ import annotations

import inspect
import subprocess
import sys

import pytest

import waykeeper
from waykeeper import verbs
from waykeeper.pathway.library import folder
from waykeeper.verbs.comparing import Asked

PLAN = str(folder("sandbox_bundles") / "demo-left" / "plan.bundle.json")
PUBLIC = [
    "Finding", "NoAnswerError", "WaykeeperError", "__version__", "calendar", "check", "compare_pathways", "compile",
    "compile_all", "explain", "export", "gaps", "history", "issues", "letters", "measures", "medicines", "move",
    "move_all", "note", "note_all", "pathways", "push", "push_all", "review_pathway", "sandbox", "server", "sheet",
    "validate", "validate_files", "withdraw",
]  # fmt: skip
PARAMETERS = {
    "calendar": "bundle from_ patient as_of language episode pathway sequence take_back fallback",
    "check": "pathways clinic",
    "compare_pathways": "a b clinic",
    "compile": "pathway clinic patient surgery discharge side anaesthesia patient_identifier episode from_",
    "compile_all": "pathway clinic cases output patient from_ mapping jobs found reported",
    "explain": "what bundle",
    "export": "from_ output group types since wait told",
    "gaps": "sources as_of theatre_list since surgeon procedure phase owner week mapping",
    "measures": "sources month mapping now",
    "medicines": "clinic surgery patient anaesthesia as_of patient_identifier episode from_ show_identifiers pathway",
    "history": "from_ patient episode pathway",
    "issues": "sources to holds as_of theatre_list mapping dry_run reported noticed",
    "letters": "sources kind language fallback asked",
    "move": "from_ patient surgery discharge side anaesthesia pathway clinic record episode reason by reinstate"
    " dry_run holds as_of",
    "move_all": "from_ cases pathway clinic record reason by dry_run holds as_of reported",
    "note": "item what to holds patient by on text days decision episode pathway",
    "note_all": "table to by on holds told",
    "pathways": "",
    "review_pathway": "pathway clinic surgery discharge",
    "push": "bundles to holds dry_run take reported",
    "push_all": "paths to holds jobs ledger errors_to dry_run found reported",
    "sandbox": "port load db",
    "server": "url holds read_only install_definitions",
    "sheet": "bundle from_ patient as_of language episode pathway fallback",
    "withdraw": "from_ patient reason by episode pathway suspend dry_run holds as_of",
    "validate_files": "paths profiles stricter jobs",
}


def test_the_public_names_are_these():
    assert waykeeper.__all__ == PUBLIC
    assert set(PUBLIC) <= set(dir(waykeeper))
    assert all(getattr(waykeeper, name) is not None for name in PUBLIC)


def test_who_calls_it_can_tell_that_no_answer_came():
    """README.md: exit code 3, run again."""
    assert issubclass(waykeeper.NoAnswerError, waykeeper.WaykeeperError)
    assert waykeeper.NoAnswerError.exit_code == 3


def test_the_parameters_are_these():
    found = {name: " ".join(inspect.signature(getattr(verbs, name)).parameters) for name in PARAMETERS}
    assert found == PARAMETERS


def test_what_may_be_asked_of_the_gaps_may_be_asked_of_the_letters():
    assert set(PARAMETERS["gaps"].split()) - {"sources", "since"} == set(Asked.__annotations__)


FIRST = {
    "nothing": "",
    "the rooms": "import waykeeper.gaps, waykeeper.medicines, waykeeper.validate, waykeeper.sandbox",
    "a name of a room": "from waykeeper.gaps import worklist",
}


@pytest.mark.parametrize("first", FIRST.values(), ids=FIRST)
def test_rooms_with_the_name_of_a_command_can_be_called_whatever_was_imported_first(first):
    code = (
        f"{first}\nimport waykeeper\n"
        f"print(len(waykeeper.gaps({PLAN!r}, as_of='2026-04-15').worklist.rows) > 100)\n"
        "print(waykeeper.validate({'resourceType': 'Patient', 'gendre': 'x'})[0].position.path)\n"
        "try: waykeeper.medicines(clinic='clinic-demo', surgery='soon', patient='x')\n"
        "except waykeeper.WaykeeperError as error: print(error.findings[0].code)\n"
        "try: waykeeper.sandbox(port=99999)\n"
        "except waykeeper.WaykeeperError as error: print(error.findings[0].code)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "Patient.gendre", "WKC201", "WKC201"]


def test_validate_takes_a_dict_json_and_a_model():
    from fhir.resources.R4B.patient import Patient

    from waykeeper.validate import validate

    assert waykeeper.validate({"resourceType": "Patient"}) == []
    assert [f.code for f in waykeeper.validate(b'{"resourceType": "Patient", "gender": "x"}')] == ["WKV301"]
    assert waykeeper.validate(Patient(gender="male")) == []
    assert waykeeper.validate({"resourceType": "Patient", "gender": "x"}) == validate(
        {"resourceType": "Patient", "gender": "x"}
    )


def test_files_are_validated_by_their_own_function(tmp_path):
    (tmp_path / "two.ndjson").write_text('{"resourceType": "Patient"}\n{}\n')
    seen = waykeeper.validate_files(str(tmp_path), PLAN)
    assert [(one.type, one.valid) for one in seen.checked] == [("Patient", True), ("", False), ("Bundle", True)]
    assert (seen.resources, [f.position.line for f in seen.findings]) == (3, [2])
