"""The invented patients: transactions any server takes, labelled as test data, and exactly what the script writes."""

from __future__ import annotations

import json
import runpy
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from waykeeper.pathway import library, read_clinic
from waykeeper.record import read, resources_of
from yaml_text import plain

HERE = Path(__file__).parent
BUNDLES = HERE.parents[1] / "sandbox_bundles"
CASES = plain((BUNDLES / "cases.yaml").read_text("utf-8"))
NAMES = sorted(CASES)


def bundle(name: str) -> dict[str, Any]:
    made: dict[str, Any] = json.loads((BUNDLES / name / CASES[name]["record"]).read_text("utf-8"))
    return made


def references(node: Any) -> Iterator[str]:
    if isinstance(node, dict):
        if isinstance(node.get("reference"), str):
            yield node["reference"]
        for value in node.values():
            yield from references(value)
    elif isinstance(node, list):
        for value in node:
            yield from references(value)


def test_bundles_are_what_the_script_writes() -> None:
    script = runpy.run_path(str(HERE / "make_records.py"))
    assert script["main"](["--check"]) == 0


def test_every_folder_is_a_case_and_every_case_a_folder() -> None:
    assert sorted(f.name for f in BUNDLES.iterdir() if f.is_dir()) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_transaction_that_any_server_takes(name: str) -> None:
    made = bundle(name)
    assert made["type"] == "transaction"
    urls = [e["fullUrl"] for e in made["entry"]]
    assert max(Counter(urls).values()) == 1 and all(u.startswith("urn:uuid:") and u == u.lower() for u in urls)
    assert set(references(made)) <= set(urls)
    for entry in made["entry"]:
        resource, request = entry["resource"], entry["request"]
        first = resource["identifier"][0]
        assert request == {
            "method": "POST",
            "url": resource["resourceType"],
            "ifNoneExist": f"identifier={first['system']}|{first['value']}",
        }
        assert resource["meta"]["security"][0]["code"] == "HTEST"
        assert resource["text"]["div"].startswith('<div xmlns="http://www.w3.org/1999/xhtml">')
        assert "id" not in resource


def test_no_identifier_twice_over_all_patients() -> None:
    seen = Counter(e["request"]["ifNoneExist"] for n in NAMES for e in bundle(n)["entry"])
    assert max(seen.values()) == 1


@pytest.mark.parametrize("name", NAMES)
def test_record_reads_and_every_medicine_is_a_row(name: str) -> None:
    made = bundle(name)
    record = read(resources_of(made))
    orders = {"MedicationRequest", "MedicationStatement"}
    assert len(record.medicines) == sum(e["resource"]["resourceType"] in orders for e in made["entry"])
    system, value = CASES[name]["patient"].split("|")
    assert record.patient["identifier"] == [{"system": system, "value": value}]


@pytest.mark.parametrize("name", NAMES)
def test_case_names_things_that_exist(name: str) -> None:
    case = CASES[name]
    assert case["pathway"] in library.names() and case["clinic"] in library.clinic_names()
    clinic, findings = read_clinic(case["clinic"], library.read(case["clinic"])[1])
    assert clinic is not None and findings == ()
    assert case["patient"].startswith(f"{clinic.patient_identifier_system}|")
    assert case["side"] in {"left", "right"} and case["why"].endswith(".")


def test_the_side_of_the_case_is_the_side_of_the_diagnosis() -> None:
    """ICD-10-CM: the last digit of M19.07-, M19.17-, M12.57-, M06.07- is 1 for right, 2 for left."""
    for name in NAMES:
        codes = [
            c["code"]
            for e in bundle(name)["entry"]
            if e["resource"]["resourceType"] == "Condition"
            for c in e["resource"]["code"]["coding"]
            if c["code"].startswith("M")
        ]
        assert codes or name == "nearly-unknown", name
        assert {"1": "right", "2": "left"}.get(codes[0][-1] if codes else "", CASES[name]["side"]) == CASES[name][
            "side"
        ]


def test_nearly_unknown_has_name_birth_date_and_one_identifier() -> None:
    (entry,) = bundle("nearly-unknown")["entry"]
    kept = {"resourceType", "meta", "text", "identifier", "name", "birthDate"}
    assert set(entry["resource"]) == kept and len(entry["resource"]["identifier"]) == 1


def test_cases_hold_the_days_that_hurt() -> None:
    days = {c["surgery"][:10] for c in CASES.values()}
    assert {"2026-03-18", "2026-03-08", "2026-11-01", "2028-02-29", "2026-06-20"} <= days
    assert any(c["surgery"] > c["surgery"][:10] + "T12:00" for c in CASES.values())
    assert {c["side"] for c in CASES.values()} == {"left", "right"}
