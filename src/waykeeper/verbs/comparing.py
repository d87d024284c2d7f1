"""Plans and what really happened -> the worklist."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from collections.abc import Mapping as Resource
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypedDict, Unpack

from waykeeper.counting import counted
from waykeeper.exchange.files import Held, read_json
from waykeeper.fhir import read_all
from waykeeper.findings import Finding, Position, WaykeeperError, did_you_mean, finding
from waykeeper.plan.model import Evidence, Plan, State
from waykeeper.record import Page, missing
from waykeeper.verbs import bookings, inputs, words
from waykeeper.verbs.words import PathText, as_text

if TYPE_CHECKING:
    from waykeeper.gaps import Change, Filters, TheatreList, Worklist

Pair = tuple[str, Resource[str, Any]]
LARGE = 64 * 1024 * 1024  # bytes of a folder of NDJSON from which it is split by patient; less is quicker whole
A_FEW = 5  # of one kind of doubtful booking; the rest is counted


@dataclass(frozen=True, slots=True)
class GapReport:
    """The worklist with the plans it rests on and where they came from.

    plans      each with what is recorded; of a large export one of each pathway, and no evidence
    worklist   as asked for: narrowed by the filters, where there are any
    whole      the whole report; what `since` of tomorrow compares with
    changes    what became of each gap since the earlier report, None where none was given
    findings   what was noticed on the way: a booking that could not be read, a filter that fits no row, and (but not
               of a large export) an Encounter of another patient's Appointment, a status that nobody knows
    """

    worklist: Worklist
    plans: tuple[tuple[Plan, State], ...]
    evidence: tuple[Evidence, ...]
    sources: tuple[str, ...]
    whole: Worklist
    changes: tuple[Change, ...] | None = None
    since: date | None = None
    findings: tuple[Finding, ...] = ()


class Asked(TypedDict, total=False):
    """What may be asked of `gaps`, for those who hand it on; `since` apart, which is of the report alone."""

    as_of: str | date | None
    theatre_list: PathText
    surgeon: str
    procedure: str
    phase: str
    owner: str
    week: str | date | None
    mapping: PathText


def gaps(
    *sources: PathText,
    as_of: str | date | None = None,
    theatre_list: PathText = "",
    since: PathText = "",
    surgeon: str = "",
    procedure: str = "",
    phase: str = "",
    owner: str = "",
    week: str | date | None = None,
    mapping: PathText = "",
) -> GapReport:
    """Lay what was planned beside what really happened.

    sources        servers, files or folders; plans, appointments and encounters may come from different ones
    as_of          the day to look at, or a moment (an aware datetime), which each plan's zone turns into its day; now
    theatre_list   CSV or FHIR Appointments: the planned operations, laid beside the plans
    since          the JSON of an earlier whole report; what changed since then is in `changes`
    mapping        what the words of a scheduler mean, for sources that are CSV, iCalendar or HL7 v2 (.csv .ics .hl7);
                   its part `cases` is how the theatre list is written

    The others narrow the report: they hide rows and change none. `procedure` is the name of a pathway, `phase` that of
    one of its phases (`none` for rows without one), `surgeon` who operates by the theatre list and `owner` who owns
    the row (`nobody` for rows without one), `week` any day of a week.

    Raises WaykeeperError: no plan there, a source that cannot be read, a word that no row can have. What was left out,
    or is doubtful, is in `findings`.
    """
    given: Asked = {
        "as_of": as_of, "theatre_list": theatre_list, "surgeon": surgeon, "procedure": procedure, "phase": phase,
        "owner": owner, "week": week, "mapping": mapping,
    }  # fmt: skip
    places = tuple(map(as_text, sources))
    large = [] if theatre_list or mapping else _bulk(places)
    return _report(places, large, as_text(since), **given)


def with_plans(*sources: PathText, **asked: Unpack[Asked]) -> GapReport:
    """`gaps` with every plan that the report rests on: a large export too is then held in memory whole."""
    return _report(tuple(map(as_text, sources)), [], "", **asked)


def _report(sources: tuple[str, ...], large: list[Path], since: str, **asked: Unpack[Asked]) -> GapReport:
    from waykeeper.gaps import worklist

    wanted = _filters(asked)
    as_of = asked.get("as_of")
    given = as_of if isinstance(as_of, date) else inputs.day_of(as_of, "--as-of") if as_of else None
    earlier = _earlier(since) if since else None
    if large:
        whole, titles, copies = _large(large, given, sources)
        return _told(whole, titles, (), sources, wanted, (since, earlier), copies)
    mapping, theatre_list = as_text(asked.get("mapping", "")), as_text(asked.get("theatre_list", ""))
    plans, found, noticed = read_sources(sources, mapping)
    zone = plans[0][0].zone
    theatre, unlike = _theatre(theatre_list, plans, zone, mapping) if theatre_list else (None, ())
    moment = given or datetime.now(UTC)  # now is in each plan's zone its own day
    whole = worklist(plans, found, moment, theatre=theatre)
    return _told(whole, plans, found, sources, wanted, (since, earlier), (*noticed, *unlike, *_doubtful(found, plans)))


def _doubtful(found: Sequence[Evidence], plans: Sequence[tuple[Plan, State]]) -> Iterator[Finding]:
    """What is wrong with appointments and encounters themselves (WKG101 to WKG106), of each kind the first few.

    Of what has a place in a scheduler's file its reader has told that, but for whose order it is.
    """
    from waykeeper.gaps import check, of_others

    by_code: dict[str, list[Finding]] = {}
    for one in (*check(found), *of_others(found, plans)):
        if not one.position.file or one.code == "WKG106":
            by_code.setdefault(one.code, []).append(one)
    for _, same in sorted(by_code.items()):
        shown = same[:A_FEW]
        if more := len(same) - len(shown):
            shown[-1] = replace(
                shown[-1], details=f"{shown[-1].details}, and so {'is' if more == 1 else 'are'} {more} more"
            )
        yield from shown


def _filters(asked: Asked) -> Filters:
    from waykeeper.gaps import Filters

    surgeon, procedure = asked.get("surgeon", ""), asked.get("procedure", "")
    phase, owner = asked.get("phase", ""), asked.get("owner", "")
    week = inputs.day_of(given, "--week") if (given := asked.get("week")) else None
    return Filters(surgeon.strip(), procedure.strip(), phase.strip(), owner.strip(), week)


def _told(
    whole: Worklist,
    plans: Sequence[tuple[Plan, State]],
    found: Sequence[Evidence],
    sources: Sequence[str],
    asked: Filters,
    before: tuple[str, Worklist | None],
    noticed: Sequence[Finding],
) -> GapReport:
    """The report as it was asked for: narrowed, and with what changed since an earlier one."""
    from waykeeper.gaps import narrow

    whole = replace(
        whole,
        lacking=tuple(_in_words(f) for f in noticed if _takes_away(f)),
        unlike=tuple(_in_words(f) for f in noticed if f.code == "WKX453"),
    )
    _known_names(asked, [plan for plan, _ in plans])
    shown = narrow(whole, asked)
    path, earlier = before
    changes = _changes(path, earlier, whole, asked) if earlier else None
    return GapReport(
        shown, tuple(plans), tuple(found), tuple(sources), whole, changes, earlier.as_of if earlier else None,
        (*noticed, *_unmet(asked, whole)),
    )  # fmt: skip


def _takes_away(noticed: Finding) -> bool:
    """True for what makes the list not whole: something could not be read, or is a page of several."""
    return noticed.severity == "error" or noticed.code == "WKX421"


def _in_words(noticed: Finding) -> str:
    place = str(noticed.position)
    return f"{place}: {noticed.details}" if place else noticed.details


def _bulk(sources: Sequence[str]) -> list[Path]:
    """The files of the one source, where it is a large folder of NDJSON: too large to be held whole."""
    from waykeeper.exchange.partition import bulk_files

    files = bulk_files(sources[0]) if len(sources) == 1 else []
    return files if sum(file.stat().st_size for file in files) >= LARGE else []


def _large(
    files: list[Path], day: date | None, sources: Sequence[str]
) -> tuple[Worklist, tuple[tuple[Plan, State], ...], tuple[Finding, ...]]:
    from waykeeper.exchange.matches import not_exported
    from waykeeper.verbs.caseload import caseload

    made = caseload(files, day)
    lost = _rootless(made.rootless, sources)
    if not made.count:
        raise _no_plan(sources, lost)
    held_back = _held_back([*made.held_back, *not_exported(sources[0])], Position(sources[0]))
    noticed = (*_copies(made.copies, sources), *held_back, *lost, *_left_out(made.left_out, sources))
    return made.worklist, made.plans, noticed


def read_sources(
    sources: Sequence[str], mapping: str = ""
) -> tuple[list[tuple[Plan, State]], list[Evidence], tuple[Finding, ...]]:
    """Plans, evidence and what was noticed of servers, files and folders. Raises WaykeeperError WKC210: no plan."""
    booked, other = bookings.split(sources)
    scheduler = bookings.scheduler_of(booked, mapping)
    from waykeeper.exchange.one_plan import one_of_each
    from waykeeper.exchange.reading import newest

    pages: list[Page] = []
    unread: list[Finding] = []
    with inputs.blamed(*other):
        held, several = one_of_each(newest(pair for source in other for pair in _source(source, pages, unread)))
        read = _read(held, unread, other)
    where = Position(", ".join(other))
    noticed = (
        *(finding("WKX421", said, where) for said in missing(pages)),
        *_copies(len(several), other),
        *(replace(one, position=where) for one in dict.fromkeys(unread)),
        *read.lost,
    )
    if not read.plans:
        raise _no_plan(sources, [one for one in noticed if _takes_away(one)])
    with inputs.blamed(*other):
        found = bookings.beside(read.evidence, read.plans, booked, scheduler, read.plans[0][0].zone)
    return found.plans, list(found.evidence), (*noticed, *found.findings)


class _Read(NamedTuple):
    """What the resources of all sources say; `lost`: what is not in it."""

    plans: list[tuple[Plan, State]]
    evidence: list[Evidence]
    lost: tuple[Finding, ...]


def _read(held: Sequence[Pair], unread: list[Finding], sources: Sequence[str]) -> _Read:
    """Where a resource of a server keeps the others from being read, it is left out, and stands in `unread`."""
    from waykeeper.exchange.unreadable import FAILURES, unreadable

    try:
        return _read_all(held, sources)
    except FAILURES:
        wrong = unreadable(held) if any(map(words.is_url, sources)) else {}
        if not wrong:
            raise
    unread += [replace(one, details=f"{one.details}; it is left out") for one in wrong.values()]
    return _read_all([pair for pair in held if pair[0] not in wrong], sources)


def _read_all(held: Sequence[Pair], sources: Sequence[str]) -> _Read:
    from waykeeper.fhir import evidence_of, rootless, types_of

    left_out = types_of(held).left_out
    plans = read_all(held, left_out)
    lost = (*_rootless(rootless(held, plans), sources), *_left_out(left_out, sources))
    return _Read(plans, evidence_of(held, plans) if plans else [], lost)


def _no_plan(sources: Sequence[str], lost: Sequence[Finding]) -> WaykeeperError:
    remedy = "Compile one and push it first, or name where the plans are."
    return WaykeeperError(lost or finding("WKC210", "no plan of Waykeeper", Position(", ".join(sources)), remedy))


def _rootless(found: Sequence[tuple[str, str]], sources: Sequence[str]) -> tuple[Finding, ...]:
    where = Position(", ".join(sources))
    said = "the plan of {} is not in the list: {} is not there, or lost what Waykeeper wrote on it"
    return tuple(finding("WKX216", said.format(patient, root or "its CarePlan"), where) for patient, root in found)


def _left_out(kinds: Collection[str], sources: Sequence[str]) -> tuple[Finding, ...]:
    from waykeeper.fhir import MEDICATION

    where, parts = Position(", ".join(sources)), sorted({*kinds} - {MEDICATION})
    none = " and ".join(f"no {kind}" for kind in parts)
    said = [f"{none} was read, though plans name some: what they stand for is not in the list"] if parts else []
    if MEDICATION in kinds:
        said.append("no Medication was read, though orders point at some: these orders are not compared with the plans")
    return tuple(finding("WKC224", one, where) for one in said)


def _held_back(said: Sequence[str], where: Position | None = None) -> list[Finding]:
    return [finding("WKC225", one, where or Position()) for one in said]


def _copies(count: int, sources: Sequence[str]) -> tuple[Finding, ...]:
    said = f"{counted(count, 'plan')} {'was' if count == 1 else 'were'} read more than once"
    where = Position(", ".join(sources))
    return (finding("WKC223", f"{said}: the copy written last counts", where),) if count else ()


def _source(source: str, pages: list[Page], lacking: list[Finding]) -> list[Held]:
    from waykeeper.exchange.matches import not_exported, not_given_of

    if not words.is_url(source):
        held = inputs.held_of([source], pages)
        lacking += _held_back([*not_given_of(resource for _, resource in held), *not_exported(source)])
        return held
    from waykeeper.exchange import Server
    from waykeeper.exchange.reading import cautions_of_patients, kidney_values, medications_of_orders, plan_resources

    server = Server(source)
    held = plan_resources(server, None, lacking=lacking)
    readers = (medications_of_orders, cautions_of_patients, kidney_values)
    return [*held, *(one for read in readers for one in read(server, held, lacking))]


def _theatre(
    path: str, plans: Sequence[tuple[Plan, State]], zone: str, mapping: str
) -> tuple[TheatreList, tuple[Finding, ...]]:
    """The theatre list, and what of it cannot be laid beside the plans."""
    from waykeeper.exchange.theatre import not_compared, read_theatre_list, shared
    from waykeeper.fhir import zones_of

    scheduler = bookings.scheduler_of((), mapping)
    if scheduler is not None and scheduler.cases is not None:
        found = bookings.theatre_of(path, scheduler, zone, zones_of(plans))
    else:
        who = [plan.patient.identifier for plan, _ in plans]
        found = read_theatre_list(path, sorted({one.system for one in who}), zone, zones_of(plans))
        wrong = shared(found, [str(one) for one in who], path)
        if wrong:
            raise WaykeeperError(wrong)
    known = {
        name
        for plan, _ in plans
        for name in (str(plan.patient.identifier), plan.patient.reference, *plan.patient.merged)
    }
    return found, not_compared(found, known - {""}, path)


def _earlier(path: str) -> Worklist:
    """An earlier report. Raises WaykeeperError WKC101, WKC102, WKC220."""
    from waykeeper.gaps import Worklist, rows_from_json

    try:
        day, rows = rows_from_json(read_json(path))
    except ValueError as error:
        remedy = "Give the file that an earlier gaps wrote with --json."
        raise WaykeeperError(finding("WKC220", str(error), Position(path), remedy)) from None
    return Worklist(day, rows)


def _changes(path: str, earlier: Worklist, whole: Worklist, asked: Filters) -> tuple[Change, ...]:
    """What became of each row that is or was asked for. Compared is the whole: a row that has another owner, another
    week or, since a theatre list was read, a surgeon by now is neither new nor gone."""
    from waykeeper.gaps import changes_since
    from waykeeper.gaps.filters import fits

    if earlier.as_of > whole.as_of:
        details = f"the earlier report is as of {earlier.as_of}, which is after {whole.as_of}"
        raise WaykeeperError(finding("WKC220", details, Position(path), "Give an older report, or a later --as-of."))
    found = changes_since(earlier.rows, whole.rows)
    return tuple(c for c in found if any(fits(row, asked) for row in (c.before, c.after) if row is not None))


def _known_names(asked: Filters, plans: Sequence[Plan]) -> None:
    """WKC202 for a procedure or phase that no plan has: an empty list would look like good news."""
    from waykeeper.gaps.filters import NO_PHASE

    known = {
        "procedure": {plan.pathway.name for plan in plans},
        "phase": {NO_PHASE} | {phase.name for plan in plans for phase in plan.phases},
    }
    for name, names in known.items():
        wanted = getattr(asked, name)
        if wanted and wanted not in names:
            details = f"--{name} is {wanted!r}, which no plan here has"
            raise WaykeeperError(finding("WKC202", details, help=did_you_mean(wanted, names)))


def _unmet(asked: Filters, whole: Worklist) -> tuple[Finding, ...]:
    """A warning for a surgeon or owner whom no row names."""
    from waykeeper.gaps.filters import NOBODY

    found = []
    for name in ("surgeon", "owner"):
        wanted = getattr(asked, name)
        names = {getattr(row, name) or NOBODY for row in whole.rows} if wanted else set()
        if wanted and wanted.casefold() not in {NOBODY, *(n.casefold() for n in names)}:
            unread = name == "surgeon" and names == {NOBODY}
            remedy = "Surgeons are read from --theatre-list." if unread else did_you_mean(wanted, names)
            found.append(finding("WKC221", f"--{name} is {wanted!r}, whom no row names", help=remedy))
    return tuple(found)
