"""Resources -> a transaction Bundle that any client may send once, with its own references rewritten to urns."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from copy import deepcopy
from typing import Any

import orjson

from waykeeper.fhir.conditions import condition
from waykeeper.fhir.names import IDENTIFIER_PATH, TEST_LABEL
from waykeeper.fhir.resource import Maker, Resource, narrative
from waykeeper.fhir.write import parts
from waykeeper.plan.model import Identifier, Key, Plan


def bundle(plan: Plan, rounds: Mapping[Key, int] | None = None) -> Resource:
    """The plan as a transaction: POST with `ifNoneExist` on our identifier, references inside as `urn:uuid:`.

    Where the plan does not know the patient's reference, the Patient is the first entry, a conditional create.
    The caller may change it: it shares nothing with the bundle of another plan.
    """
    found: Resource = orjson.loads(bundle_json(plan, rounds))
    return found


def bundle_json(plan: Plan, rounds: Mapping[Key, int] | None = None) -> bytes:
    """As `bundle`, as JSON at once: for caseloads, because it is the quicker of the two."""
    maker = Maker(plan, rounds or {}, urns=True)
    entries = []
    if not plan.patient.reference:
        patient = orjson.dumps(patient_resource(plan))
        who = plan.patient.identifier
        entries.append(_entry(maker.patient_id, "Patient", patient, _inside(condition(who.system, who.value))))
    system = _inside(condition(plan.episode.clinic_url + IDENTIFIER_PATH, ""))
    entries += [_entry(one.id, one.kind, one.text, system + one.id.encode()) for one in parts(maker)]
    return b'{"resourceType":"Bundle","type":"transaction","entry":[%b]}' % b",".join(entries)


_ENTRY = b'{"fullUrl":"urn:uuid:%b","resource":%b,"request":{"method":"POST","url":"%b","ifNoneExist":"%b"}}'


def _entry(uuid: str, kind: str, text: bytes, only_if: bytes) -> bytes:
    return _ENTRY % (uuid.encode(), text, kind.encode(), only_if)


def _inside(text: str) -> bytes:
    """A text as it stands between the quotation marks of JSON."""
    return orjson.dumps(text)[1:-1]


def patient_resource(plan: Plan) -> Resource:
    """The Patient for a conditional create: who it is and no more, from the record that was compiled."""
    source = deepcopy(dict(plan.source_patient))  # the bundle is the caller's to change, the record is not
    identifier = plan.patient.identifier
    kept = ("name", "gender", "birthDate", "communication", "deceasedBoolean", "deceasedDateTime")
    patient: Resource = {"resourceType": "Patient"}
    if plan.patient.test_data:
        patient["meta"] = {"security": [{"system": TEST_LABEL[0], "code": TEST_LABEL[1]}]}
    patient["text"] = narrative(plan.patient.name or "Patient")
    patient["identifier"] = _identifiers(source, identifier)
    patient |= {k: source[k] for k in kept if k in source}
    if "name" not in patient and plan.patient.name:
        patient["name"] = [{"text": plan.patient.name}]
    if "birthDate" not in patient and plan.patient.birth_date:
        patient["birthDate"] = plan.patient.birth_date
    return patient


def _identifiers(source: Mapping[str, Any], identifier: Identifier) -> Sequence[Any]:
    known = list(source.get("identifier") or [])
    if any(i.get("system") == identifier.system and i.get("value") == identifier.value for i in known):
        return known
    return [{"system": identifier.system, "value": identifier.value}, *known]


def rewritten(value: Any, references: Mapping[str, str]) -> Any:
    """A copy with every `reference` that the mapping knows replaced."""
    if isinstance(value, Mapping):
        return {
            k: references.get(v, v) if k == "reference" and isinstance(v, str) else rewritten(v, references)
            for k, v in value.items()
        }
    if isinstance(value, list):
        return [rewritten(v, references) for v in value]
    return value
