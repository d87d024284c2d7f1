"""What the answer to a search holds: matches, what was given beside them, and what the server says was not given.

Everything that comes in by a search is looked at here first: what reads it may rely on its shape.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from waykeeper.exchange.errors import GRAVE, BadAnswerError, grave, issues_of, words_of
from waykeeper.exchange.files import exported_outcomes
from waykeeper.fhir.shape import misshapen, with_whose
from waykeeper.findings import Finding, finding
from waykeeper.record import withheld as not_given

Resource = dict[str, Any]


def matches(
    pages: Iterable[Resource], what: str, *, told: bool = False, lacking: list[Finding] | None = None
) -> dict[str, Resource]:
    """What the pages hold, each resource once; what a server adds beside the matches is none.

    told      outcomes, whether they say that they are none or not, are kept beside them
    lacking   gets what the server says that it did not give (WKC225), and what it gave and nobody can read (WKX219),
              which is left out; without a list each is a failure. What earlier searches put there explains nothing here

    Raises BadAnswerError WKX217 where the server says that it has more than it gave, that it holds something back or
    could not reach it, or that it failed in part: half of a plan looks whole.
    """
    found: dict[str, Resource] = {}
    total, given = 0, 0
    again = set[str]()  # what came on several pages: a page that is repeated stands where others should
    own: list[Finding] | None = None if lacking is None else []
    for page in pages:
        total = max(total, page["total"] if isinstance(page.get("total"), int) else 0)
        for entry in page.get("entry") or []:
            resource = entry.get("resource") or {}
            mode = (entry.get("search") or {}).get("mode", "match")
            if mode == "outcome" or resource.get("resourceType") == "OperationOutcome":
                if wrong := misshapen(resource):
                    raise BadAnswerError(finding("WKX211", f"{what}: {wrong}"), 200)
                if told:
                    found[f"OperationOutcome/{uuid.uuid4()}"] = resource
                else:
                    _heed(resource, what, own)
            elif mode == "match":
                name = f"{resource.get('resourceType')}/{resource.get('id')}"
                if name in found:
                    again.add(name)
                    continue
                given += 1
                if resource and _readable(resource, what, own):
                    found[name] = resource
    if given < total and not any(one.code == "WKC225" for one in own or ()):  # what nobody can read was given
        twice = f" ({len(again)} of these more than once)" if again else ""
        _lacks(f"{what}: {total} matches, {given} of them given{twice}, and no next page")
    if lacking is not None:
        lacking += own or ()
    return found


def _readable(resource: Resource, what: str, lacking: list[Finding] | None) -> bool:
    """False for a match that is left out; raises BadAnswerError WKX219 where that cannot be."""
    wrong = misshapen(resource) or ("" if resource.get("id") else f"{resource['resourceType']} has no id")
    if not wrong:
        return True
    name = "/".join(str(resource.get(key) or "?") for key in ("resourceType", "id"))
    said = f"{what}: {with_whose(name, resource)}: {wrong}"
    if lacking is None:
        raise BadAnswerError(finding("WKX219", said), 200)
    lacking.append(finding("WKX219", f"{said}; it is left out"))
    return False


def not_given_of(resources: Iterable[Mapping[str, Any]]) -> list[str]:
    """What the OperationOutcomes among resources say that was not given."""
    outcomes = (one for one in resources if one.get("resourceType") == "OperationOutcome")
    return [said for one in outcomes for said in words_of(list(not_given(one)))]


def not_exported(path: str) -> list[str]:
    """What the server of a bulk export could not give, by the files in which `export` keeps it; [] for what is none.

    Whatever is an error there left something out, by whichever code: the file is the list of what failed. Raises
    WaykeeperError WKC101, WKC102.
    """
    said = []
    for place, outcome in exported_outcomes(path):
        issues = [i for i in issues_of(outcome) if i.get("severity") in GRAVE]
        found = issues + [i for i in not_given(outcome) if i not in issues]
        said += [f"{place}: {text}" for text in words_of(found)]
    return said


def _heed(outcome: Resource, what: str, lacking: list[Finding] | None) -> None:
    failed, hidden = grave(outcome), words_of(list(not_given(outcome)))
    if failed or (hidden and lacking is None):
        _lacks(f"{what}: {'; '.join(failed or hidden)}", outcome)
    if lacking is not None:
        lacking += [finding("WKC225", f"{what}: {said}") for said in hidden]


def _lacks(said: str, outcome: Resource | None = None) -> None:
    raise BadAnswerError(finding("WKX217", said), 200, outcome)


def as_page(outcome: Any) -> Iterator[Resource]:
    """An outcome that stands beside a whole answer, as if it stood among its matches."""
    if isinstance(outcome, dict):
        yield {"resourceType": "Bundle", "entry": [{"resource": outcome, "search": {"mode": "outcome"}}]}


def torn(document: Any) -> str:
    """What keeps a Bundle from being gone through: `entry[3] is no object`; "" for nothing, and for what is none."""
    if not isinstance(document, dict) or document.get("resourceType") != "Bundle":
        return ""
    for name in ("entry", "link"):
        parts = document.get(name)
        if not isinstance(parts, list | None):
            return f"{name} is no list"
        for number, part in enumerate(parts or ()):
            wrong = "is no object" if not isinstance(part, dict) else _torn_entry(part) if name == "entry" else ""
            if wrong:
                return f"{name}[{number}] {wrong}" if wrong.startswith("is") else f"{name}[{number}].{wrong}"
    return ""


def _torn_entry(entry: Resource) -> str:
    for name in ("resource", "search", "response"):
        if not isinstance(entry.get(name), dict | None):
            return f"{name} is no object"
    outcome = (entry.get("response") or {}).get("outcome")
    if not isinstance(outcome, dict | None):
        return "response.outcome is no object"
    inner = torn(entry.get("resource"))
    return f"resource.{inner}" if inner else ""
