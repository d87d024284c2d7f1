"""Plan <-> FHIR R4 resources, evidence of what happened, and our own rules for plans. See README.md."""

from waykeeper.fhir.bundle import bundle, bundle_json, rewritten
from waykeeper.fhir.evidence import carries, evidence, evidence_of, zones_of
from waykeeper.fhir.gone import MEDICATION, Types, rootless, types_of
from waykeeper.fhir.identity import Identity, belongs, episode_of, identity, is_ours
from waykeeper.fhir.read import UnknownZoneError, read, read_all, zone_of
from waykeeper.fhir.status import status, status_class
from waykeeper.fhir.write import write
from waykeeper.plan.answers import recorded as answers

__all__ = [
    "MEDICATION",
    "Identity",
    "Types",
    "UnknownZoneError",
    "answers",
    "belongs",
    "bundle",
    "bundle_json",
    "carries",
    "episode_of",
    "evidence",
    "evidence_of",
    "identity",
    "is_ours",
    "read",
    "read_all",
    "rewritten",
    "rootless",
    "status",
    "status_class",
    "types_of",
    "write",
    "zone_of",
    "zones_of",
]
