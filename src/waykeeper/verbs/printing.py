"""A plan -> what the patient takes home: the sheet and the calendar."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from waykeeper.exchange.files import Held
from waykeeper.fhir import read_all
from waykeeper.findings import WaykeeperError, finding
from waykeeper.plan.model import Evidence, Identifier, Key, Plan, State
from waykeeper.verbs import inputs, words
from waykeeper.verbs.words import PathText, as_text

if TYPE_CHECKING:
    from waykeeper.report.sheet import Replaced
    from waykeeper.verbs.moving import Move


@dataclass(frozen=True, slots=True)
class Sheet:
    """One patient's plan with what is recorded, proven bookings, and whether a server was asked.

    held   everything that was read with the plan
    """

    plan: Plan
    state: State
    bookings: Mapping[Key, Evidence]
    checked_against: str | None
    as_of: date
    held: Sequence[Held] = ()


def _one_plan(
    bundle: str, from_: str, patient: str, episode: int, as_of: str | date, pathway: str, *, over: bool = False
) -> Sheet:
    """The plan that is meant; `over`: of two that are not told apart the one that is not in force."""
    from waykeeper.exchange.reading import meant_perhaps, of_pathway, told_apart
    from waykeeper.fhir import evidence
    from waykeeper.report.permit import refusal

    if bool(bundle) == bool(from_):
        found = "a bundle and --from exclude each other" if bundle else "neither a bundle nor --from is given"
        remedy = "Give a bundle, or --from URL with --patient SYSTEM|VALUE."
        raise WaykeeperError(finding("WKC203", found, help=remedy))
    words.positive(episode, "--episode")
    if isinstance(as_of, str) and as_of:
        inputs.day_of(as_of, "--as-of")
    whose = inputs.identifier_of(patient, "--patient") if patient else None
    held = _of_server(from_, patient) if from_ else inputs.held_of([bundle])
    with inputs.blamed(bundle):
        plans = [(p, s) for p, s in read_all(held) if bundle or p.episode.number == episode]
        if bundle:  # nothing that was named is printed for somebody else; 1 is also what nobody named
            plans = _plans_of(whose, plans, held) if whose else plans
            plans = [(p, s) for p, s in plans if episode in (1, p.episode.number)]
        names = sorted({p.pathway.name for p, _ in plans})
        remedy = "Give the Bundle that compile wrote." if bundle else "Check --patient, and --episode."
        if bundle and (whose or episode != 1):
            remedy = "Check --patient, and --episode, or leave them out."
        if names and (len(names) > 1 or pathway):
            remedy = f"Name the pathway with --pathway: {', '.join(names)}."
        meant: Sequence[tuple[Plan, State]] = of_pathway(plans, pathway)
        if from_:  # the plans of a file may be of several patients, or episodes
            meant = told_apart(meant, inputs.identifier_of(patient, "--patient"), over=over)
        plan, state = inputs.single(list(meant), bundle or from_, remedy)
        refused = None if over else refusal(plan, state)
        if from_ and refused and refused.code == "WKO002" and (remedy := meant_perhaps(held, plan)):
            raise WaykeeperError(replace(refused, help=remedy))
        day = inputs.as_of_date(as_of, plan.zone)
        return Sheet(plan, state, _bookings(plan, state, evidence(held, plan.zone), day), from_ or None, day, held)


def _plans_of(whose: Identifier, plans: Sequence[tuple[Plan, State]], held: Sequence[Held]) -> list[tuple[Plan, State]]:
    """The plans of whoever has this identifier: a plan keeps the number it was made for, and she may have others."""
    from waykeeper.record import identifier_names, relative

    patients = [(ref, identifier_names(r)) for ref, r in held if r.get("resourceType") == "Patient"]
    names = {str(whose), *(name for ref, hers in patients if str(whose) in hers for name in (ref, *hers) if name)}
    return [(p, s) for p, s in plans if names & {str(p.episode.patient), relative(p.patient.reference)}]


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
    bundle: PathText = "",
    *,
    from_: str = "",
    patient: str = "",
    as_of: str | date = "",
    language: str = "",
    episode: int = 1,
    pathway: str = "",
    fallback: str = "en",
) -> str:
    """The patient's dated sheet as HTML.

    bundle     the file of a compiled plan; or `from_` a server and `patient` as SYSTEM|VALUE: then with what stands
    as_of      the day on which it is printed; today in the clinic's zone
    language   by default the patient's own, where there are words in it; `fallback` where there are none
    pathway    which, where the patient has several plans

    Raises WaykeeperError where nothing may be printed for the patient.
    """
    from waykeeper.report.sheet import sheet_html

    one = _one_plan(as_text(bundle), from_, patient, episode, as_of, pathway)
    return sheet_html(
        one.plan, one.state,
        as_of=one.as_of, language=_language(language, one.plan, fallback),
        checked_against=one.checked_against, bookings=one.bookings,
        replaces=_superseded(one),
    )  # fmt: skip


def _superseded(one: Sheet) -> Replaced | None:
    """The sheet before the last move, of the day, the anaesthetic or anything else; None where the plan never moved."""
    from waykeeper.exchange import Server
    from waykeeper.exchange.versions import before_last_move
    from waykeeper.fhir import evidence
    from waykeeper.report.permit import refusal
    from waykeeper.report.selection import check_code
    from waykeeper.report.sheet import Replaced

    if one.checked_against is None:
        return None
    server = Server(one.checked_against)
    before = before_last_move(server, one.held, one.plan.episode, one.state.plan_reference)
    if before is None:
        return None
    plan, state = next((p, s) for p, s in read_all(before) if p.episode == one.plan.episode)
    if refusal(plan, state) is not None:
        return Replaced(plan.surgery_day, "")
    code = check_code(plan, state, _bookings(plan, state, evidence(before, plan.zone), one.as_of))
    return Replaced(plan.surgery_day, code)


def sheet_of(made: Move) -> str:
    """The sheet after a move: it names the one that it replaces. Raises WaykeeperError where nothing may be printed."""
    from waykeeper.report.sheet import Replaced, sheet_html

    moved, told = made.moved, made.told
    was = told.surgery_was
    return sheet_html(
        moved.new, moved.new_state,
        as_of=told.as_of, language=_language("", moved.new, "en"), checked_against=moved.server or None,
        bookings=made.bookings, replaces=Replaced(was.day if was else None, told.codes[0]),
    )  # fmt: skip


def calendar_of(made: Move) -> bytes:
    """The calendar after a move: under the next sequence, what is no longer in the plan is cancelled in it."""
    from waykeeper.report.calendars import calendar_ics

    moved, now = made.moved, datetime.now(UTC)
    return calendar_ics(
        moved.new, moved.new_state, sequence=_sequence(now), now=now, earlier=True,
        language=_language("", moved.new, "en"), bookings=made.bookings,
    )  # fmt: skip


def _sequence(now: datetime) -> int:
    """Seconds since 2020: a later calendar always counts more, whatever has changed since, as a booking or an answer.

    Fits the INTEGER of RFC 5545 (32 bits) until 2088.
    """
    return int((now - datetime(2020, 1, 1, tzinfo=UTC)).total_seconds())


def _may_hold_one(server: str, state: State) -> bool:
    """True where something of the plan was changed on the server, so that an earlier calendar may say otherwise."""
    from waykeeper.exchange import Server
    from waykeeper.exchange.versions import changed

    touched = any(version not in ("", "1") for own in state.items.values() for version in own.versions.values())
    return touched or changed(Server(server), state.plan_reference)


def calendar(
    bundle: PathText = "",
    *,
    from_: str = "",
    patient: str = "",
    as_of: str | date = "",
    language: str = "",
    episode: int = 1,
    pathway: str = "",
    sequence: int | None = None,
    take_back: bool = False,
    fallback: str = "en",
) -> bytes:
    """The patient's calendar as iCalendar, of a plan that is given as for `sheet`.

    pathway    which, where the patient has several plans
    sequence   of its events, greater for each later calendar; by itself it grows with the time, 0 says that it is the
               first one that the patient gets
    take_back  only cancel what an earlier calendar holds, nameless and silent: of a plan that was withdrawn or put off,
               of a patient who died. Raises WaykeeperError WKC203 for a plan that stands
    """
    from waykeeper.report.calendars import calendar_ics, cancelled_ics

    one, now = _one_plan(as_text(bundle), from_, patient, episode, as_of, pathway, over=take_back), datetime.now(UTC)
    earlier = None if sequence is not None else bool(from_) and _may_hold_one(from_, one.state)
    number, spoken = _sequence(now) if sequence is None else sequence, _language(language, one.plan, fallback)
    if take_back:
        _over(one)
        return cancelled_ics(one.plan, sequence=number, now=now, language=spoken)
    return calendar_ics(
        one.plan, one.state, sequence=number, now=now, earlier=earlier, language=spoken, bookings=one.bookings
    )


def _over(one: Sheet) -> None:
    """Raises WaykeeperError WKC203 for a plan that stands: the patient would lose every date."""
    from waykeeper.report.permit import refusal

    if refusal(one.plan, one.state) is None:
        found = "--take-back is for a plan that was withdrawn or put off, or a patient who died; this plan stands"
        raise WaykeeperError(finding("WKC203", found, help="Leave it out: a later calendar replaces an earlier one."))
