"""How far our verdict and the official one agree: a seeded corpus, the comparison, and the known differences."""

from __future__ import annotations

import json
import random
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from contract.validator.bundles import bundle_cases
from contract.validator.instances import Maker
from contract.validator.mutants import mutants, root_mutants, text_mutants
from waykeeper.findings import catalogue
from waykeeper.validate import validate, validate_json
from waykeeper.validate.tables import resource_types
from yaml_text import typed

ROOT = Path(__file__).parents[3]
KNOWN: list[dict[str, str]] = typed((Path(__file__).parent / "differences.yaml").read_text("utf-8"))

Case = tuple[str, str]  # what it is, one line of JSON


def corpus(seed: int, faults: int, types: int = 0) -> list[Case]:
    """Controls of every type (or of `types` of them), `faults` mutants of each control, and bundles."""
    rng = random.Random(seed)
    names = sorted(resource_types())
    made: list[Case] = []
    for name in rng.sample(names, types) if types else names:
        for fill in (0.1, 0.4):
            control = _control(name, rng, fill)
            made.append((f"control/{name}", json.dumps(control)))
            for what, mutant in [*mutants(control, rng, faults), *root_mutants(control, rng, faults // 2)]:
                made.append((what, json.dumps(mutant)))
        if rng.random() < 0.1:
            made += text_mutants(control, rng)
    made += [(what, json.dumps(bundle)) for what, bundle in bundle_cases(rng, len(made) // 10)]
    return made


def _control(name: str, rng: random.Random, fill: float) -> dict[str, Any]:
    """An instance that we hold valid; after a dozen tries whatever came last."""
    for _ in range(12):
        made = Maker(rng, fill).resource(name)
        if all(f.severity != "error" for f in validate(made, stricter=False)):
            break
    return made


def goldens() -> list[Case]:
    """Every bundle of the repository that is said to be valid, and the examples of the catalogue that are."""
    made = [
        (f"golden/{file.parent.name}/{file.name}", json.dumps(json.loads(file.read_text("utf-8"))))
        for file in sorted((ROOT / "sandbox_bundles").glob("**/*.json"))
        if json.loads(file.read_text("utf-8")).get("resourceType")
    ]
    for code, entry in catalogue().items():
        if code.startswith("WKV") and isinstance(entry.passes, dict) and "resourceType" in entry.passes:
            made.append((f"catalogue/{code}/passes", json.dumps(entry.passes)))
    return made


def faulty_examples() -> Iterator[Case]:
    """The examples of the catalogue that break the specification."""
    for code, entry in catalogue().items():
        wrong = code.startswith("WKV") and entry.family == "the specification" and entry.severity == "error"
        if wrong and isinstance(entry.raises, dict) and "resourceType" in entry.raises:
            yield f"catalogue/{code}/raises", json.dumps(entry.raises)


@dataclass
class Agreement:
    """The confusion of two verdicts, and what differs without a known reason."""

    same_valid: int = 0
    same_invalid: int = 0
    only_we_refuse: int = 0
    only_they_refuse: int = 0
    no_verdict: int = 0
    reasons: Counter[str] = field(default_factory=Counter)
    unknown: list[str] = field(default_factory=list)

    @property
    def rate(self) -> float:
        """The share of resources with the same verdict among those with a verdict."""
        same = self.same_valid + self.same_invalid
        return same / max(same + self.only_we_refuse + self.only_they_refuse, 1)

    def __str__(self) -> str:
        """The confusion, the rate and the reasons of the differences."""
        confusion = (
            f"both valid {self.same_valid}, both invalid {self.same_invalid}, only we refuse {self.only_we_refuse}, "
            f"only the official refuses {self.only_they_refuse}, no verdict {self.no_verdict}: {self.rate:.2%}"
        )
        known = [f"  {count:4} {reason}" for reason, count in self.reasons.most_common()]
        lines = [confusion, *known, *[f"  unexplained: {text}" for text in self.unknown]]
        return "\n".join(lines)


def compare(cases: Sequence[Case], verdicts: Sequence[Any]) -> Agreement:
    """Lay our verdicts (the specification's family only) beside the official ones."""
    out = Agreement()
    for (what, text), verdict in zip(cases, verdicts, strict=True):
        errors = [f for f in validate_json(text, stricter=False) if f.severity == "error"]
        if verdict.valid is None:
            out.no_verdict += 1
        elif verdict.valid and not errors:
            out.same_valid += 1
        elif not verdict.valid and errors:
            out.same_invalid += 1
        else:
            _differ(out, what, text, [f"{f.code} {f.details}" for f in errors], verdict)
    return out


def _differ(out: Agreement, what: str, text: str, ours: list[str], verdict: Any) -> None:
    theirs = [f"{i['id']}: {i['text']}" for i in verdict.issues if i["severity"] in ("error", "fatal")]
    said = " | ".join(ours or theirs) or verdict.exception
    if verdict.valid:
        out.only_we_refuse += 1
    else:
        out.only_they_refuse += 1
    side = "ours" if verdict.valid else "theirs"
    reason = next((k["reason"] for k in KNOWN if k["side"] == side and k["says"] in said), "")
    if reason:
        out.reasons[f"{side}: {reason}"] += 1
    else:
        out.unknown.append(f"{side}: {what}: {said[:300]} in {text[:200]}")
