"""Is this legal FHIR R4? `validate(resource)` answers with findings; see README.md.

`waykeeper.validate(resource)` is the function: help(waykeeper.validate.validate) says what it takes.
"""

from waykeeper.callable_package import make_callable
from waykeeper.validate.api import Checked, check_json, validate, validate_json, validate_ndjson
from waykeeper.validate.own import own_definitions
from waykeeper.validate.profiles import Profile, Profiles, load_profiles

__all__ = [
    "Checked",
    "Profile",
    "Profiles",
    "check_json",
    "load_profiles",
    "own_definitions",
    "validate",
    "validate_json",
    "validate_ndjson",
]

make_callable(__name__, "waykeeper.validate.api", "validate")  # waykeeper.validate(resource) is validate(resource)
