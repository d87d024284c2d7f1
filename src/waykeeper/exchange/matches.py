"""What the answer to a search holds: matches, what was given beside them, and what the server says was not given."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from waykeeper.exchange.errors import BadAnswerError, grave, words_of
from waykeeper.findings import finding
from waykeeper.record import withheld as not_given

Resource = dict[str, Any]


def matches(
    pages: Iterable[Resource], what: str, *, told: bool = False, withheld: list[str] | None = None
) -> dict[str, Resource]:
    """What the pages hold, each resource once; what a server adds beside the matches is none.

    told       outcomes, whether they say that they are none or not, are kept beside them
    withheld   gets what the server says that it did not give; without a list that is a failure

    Raises BadAnswerError WKX217 where the server says that it has more than it gave, that it holds something back or
    could not reach it, or that it failed in part: half of a plan looks whole.
    """
    found: dict[str, Resource] = {}
    total, given = 0, 0
    for page in pages:
        total = max(total, page["total"] if isinstance(page.get("total"), int) else 0)
        for entry in page.get("entry") or []:
            resource = entry.get("resource") or {}
            mode = (entry.get("search") or {}).get("mode", "match")
            if mode == "outcome" or resource.get("resourceType") == "OperationOutcome":
                if told:
                    found[f"OperationOutcome/{uuid.uuid4()}"] = resource
                else:
                    _heed(resource, what, withheld)
            elif mode == "match":
                given += 1
                if resource.get("id"):
                    found.setdefault(f"{resource['resourceType']}/{resource['id']}", resource)
    if given < total and not withheld:
        _lacks(f"{what}: {total} matches, {given} of them given, and no next page")
    return found


def not_given_of(resources: Iterable[Mapping[str, Any]]) -> list[str]:
    """What the OperationOutcomes among resources say that was not given."""
    outcomes = (one for one in resources if one.get("resourceType") == "OperationOutcome")
    return [said for one in outcomes for said in words_of(list(not_given(one)))]


def _heed(outcome: Resource, what: str, withheld: list[str] | None) -> None:
    failed, hidden = grave(outcome), words_of(list(not_given(outcome)))
    if failed or (hidden and withheld is None):
        _lacks(f"{what}: {'; '.join(failed or hidden)}", outcome)
    if withheld is not None:
        withheld += [f"{what}: {said}" for said in hidden]


def _lacks(said: str, outcome: Resource | None = None) -> None:
    raise BadAnswerError(finding("WKX217", said), 200, outcome)


def as_page(outcome: Any) -> Iterator[Resource]:
    """An outcome that stands beside a whole answer, as if it stood among its matches."""
    if isinstance(outcome, dict):
        yield {"resourceType": "Bundle", "entry": [{"resource": outcome, "search": {"mode": "outcome"}}]}
