"""Is this legal FHIR R4? `validate(resource)` answers with findings; see README.md."""

from waykeeper.validate.api import validate, validate_json, validate_ndjson

__all__ = ["validate", "validate_json", "validate_ndjson"]
