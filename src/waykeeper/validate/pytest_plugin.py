"""For Python developers: a fixture and an assertion that print findings well.

    def test_my_bundle(valid_fhir):
        valid_fhir(bundle)                      # fails with one line a finding
        valid_fhir(bundle, profiles=[profile], warnings=True)

Loaded by pytest through its entry point; nothing at run time imports this module.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pytest

from waykeeper.findings import Finding
from waykeeper.validate import validate


def assert_valid_fhir(
    resource: Any, profiles: Sequence[Any] = (), *, stricter: bool = True, warnings: bool = False
) -> list[Finding]:
    """Fail where the resource has an error (or a warning, with `warnings=True`); else give all findings."""
    __tracebackhide__ = True
    found = validate(resource, profiles, stricter=stricter)
    refused = [f for f in found if f.severity == "error" or (warnings and f.severity == "warning")]
    if refused:
        name = resource.get("resourceType", "resource") if isinstance(resource, dict) else "resource"
        pytest.fail(f"{name} is not valid FHIR R4:\n" + "\n".join(f"  {f.line()}" for f in refused), pytrace=False)
    return found


@pytest.fixture(scope="session")
def valid_fhir() -> Callable[..., list[Finding]]:
    """`valid_fhir(resource, profiles=(), stricter=True, warnings=False)`: fails with the findings."""
    return assert_valid_fhir
