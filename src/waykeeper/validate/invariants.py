"""Invariants: hand-written tests for most, FHIRPath for the others; an empty result counts as broken."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from waykeeper.validate.fhirpath import fhirpath_test
from waykeeper.validate.invariants_by_hand import BY_HAND, ends_after_start
from waykeeper.validate.invariants_of_definitions import OF_DEFINITIONS
from waykeeper.validate.run import Place, Run

Test = Callable[[dict[str, Any], Run], object]

# Expressions that the official validator repairs before it evaluates them (its FHIRPathExpressionFixer).
REPAIRED = {
    "bdl-8": "fullUrl.exists() implies fullUrl.contains('/_history/').not()",
    "que-12": "enableWhen.count() >= 2 implies enableBehavior.exists()",
    "eld-19": (
        r"""path.matches('^[^\\s\\.,:;\\\'"\\/|?!@#$%&*()\\[\\]{}]{1,64}"""
        r"""(\\.[^\\s\\.,:;\\\'"\\/|?!@#$%&*()\\[\\]{}]{1,64}(\\[x\\])?(\\:[^\\s\\.]+)?)*$')"""
    ),
    "eld-20": r"path.matches('^[A-Za-z][A-Za-z0-9]*(\\.[a-z][A-Za-z0-9]*(\\[x])?)*$')",
}
TESTS = BY_HAND | OF_DEFINITIONS


MISSHAPEN = (TypeError, ValueError, AttributeError, ArithmeticError)


@dataclass(frozen=True, slots=True)
class Rule:
    """One invariant of the specification."""

    key: str
    severity: str
    human: str
    test: Test
    code: str = ""

    def holds(self, value: dict[str, Any], run: Run) -> bool:
        """Whether the invariant holds; a value so misshapen that it cannot be asked is reported elsewhere."""
        try:
            return bool(self.test(value, run))
        except MISSHAPEN:
            return True

    def report(self, place: Place, run: Run) -> None:
        """Note that the invariant is broken here."""
        if self.code:
            if run.stricter:
                run.add(self.code, place, self.human)
        elif self.key == "app-4" and run.resource.get("status") == "noshow":
            run.add("WKV403", place, "a missed appointment (noshow) must not state cancelationReason")
        elif self.severity == "error":
            run.add("WKV401", place, f"invariant {self.key} is broken: {self.human}")
        else:
            run.add("WKV402", place, f"{self.key}: {self.human}")


def rules_of(type_: str, node: str, record: dict[str, Any], keys: Iterable[str] | None = None) -> tuple[Rule, ...]:
    """The rules of a node of a type, or of the given keys of it."""
    wanted = record["nodes"][node].get("i", ()) if keys is None else keys
    rules = []
    for key in wanted:
        severity, human, expression = record["inv"][key]
        test = TESTS.get(f"{type_}:{key}") or TESTS.get(key)
        rules.append(Rule(key, severity, human, test or fhirpath_test(REPAIRED.get(key, expression), node or type_)))
    if record.get("k") == "resource" and node == type_ and keys is None:
        rules += _DOMAIN if record["base"] != "Resource" else []
        rules += _STRICTER if type_ in ("Appointment", "Slot") else []
    return tuple(rules)


_STRICTER = [Rule("", "error", "the end is before the start", ends_after_start, "WKV901")]

_DOMAIN = [
    Rule("dom-2", "error", "a contained resource must not contain resources itself", BY_HAND["dom-2"]),
    Rule(
        "dom-3", "error", "a contained resource must be referred to from the resource, or refer to it", BY_HAND["dom-3"]
    ),
    Rule("dom-4", "error", "a contained resource must not have meta.versionId or meta.lastUpdated", BY_HAND["dom-4"]),
    Rule("dom-5", "error", "a contained resource must not have a security label", BY_HAND["dom-5"]),
]
