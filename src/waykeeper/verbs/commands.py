"""One function a command: the public Python API. `waykeeper.compile(...)` and the command `waykeeper compile` are one.

Every function takes what the command takes, returns a value, prints nothing, and raises WaykeeperError with findings
where it cannot do its job.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from waykeeper.exchange.files import Held
from waykeeper.fhir import read_all
from waykeeper.findings import Entry, Finding, Position, WaykeeperError, catalogue, did_you_mean, finding
from waykeeper.plan.model import Evidence, Item, Key, Plan, State
from waykeeper.record import resources_of
from waykeeper.verbs import inputs

LAST_PORT = 65535
FARTHEST_EAST = timedelta(hours=14)  # no place on earth is ahead of UTC by more
Holds = Literal["test", "patients"]  # what a server may hold; "test" refuses patients without the test-data label

if TYPE_CHECKING:
    from waykeeper.exchange.report import PushReport
    from waykeeper.gaps import Worklist
    from waykeeper.pathway.model import Clinic
    from waykeeper.timing import Moment


@dataclass(frozen=True, slots=True)
class Compiled:
    """A plan, the transaction Bundle that writes it, and what was noticed on the way (warnings and below)."""

    plan: Plan
    bundle: dict[str, Any]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class GapReport:
    """The worklist with the plans it rests on and where they came from."""

    worklist: Worklist
    plans: tuple[tuple[Plan, State], ...]
    evidence: tuple[Evidence, ...]
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PathwayEntry:
    """One pathway of the library."""

    name: str
    version: str
    title: str
    items: int


def check(*pathways: str) -> tuple[Finding, ...]:
    """Check pathway, overlay, clinic and rule files by name or path; all findings of all of them."""
    from waykeeper.verbs.checking import check_any

    return tuple(f for wanted in pathways for f in check_any(wanted))


def pathways() -> tuple[PathwayEntry, ...]:
    """What the library holds."""
    from waykeeper.pathway.library import load, names

    found = []
    for name in names():
        pathway, _ = load(name)
        if pathway is not None:
            found.append(PathwayEntry(name, pathway.version, pathway.title, len(pathway.items)))
    return tuple(found)


def compile(  # noqa: A001 - the verb of the trade and of the command
    pathway: str,
    *,
    clinic: str,
    patient: str = "",
    surgery: str,
    discharge: str = "",
    side: str = "",
    anaesthesia: str = "unknown",
    patient_identifier: str = "",
    episode: int = 1,
    from_: str = "",
) -> Compiled:
    """Compile a pathway for one patient.

    patient   a file or folder with the Patient and what is known of them; may be left out where `from_` is given
    surgery   local date and time of the clinic, `2026-03-18T07:30`
    from_     a server: answers and rounds that it holds, and the record where no file is given

    The bundle has passed Waykeeper's own validator; a plan that fails it raises WaykeeperError and is never returned.
    """
    from waykeeper.fhir import answers as read_answers
    from waykeeper.fhir import bundle as as_bundle
    from waykeeper.fhir import is_ours
    from waykeeper.plan.compile import compile as compile_plan
    from waykeeper.plan.model import Answers
    from waykeeper.record import read

    inputs.choice(side, inputs.SIDES, "--side")
    inputs.choice(anaesthesia, inputs.ANAESTHESIA, "--anaesthesia")
    _positive(episode, "--episode")
    identifier = inputs.identifier_of(patient_identifier, "--patient-identifier") if patient_identifier else None
    known = inputs.clinic_of(clinic)
    given = _anchors(known, surgery, discharge)
    held = _record_of(patient, from_, identifier)
    chosen, noted = inputs.pathway_of(pathway, known, clinic)
    with inputs.blamed(patient):
        record = read(held, is_ours, patient or from_)
        _alive(record.patient, patient or from_)
        if identifier:
            inputs.owned(record.patient, identifier, patient or from_)
        answers = Answers()
        if from_:
            state = _state_on(from_, record.patient, identifier, known, chosen.url, episode)
            answers = read_answers(state) if state else answers
        plan = compile_plan(
            chosen, known, record, given,
            side=side, anaesthesia=anaesthesia, identifier=identifier, episode=episode, answers=answers,
        )  # fmt: skip
        made = as_bundle(plan, answers.rounds)
    return Compiled(plan, made, (*noted, *plan.findings, *_legal(made)))


def _anchors(clinic: Clinic, surgery: str, discharge: str) -> dict[str, Moment]:
    given = {"surgery": inputs.moment_of(surgery, clinic.zone, "--surgery")}
    if discharge:
        given["discharge"] = inputs.moment_of(discharge, clinic.zone, "--discharge")
        inputs.in_order(given["surgery"], given["discharge"])
    for name, moment in given.items():
        inputs.covered(moment, clinic.calendar, f"--{name}")
    return given


def _alive(patient: Mapping[str, Any], place: str) -> None:
    if patient.get("deceasedDateTime") or patient.get("deceasedBoolean"):
        raise WaykeeperError(finding("WKC207", "the Patient is recorded as deceased, no plan is made", Position(place)))


def _positive(number: int, option: str) -> None:
    if number < 1:
        raise WaykeeperError(finding("WKC201", f"{option} is {number}, it counts from 1"))


def _record_of(patient: str, server: str, identifier: Any) -> list[Held]:
    if patient:
        return inputs.held_of([patient])
    if not server or identifier is None:
        help_text = "Give --patient FILE, or --from URL with --patient-identifier SYSTEM|VALUE."
        raise WaykeeperError(finding("WKC203", "no record is given", help=help_text))
    from waykeeper.exchange import Server
    from waykeeper.exchange.reading import record_resources

    return record_resources(Server(server), identifier)


def _state_on(server: str, patient: Mapping[str, Any], identifier: Any, clinic: Any, url: str, episode: int) -> Any:
    """The state of the plan that this compile would replace, None where the server holds none."""
    from waykeeper.exchange import Server
    from waykeeper.exchange.reading import plan_resources
    from waykeeper.plan.compile import patient_identifier
    from waykeeper.record import Record

    wanted = identifier or patient_identifier(Record(patient, ()), clinic)
    for plan, state in read_all(plan_resources(Server(server), wanted)):
        if plan.episode.number == episode and plan.episode.pathway_url == url:
            return state
    return None


def _legal(bundle: dict[str, Any]) -> tuple[Finding, ...]:
    from waykeeper.validate import validate as validate_resource
    from waykeeper.verbs.validating import own_definitions

    found = validate_resource(bundle, profiles=(own_definitions(),))
    wrong = [f for f in found if f.severity == "error"]
    if wrong:
        raise WaykeeperError(wrong)
    return tuple(f for f in found if f.severity == "warning")


def push(
    *bundles: str,
    to: str,
    holds: Holds = "test",
    dry_run: bool = False,
    take: Mapping[str, str] | None = None,
    reported: Callable[[PushReport], None] = lambda _: None,
) -> tuple[PushReport, ...]:
    """Merge compiled plans into a server, one transaction a patient; see README.md of the merge room.

    `holds` says what the server may hold; `reported` gets each report as soon as its plan is sent, so that nothing is
    forgotten where a later one fails. Every bundle is read before the first is sent.
    """
    from waykeeper.exchange import Server
    from waykeeper.exchange.files import read_bundle
    from waykeeper.exchange.pushing import push as push_one

    loaded = [read_bundle(path) for path in bundles]
    for path, document in zip(bundles, loaded, strict=True):
        with inputs.blamed(path):
            _single(read_all(resources_of(document)), path, "Give the Bundle that compile wrote.")
    server, now = Server(to, kind=holds), datetime.now(UTC)
    if take:  # a misspelt answer must not be found out after the rest was sent
        _taken(take, [push_one(document, server, dry_run=True, now=now) for document in loaded])
    reports = []
    for document in loaded:
        reports.append(push_one(document, server, dry_run=dry_run, take=take or {}, now=now))
        reported(reports[-1])
    return tuple(reports)


def _taken(take: Mapping[str, str], reports: Sequence[PushReport]) -> None:
    """Raises WaykeeperError WKC202 where an answer names an item that neither the plans nor the server have."""
    known = {name for one in reports for d in one.decisions for name in (d.item, d.item.partition("/")[2])}
    for item in take:
        if item not in known:
            details = f"--take names {item!r}, which neither these plans nor the server have"
            raise WaykeeperError(finding("WKC202", details, help=did_you_mean(item, known)))


def _single(plans: list[tuple[Plan, State]], place: str, remedy: str) -> tuple[Plan, State]:
    """The one plan that a file or server holds. Raises WaykeeperError WKC210."""
    if len(plans) != 1:
        found = f"{len(plans)} plans of Waykeeper, one is needed" if plans else "no plan of Waykeeper"
        raise WaykeeperError(finding("WKC210", found, Position(place), remedy))
    return plans[0]


def gaps(*sources: str, as_of: str | date | None = None) -> GapReport:
    """Lay what was planned beside what really happened.

    sources   servers, files or folders; plans, appointments and encounters may come from different ones
    as_of     the day to look at; today in the clinic's zone
    """
    from waykeeper.fhir import evidence
    from waykeeper.gaps import worklist

    if isinstance(as_of, str) and as_of:
        as_of = inputs.day_of(as_of, "--as-of")
    held = [pair for source in sources for pair in _source(source)]
    with inputs.blamed(*sources):
        plans = read_all(held)
        if not plans:
            remedy = "Compile one and push it first, or name where the plans are."
            raise WaykeeperError(finding("WKC210", "no plan of Waykeeper", Position(", ".join(sources)), remedy))
        zone = plans[0][0].zone
        day = as_of if isinstance(as_of, date) else inputs.as_of_date(as_of, zone)
        found = evidence(held, zone)
        return GapReport(worklist(plans, found, day), tuple(plans), tuple(found), tuple(sources))


def _source(source: str) -> list[Held]:
    if not inputs.is_url(source):
        return inputs.held_of([source])
    from waykeeper.exchange import Server
    from waykeeper.exchange.reading import plan_resources

    return plan_resources(Server(source), None)


def note(
    item: str,
    what: str,
    *,
    to: str,
    holds: Holds = "test",
    patient: str,
    by: str,
    on: str = "",
    text: str = "",
    days: int | None = None,
    decision: str = "",
    episode: int = 1,
) -> str:
    """Record what a person decided or did about an item. Returns the resource that was written."""
    from waykeeper.exchange import Server
    from waykeeper.exchange.noting import WHAT
    from waykeeper.exchange.noting import note as write_note

    inputs.choice(what, WHAT, "what is noted")
    _positive(episode, "--episode")
    if days is not None and days < 0:
        raise WaykeeperError(finding("WKC201", f"--days is {days}, it counts from 0"))
    if not by.strip():
        raise WaykeeperError(finding("WKC201", "--by is empty: a note needs the name of who decided or did it"))
    day = inputs.day_of(on, "--on") if on else None
    if day and what != "snoozed" and day > (datetime.now(UTC) + FARTHEST_EAST).date():
        raise WaykeeperError(finding("WKC201", f"--on is {on}, which has not come yet", help="Note what happened."))
    identifier = inputs.identifier_of(patient, "--patient")
    return write_note(
        Server(to, kind=holds),
        identifier,
        item,
        what,
        by=by,
        on=day,
        text=text,
        days=days,
        decision=decision,
        episode=episode,
    )


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
    _positive(episode, "--episode")
    if as_of:
        inputs.day_of(as_of, "--as-of")
    held = _of_server(from_, patient) if from_ else inputs.held_of([bundle])
    with inputs.blamed(bundle):
        plans = [(p, s) for p, s in read_all(held) if bundle or p.episode.number == episode]
        remedy = "Give the Bundle that compile wrote." if bundle else "Check --patient, and --episode."
        plan, state = _single(plans, bundle or from_, remedy)
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
        return inputs.choice(given, languages(), "--language")
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


def explain(what: str, *, bundle: str = "") -> Entry | tuple[Plan, Item]:
    """What a code means, or why an item of a bundle is what it is: phrase, anchor, arithmetic, overlay, source."""
    if not bundle:
        if what.upper() in catalogue():
            return catalogue()[what.upper()]
        help_text = did_you_mean(what.upper(), catalogue()) + " For an item add --in BUNDLE."
        raise WaykeeperError(finding("WKC202", f"no code {what!r}", help=help_text))
    with inputs.blamed(bundle):
        plan, _ = _single(read_all(inputs.held_of([bundle])), bundle, "Give the Bundle that compile wrote.")
    found = [i for i in plan.items if what in (str(i.key), i.key.item)]
    if not found:
        names = [str(i.key) for i in plan.items]
        details = f"no item {what!r} in this plan"
        raise WaykeeperError(finding("WKC202", details, Position(bundle), did_you_mean(what, names)))
    located = _located(plan, found[0])
    return replace(plan, items=tuple(located if i.key == located.key else i for i in plan.items)), located


def _located(plan: Plan, item: Item) -> Item:
    """The item with its place in the library's pathway, where the library holds that very version."""
    from waykeeper.pathway.library import load, names

    for name in names() if item.origin == Position() else ():
        pathway, _ = load(name)
        if pathway and f"{pathway.url}|{pathway.version}" == plan.pathway.canonical:
            found = [r for r in pathway.items if (r.kind, r.name) == (item.key.kind, item.key.item)]
            return replace(item, origin=found[0].origin) if found else item
    return item


def sandbox(*, port: int = 8080, load: str = "", db: str = "") -> None:
    """Serve the embedded FHIR server on the loopback address until interrupted."""
    from waykeeper.sandbox import serve

    if not 0 <= port <= LAST_PORT:
        raise WaykeeperError(finding("WKC201", f"--port is {port}, a port is a number from 0 to {LAST_PORT}"))
    if load and not Path(load).is_dir():
        found = "this is no folder" if Path(load).exists() else "there is no such folder"
        raise WaykeeperError(finding("WKC101", found, Position(load)))
    serve(port, load or None, db or None)
