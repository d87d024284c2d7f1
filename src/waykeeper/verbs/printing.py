"""A plan -> what the patient takes home: the sheet and the calendar."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from waykeeper.exchange.files import Held
from waykeeper.fhir import read_all
from waykeeper.findings import WaykeeperError, finding
from waykeeper.plan.model import Evidence, Key, Plan, State
from waykeeper.verbs import inputs, words

if TYPE_CHECKING:
    pass


@dataclass(frozen=True, slots=True)
class Sheet:
    """One patient's plan with what is recorded, proven bookings, and whether a server was asked."""

    plan: Plan
    state: State
    bookings: Mapping[Key, Evidence]
    checked_against: str | None
    as_of: date


def _one_plan(bundle: str, from_: str, patient: str, episode: int, as_of: str) -> Sheet:
    from waykeeper.fhir import evidence

    if bool(bundle) == bool(from_):
        found = "a bundle and --from exclude each other" if bundle else "neither a bundle nor --from is given"
        remedy = "Give a bundle, or --from URL with --patient SYSTEM|VALUE."
        raise WaykeeperError(finding("WKC203", found, help=remedy))
    words.positive(episode, "--episode")
    if as_of:
        inputs.day_of(as_of, "--as-of")
    held = _of_server(from_, patient) if from_ else inputs.held_of([bundle])
    with inputs.blamed(bundle):
        plans = [(p, s) for p, s in read_all(held) if bundle or p.episode.number == episode]
        remedy = "Give the Bundle that compile wrote." if bundle else "Check --patient, and --episode."
        plan, state = inputs.single(plans, bundle or from_, remedy)
        day = inputs.as_of_date(as_of, plan.zone)
        return Sheet(plan, state, _bookings(plan, state, evidence(held, plan.zone), day), from_ or None, day)


def _of_server(url: str, patient: str) -> list[Held]:
    from waykeeper.exchange import Server
    from waykeeper.exchange.reading import plan_resources

    if not patient:
        raise WaykeeperError(finding("WKC203", "--from needs --patient", help="Add --patient 'SYSTEM|VALUE'."))
    return plan_resources(Server(url), inputs.identifier_of(patient, "--patient"))


def _language(given: str, plan: Plan, fallback: str) -> str:
    """The language to print in: as asked, else the patient's own, else the fallback. Raises WaykeeperError."""
    from waykeeper.report.interface import languages

    if given:
        return words.choice(given, languages(), "--language")
    own = plan.patient.language.partition("-")[0].lower()
    if own and own not in languages():
        remedy = f"Choose one with --language: {', '.join(languages())}."
        raise WaykeeperError(finding("WKC208", f"the patient speaks {own!r}, there are no words in it", help=remedy))
    return own or fallback


def _bookings(plan: Plan, state: State, found: Sequence[Evidence], day: date) -> dict[Key, Evidence]:
    """What is proven of each visit, booked or attended, as the gap report sees it on this day."""
    from waykeeper.gaps import worklist
    from waykeeper.report.proven import bookings_of

    return bookings_of(plan, worklist([(plan, state)], found, day).rows, found)


def sheet(
    bundle: str = "",
    *,
    from_: str = "",
    patient: str = "",
    as_of: str = "",
    language: str = "",
    episode: int = 1,
    fallback: str = "en",
) -> str:
    """The patient's dated sheet as HTML. Raises WaykeeperError where nothing may be printed for the patient."""
    from waykeeper.report.sheet import sheet_html

    one = _one_plan(bundle, from_, patient, episode, as_of)
    return sheet_html(
        one.plan, one.state,
        as_of=one.as_of, language=_language(language, one.plan, fallback),
        checked_against=one.checked_against, bookings=one.bookings,
    )  # fmt: skip


def calendar(
    bundle: str = "",
    *,
    from_: str = "",
    patient: str = "",
    as_of: str = "",
    language: str = "",
    episode: int = 1,
    sequence: int = 0,
    fallback: str = "en",
) -> bytes:
    """The patient's calendar as iCalendar."""
    from waykeeper.report.calendars import calendar_ics

    one = _one_plan(bundle, from_, patient, episode, as_of)
    return calendar_ics(
        one.plan, one.state, sequence=sequence, now=datetime.now(UTC),
        language=_language(language, one.plan, fallback), bookings=one.bookings,
    )  # fmt: skip
