"""Write `sandbox_bundles/NAME/record.bundle.json` for the invented patients of `patients.yaml`.

Every person, number and value in that file is made up. Each bundle is a transaction that any FHIR R4 server takes as
it is: `urn:uuid:` fullUrls, POST with `ifNoneExist` on an identifier, references only inside the bundle. Patients
(and all they own) carry the label HTEST, test health data. The same input gives the same bytes.

Run it from the repository: `python tests/golden/make_records.py`. With `--check` it writes nothing and exits 1 if a
bundle on disk differs.
"""

from __future__ import annotations

import json
import sys
import uuid
from collections.abc import Iterator
from html import escape
from pathlib import Path
from typing import Any

import yaml

HERE = Path(__file__).parent
BUNDLES = HERE.parents[1] / "sandbox_bundles"
NAMESPACE = uuid.UUID("0d8b4a52-7c1f-5d2e-9a64-3f0c5b1e7a90")  # drawn once; only keeps ids of these bundles apart

MRN = "https://alder-quay.example/mrn"
ROWS = "https://alder-quay.example/record-rows"
ICD10 = "http://hl7.org/fhir/sid/icd-10-cm"
LOINC = "http://loinc.org"
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
UCUM = "http://unitsofmeasure.org"
TERMS = "http://terminology.hl7.org/CodeSystem/"
HTEST = {"system": f"{TERMS}v3-ActReason", "code": "HTEST", "display": "test health data"}

Resource = dict[str, Any]
Row = dict[str, Any]


def coded(row: Row, system: str) -> Resource:
    """A CodeableConcept: the row's code where it has one, its words always."""
    concept: Resource = {"text": row["words"]}
    if "code" in row:
        coding = {"system": system, "code": row["code"], "display": row.get("display", row["words"])}
        concept = {"coding": [coding]} | concept
    return concept


def status_of(kind: str, code: str) -> Resource:
    """One of the small status concepts of Condition and AllergyIntolerance."""
    return {"coding": [{"system": f"{TERMS}{kind}", "code": code}]}


def patient(row: Row) -> Resource:
    """The Patient. A bare one has only name, birth date and identifier."""
    made: Resource = {
        "resourceType": "Patient",
        "identifier": [{"system": MRN, "value": row["mrn"]}],
        "name": [{"family": row["family"], "given": [row["given"]]}],
        "birthDate": row["born"],
    }
    if "gender" in row:
        made["gender"] = row["gender"]
    if "interpreter" in row:
        url = "http://hl7.org/fhir/StructureDefinition/patient-interpreterRequired"
        made["extension"] = [{"url": url, "valueBoolean": row["interpreter"]}]
    if "language" in row:
        coding = {"system": "urn:ietf:bcp:47", "code": row["language"]}
        made["communication"] = [{"language": {"coding": [coding]}, "preferred": True}]
    if "telephone" in row:
        made["telecom"] = [{"system": "phone", "value": row["telephone"], "use": "mobile"}]
    return made


def condition(row: Row) -> Resource:
    """A problem with an ICD-10-CM code; `refuted: true` says that it was looked for and is not there."""
    refuted = row.get("refuted", False)
    made: Resource = {"resourceType": "Condition"}
    if not refuted:
        made["clinicalStatus"] = status_of("condition-clinical", row.get("clinical", "active"))
    made["verificationStatus"] = status_of("condition-ver-status", "refuted" if refuted else "confirmed")
    made["category"] = [status_of("condition-category", "problem-list-item")]
    made["code"] = coded(row, ICD10)
    if "since" in row:
        made["onsetDateTime"] = row["since"]
    return made


def allergy(row: Row) -> Resource:
    """An allergy by its words; the reaction where it is known."""
    made: Resource = {
        "resourceType": "AllergyIntolerance",
        "clinicalStatus": status_of("allergyintolerance-clinical", "active"),
        "verificationStatus": status_of("allergyintolerance-verification", "confirmed"),
        "code": coded(row, RXNORM),
    }
    if "reaction" in row:
        made["reaction"] = [{"manifestation": [{"text": row["reaction"]}]}]
    return made


def observation(row: Row) -> Resource:
    """A laboratory value, a vital sign or an answer, with its day."""
    category = row.get("category", "laboratory")
    made: Resource = {
        "resourceType": "Observation",
        "status": "final",
        "category": [status_of("observation-category", category)],
        "code": coded(row, LOINC),
        "effectiveDateTime": row["on"],
        "performer": [{"display": "Alder Quay Joint Clinic"}],
    }
    if "unit" in row:
        made["valueQuantity"] = {"value": row["value"], "unit": row["unit"], "system": UCUM, "code": row["unit"]}
    elif "answer" in row:
        coding = {"system": LOINC, "code": row["answer"], "display": row["value"]}
        made["valueCodeableConcept"] = {"coding": [coding], "text": row["value"]}
    else:
        made["valueCodeableConcept"] = {"text": row["value"]}
    return made


def dosage(row: Row) -> Resource:
    """How the medicine is taken: words always; dose, timing and route where the row has them."""
    made: Resource = {"text": row["take"]}
    if "repeat" in row:
        made["timing"] = {"repeat": row["repeat"]}
    if row.get("as_needed"):
        made["asNeededBoolean"] = True
    if "route" in row:
        made["route"] = {"text": row["route"]}
    if "mg" in row:
        made["doseAndRate"] = [{"doseQuantity": {"value": row["mg"], "unit": "mg", "system": UCUM, "code": "mg"}}]
    return made


def medicine(row: Row) -> Resource:
    """An order (MedicationRequest), or with `told: true` what the patient says (MedicationStatement)."""
    told = row.get("told", False)
    made: Resource = {"resourceType": "MedicationStatement" if told else "MedicationRequest"}
    made["status"] = row.get("status", "active")
    if not told:
        made["intent"] = "order"
    made["medicationCodeableConcept"] = coded(row, RXNORM)
    if told and "on" in row:
        made["dateAsserted"] = row["on"]
    elif "on" in row:
        made["authoredOn"] = row["on"]
    if "reason" in row:
        made["reasonCode"] = [coded(row["reason"], ICD10)]
    if "take" in row:
        made["dosage" if told else "dosageInstruction"] = [dosage(row)]
    return made


def given(row: Row) -> Resource:
    """A dose that was really given (MedicationAdministration)."""
    return {
        "resourceType": "MedicationAdministration",
        "status": "completed",
        "medicationCodeableConcept": coded(row, RXNORM),
        "effectiveDateTime": row["on"],
    }


MAKERS = {
    "conditions": condition,
    "allergies": allergy,
    "observations": observation,
    "medicines": medicine,
    "given": given,
}


def narrative(resource: Resource, words: str) -> Resource:
    """The resource with a short generated text behind its type."""
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><p>{escape(words)}</p></div>'
    head = {"resourceType": resource["resourceType"], "meta": {"security": [HTEST]}}
    return head | {"text": {"status": "generated", "div": div}} | resource


def entry(resource: Resource, full_url: str) -> Resource:
    """A POST that creates nothing where the identifier is there already."""
    first = resource["identifier"][0]
    request = {
        "method": "POST",
        "url": resource["resourceType"],
        "ifNoneExist": f"identifier={first['system']}|{first['value']}",
    }
    return {"fullUrl": full_url, "resource": resource, "request": request}


def entries(name: str, person: Row) -> Iterator[Resource]:
    """The Patient first, then each row in the order of the file."""
    row = person["patient"]
    owner = f"urn:uuid:{uuid.uuid5(NAMESPACE, name)}"
    words = f"{row['given']} {row['family']}, an invented person"
    yield entry(narrative(patient(row), words), owner)
    for kind, make in MAKERS.items():
        for number, line in enumerate(person.get(kind, ()), 1):
            made = make(line)
            subject = "patient" if made["resourceType"] == "AllergyIntolerance" else "subject"
            made["identifier"] = [{"system": ROWS, "value": f"{row['mrn']}-{kind}-{number}"}]
            made[subject] = {"reference": owner}
            full_url = f"urn:uuid:{uuid.uuid5(NAMESPACE, f'{name}/{kind}/{number}')}"
            yield entry(narrative(made, line["words"]), full_url)


def bundle(name: str, person: Row) -> str:
    """The transaction Bundle of one invented person, as text."""
    made = {"resourceType": "Bundle", "type": "transaction", "entry": list(entries(name, person))}
    return json.dumps(made, indent=2, ensure_ascii=False) + "\n"


def main(arguments: list[str]) -> int:
    """Write the bundles; with `--check` only compare. Returns the exit code."""
    people = yaml.load((HERE / "patients.yaml").read_text("utf-8"), Loader=Plain)
    stale = []
    for name, person in people.items():
        path, text = BUNDLES / name / "record.bundle.json", bundle(name, person)
        if path.exists() and path.read_text("utf-8") == text:
            continue
        stale.append(name)
        if "--check" not in arguments:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, "utf-8")
    sys.stderr.write(f"differs: {', '.join(stale)}\n" if stale else "nothing differs\n")
    return 1 if stale and "--check" in arguments else 0


class Plain(yaml.SafeLoader):
    """The safe loader that leaves dates as they are written."""


Plain.yaml_implicit_resolvers = {
    first: [r for r in resolvers if r[0] != "tag:yaml.org,2002:timestamp"]
    for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
}


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
