"""Compiled plans -> a server, one transaction a patient."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from waykeeper.fhir import read_all
from waykeeper.findings import WaykeeperError, did_you_mean, finding
from waykeeper.record import resources_of
from waykeeper.verbs import inputs, words
from waykeeper.verbs.words import Holds, PathText, as_text

if TYPE_CHECKING:
    from waykeeper.exchange.report import PushReport
    from waykeeper.merge import Decisions


def push(
    *bundles: PathText | dict[str, Any],
    to: str,
    holds: Holds = "test",
    dry_run: bool = False,
    take: Mapping[str, str] | None = None,
    reported: Callable[[PushReport], None] = lambda _: None,
) -> tuple[PushReport, ...]:
    """Merge compiled plans into a server, one transaction a patient; see README.md of the merge room.

    A bundle is a file, or the Bundle itself: `push(compile(...).bundle, to=...)`.

    `holds` says what the server may hold; `reported` gets each report as soon as its plan is sent, so that nothing is
    forgotten where a later one fails. Every bundle is read, and must be legal FHIR, before the first is sent. `take`
    answers questions of an earlier push: item key -> `ours` or `theirs`.

    Raises WaykeeperError where a plan is not sent: a guard, the server's refusal, no answer. A report tells what was
    decided of each resource, what waits for a person, and what was not as it should be when read back.
    """
    from waykeeper.exchange import Server
    from waykeeper.exchange.files import a_bundle, read_bundle
    from waykeeper.exchange.pushing import looked_at
    from waykeeper.exchange.pushing import push as push_one

    words.sided(take or {})
    paths = ["" if isinstance(one, dict) else as_text(one) for one in bundles]
    loaded = [
        a_bundle(one) if isinstance(one, dict) else read_bundle(path) for one, path in zip(bundles, paths, strict=True)
    ]
    for path, document in zip(paths, loaded, strict=True):
        with inputs.blamed(path):
            inputs.single(read_all(resources_of(document)), path, "Give the Bundle that compile wrote.")
        _legal(path, document)
    server, now = Server(to, kind=holds), datetime.now(UTC)
    answers: list[Mapping[str, str]] = [{} for _ in loaded]
    if take:  # a misspelt answer must not be found out after the rest was sent
        answers = _taken(take, [looked_at(document, server, now) for document in loaded])
    reports = []
    for document, mine in zip(loaded, answers, strict=True):
        reports.append(push_one(document, server, dry_run=dry_run, take=mine, now=now))
        reported(reports[-1])
    return tuple(reports)


def _legal(path: str, document: Mapping[str, Any]) -> None:
    """Raises WaykeeperError with every error that the validator finds in a bundle, placed in its file."""
    from waykeeper.validate import own_definitions, validate

    wrong = [f for f in validate(document, (own_definitions(),)) if f.severity == "error"]
    if wrong:
        raise WaykeeperError([replace(f, position=replace(f.position, file=path)) for f in wrong])


def _taken(take: Mapping[str, str], looked: Sequence[Decisions]) -> list[Mapping[str, str]]:
    """The answers that each plan gets: those to what it has, or the server of it.

    Raises WaykeeperError WKC202 where an answer names an item that none of them has.
    """
    known = [{name for d in one.rows for name in (d.item, d.item.partition("/")[2])} for one in looked]
    for item in take:
        if not any(item in names for names in known):
            details = f"--take names {item!r}, which neither these plans nor the server have"
            raise WaykeeperError(finding("WKC202", details, help=did_you_mean(item, set().union(*known))))
    return [{item: side for item, side in take.items() if item in names} for names in known]
