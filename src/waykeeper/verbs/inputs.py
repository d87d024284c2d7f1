"""Names and texts given to a verb -> values: pathways, clinics, records, moments, identifiers, sources."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from waykeeper.exchange.files import Held, exported_outcomes, read_bytes, read_resources
from waykeeper.findings import Finding, Position, WaykeeperError, did_you_mean, finding
from waykeeper.medicines import policy_table, read_synonyms, rule_names
from waykeeper.pathway import read_clinic
from waykeeper.pathway.library import clinic_names, load, names, overlay_names, read
from waykeeper.pathway.model import Clinic, Pathway
from waykeeper.pathway.overlay import read_overlay
from waykeeper.plan.model import Identifier, Plan, State
from waykeeper.record import Page, identifier_names, identifiers, missing
from waykeeper.timing import Moment, read_wall
from waykeeper.timing.model import WorkingCalendar
from waykeeper.verbs.parts import parts_beside

Source = tuple[str, bytes]
MOMENT = re.compile(r"^\d{4}-\d{2}-\d{2}(T\d{2}:\d{2}(:\d{2})?(Z|[+-]\d{2}:\d{2})?)?$")
SIDES = ("left", "right")
ANAESTHESIA = ("general", "spinal", "deep-block", "superficial-block", "unknown")


def clinic_of(wanted: str) -> Clinic:
    """A clinic of the library by name, or a clinic file. Raises WaykeeperError with every finding in it."""
    label, data = _library_or_file(wanted, "", clinic_names(), "clinic")
    clinic, found = read_clinic(label, data, policy_names(), words=read_synonyms)
    if clinic is None:
        raise WaykeeperError([f for f in found if f.severity == "error"] or found)
    return clinic


def policy_names() -> tuple[str, ...]:
    """The medicine policies that exist, as `name: value`."""
    named = [f"{name}: {value}" for name, policy in policy_table().items() for value in policy["values"]]
    return (*named, *(f"blood_thinners: BLANKET_{days}D" for days in range(1, 100)))


def pathway_of(
    wanted: str, clinic: Clinic | None, beside: str = "", also: Sequence[str] = ()
) -> tuple[Pathway, tuple[Finding, ...]]:
    """A pathway of the library or a file, with the clinic's overlays applied, and what `check` says below error.

    `also` are overlays beside the clinic's own; without a clinic they alone are in force. Overlays are looked for
    beside the clinic's file (`overlays/NAME.yaml`), parts beside the pathway's file (`parts/NAME.yaml`), then in the
    library.
    """
    pathway, found = in_clinic(_library_or_file(wanted, "", names(), "pathway"), wanted, clinic, beside, also)
    if pathway is None:
        raise WaykeeperError([f for f in found if f.severity == "error"] or found)
    return pathway, found


def in_clinic(
    source: Source, wanted: str, clinic: Clinic | None, beside: str, also: Sequence[str] = ()
) -> tuple[Pathway | None, tuple[Finding, ...]]:
    """What `pathway_of` reads, with every finding; None where one of them is an error."""
    in_force = dict.fromkeys((*(clinic.overlays if clinic else ()), *also))
    overlays = [overlay_source(name, beside) for name in in_force]
    parts = parts_beside("" if wanted in names() else wanted)
    return load(source, overlays, rule_names(), policy_names(), clinic, parts)


def policies_of(clinic: Clinic, beside: str = "") -> dict[str, str]:
    """The medicine policies in force: the clinic's own, and over them those of its overlays, in their order.

    Raises WaykeeperError with the findings of an overlay that cannot be read.
    """
    in_force = dict(clinic.policies)
    for name in clinic.overlays:
        overlay, _, found = read_overlay(*overlay_source(name, beside), policy_names())
        if any(f.severity == "error" for f in found):
            raise WaykeeperError(list(found))
        in_force |= overlay.policies if overlay else {}
    return in_force


def overlay_source(name: str, beside: str) -> Source:
    """The file of an overlay that a clinic names. Raises WaykeeperError WKC202 where there is none."""
    if beside and beside not in clinic_names():
        own = Path(beside).parent / "overlays" / f"{name}.yaml"
        if own.is_file():
            return str(own), read_bytes(str(own))
    if name in overlay_names() or not beside or beside in clinic_names():
        return _library_or_file(name, "overlays/", overlay_names(), "overlay")
    own_names = (file.stem for file in (Path(beside).parent / "overlays").glob("*.yaml"))
    hint = did_you_mean(name, {*own_names, *overlay_names()})
    details = f"no overlay {name!r} in the library, nor in overlays/ beside this clinic"
    raise WaykeeperError(finding("WKC202", details, _mention(beside, name), hint))


def _mention(file: str, word: str) -> Position:
    """Where a file first names something, as a word of its own."""
    for number, line in enumerate(read_bytes(file).decode("utf-8", "replace").splitlines(), 1):
        if found := re.search(rf"(?<![\w-]){re.escape(word)}(?![\w-])", line):
            return Position(file, number, found.start() + 1)
    return Position(file)


def _library_or_file(wanted: str, place: str, known: Sequence[str], sort: str) -> Source:
    if wanted in known:
        return read(place + wanted)
    if "/" in wanted or wanted.endswith((".yaml", ".yml")) or wanted == "-":
        return wanted, read_bytes(wanted)
    hint = did_you_mean(wanted, known)
    raise WaykeeperError(finding("WKC202", f"no {sort} {wanted!r} in the library, and it is no .yaml file", help=hint))


HOW_TO_WRITE = "Write 2026-03-18 or 2026-03-18T07:30, in the clinic's own time, without an offset."


def parsed(text: str, option: str) -> datetime:
    """A day or a day and time as it is written, its offset kept. Raises WaykeeperError WKC201."""
    wrong = f"{option} is {text!r}, which is no date or date and time"
    if not MOMENT.match(text):
        raise WaykeeperError(finding("WKC201", wrong, help=HOW_TO_WRITE))
    try:
        return datetime.fromisoformat(text)
    except ValueError as error:
        raise WaykeeperError(finding("WKC201", f"{wrong}: {error}", help=HOW_TO_WRITE)) from None


def moment_of(text: str, zone: str, option: str) -> Moment:
    """`2026-03-18` or `2026-03-18T07:30` in the clinic's zone; an offset only where it is the clinic's own just then.

    Raises WaykeeperError WKC201: a day or time that does not exist, a time that the clocks skip, the offset of another
    place: nobody means another day of surgery than the one that is written.
    """
    said = parsed(text, option)
    if "T" not in text:
        return Moment(said.date())
    if said.tzinfo:
        return _in_zone(said, text, zone, option)
    reading = read_wall(said.date(), said.time(), zone, "scheduled")
    if reading.finding:
        raise WaykeeperError(finding("WKC201", f"{option}: {reading.finding.details}", help=HOW_TO_WRITE))
    return reading.moment


def _in_zone(said: datetime, text: str, zone: str, option: str) -> Moment:
    local = said.astimezone(ZoneInfo(zone))
    if local.utcoffset() != said.utcoffset():
        details = f"{option} is {text!r}, which is {local:%a %Y-%m-%d %H:%M} in the clinic's zone {zone}"
        raise WaykeeperError(finding("WKC201", details, help=HOW_TO_WRITE))
    return Moment(local.date(), local.time().replace(tzinfo=None, fold=0), zone, local.fold)


def covered(moment: Moment, calendar: WorkingCalendar, option: str) -> None:
    """Raises WaykeeperError WKT204 where the clinic's working calendar does not reach: its holidays are unknown."""
    if calendar.years and moment.day.year not in calendar.years:
        first, last = calendar.years[0], calendar.years[-1]
        details = f"{option} is in {moment.day.year}, outside the clinic's working calendar ({first} to {last})"
        raise WaykeeperError(finding("WKT204", details))


def owned(patient: Mapping[str, Any], identifier: Identifier, place: str, remedy: str = "") -> None:
    """Raises WaykeeperError WKC209 where a Patient does not have the identifier that was asked for.

    One that is not used any more (`old`) is hers as well: the plan that was made under it is found by no other.
    """
    if str(identifier) not in identifier_names(patient):
        systems = ", ".join(sorted({system for system, _ in identifiers(patient)})) or "none"
        details = f"the Patient does not have this identifier; it has identifiers of: {systems}"
        raise WaykeeperError(finding("WKC209", details, Position(place), remedy))


@contextmanager
def blamed(*paths: str) -> Iterator[None]:
    """Where malformed FHIR keeps us from reading files, say what is malformed instead of failing.

    Raises WaykeeperError with what the validator says of the files; any other failure passes through.
    """
    try:
        yield
    except (AttributeError, IndexError, KeyError, TypeError, ValueError):
        from waykeeper.verbs.validating import validate_files

        files = [path for path in paths if path and path != "-" and Path(path).exists()]
        wrong = [f for f in validate_files(*files).findings if f.severity == "error"]
        if not wrong:
            raise
        raise WaykeeperError(wrong) from None


def in_order(surgery: Moment, discharge: Moment) -> None:
    """Raises WaykeeperError WKC206 where discharge lies before surgery. Both may be on one day."""
    known = surgery.clock is not None and discharge.clock is not None
    if discharge.day < surgery.day or (known and discharge.utc() < surgery.utc()):
        raise WaykeeperError(finding("WKC206", f"--discharge {discharge} lies before --surgery {surgery}"))


def anchors_of(clinic: Clinic, surgery: str, discharge: str) -> dict[str, Moment]:
    """The anchors that options give, in order and inside the clinic's calendar. Raises WaykeeperError."""
    given = {"surgery": moment_of(surgery, clinic.zone, "--surgery")}
    if discharge:
        given["discharge"] = moment_of(discharge, clinic.zone, "--discharge")
        in_order(given["surgery"], given["discharge"])
    for name, moment in given.items():
        covered(moment, clinic.calendar, f"--{name}")
    return given


def day_of(given: str | date, option: str) -> date:
    """A day: YYYY-MM-DD, a date, or the day of a datetime without offset. Raises WaykeeperError WKC201.

    A datetime with an offset is refused: it is another day in another zone.
    """
    if isinstance(given, date):
        if not isinstance(given, datetime):
            return given
        if given.tzinfo is None:
            return given.date()
    try:
        if len(text := str(given)) != len("2026-03-18"):
            raise ValueError
        return date.fromisoformat(text)
    except ValueError:
        help_text = "Write a day as 2026-03-18."
        raise WaykeeperError(finding("WKC201", f"{option} is {text!r}, which is no day", help=help_text)) from None


def as_of_date(given: str | date | None, zone: str) -> date:
    """The day that a report looks at: as given (of a moment: the clinic's day), else today in the clinic's zone."""
    if isinstance(given, datetime) and given.tzinfo:
        return given.astimezone(ZoneInfo(zone)).date()
    return day_of(given, "--as-of") if given else datetime.now(ZoneInfo(zone)).date()


def identifier_of(text: str, option: str) -> Identifier:
    """`system|value`; a number may hold bars, an address holds none (RFC 3986). Raises WaykeeperError WKC201."""
    system, bar, value = text.partition("|")
    if not bar or not value.strip() or not system.strip():  # the text is not repeated: it may name a patient
        lacks = "has no bar" if not bar else "has no system before the bar" if value.strip() else "has no value"
        help_text = "Write the system and the value with a bar between, in quotes: 'https://clinic.example/mrn|A1'."
        if not bar and option == "--patient":
            help_text += " Where waykeeper.toml names the clinic, the number alone is one of its own."
        raise WaykeeperError(finding("WKC201", f"{option} {lacks}, it is SYSTEM|VALUE", help=help_text))
    return Identifier(system.strip(), value.strip())


def with_system(number: str, system: str) -> str:
    """A patient's number as SYSTEM|VALUE; as it is where it names its system, or where none is known."""
    return f"{system}|{number}" if number and system and "|" not in number else number


def invented(name: str) -> str:
    """The record of an invented patient of the library, by its name; anything else is a path and stays as it is."""
    from waykeeper.pathway.shelf import folder

    if not name.replace("-", "").isalnum() or Path(name).exists():
        return name
    record = folder("sandbox_bundles") / name / "record.bundle.json"
    return str(record) if record.is_file() else name


def held_of(paths: Sequence[str], pages: list[Page] | None = None) -> list[Held]:
    """The resources of files and folders, in the order given; `pages` as for `read_resources`."""
    return [pair for path in paths for pair in read_resources(path, pages)]


def record_in(path: str) -> list[Held]:
    """The resources of a record, and what the server of an export said of it. Raises WaykeeperError WKR105.

    WKR105: pages of a search are missing.
    """
    pages: list[Page] = []
    held = held_of([path], pages)
    lacking = [finding("WKR105", said, Position(path)) for said in missing(pages)]
    if lacking:
        raise WaykeeperError(lacking)
    return [*held, *exported_outcomes(path)]


def single(plans: list[tuple[Plan, State]], place: str, remedy: str) -> tuple[Plan, State]:
    """The one plan that a file or server holds. Raises WaykeeperError WKC210."""
    if len(plans) != 1:
        found = f"{len(plans)} plans of Waykeeper, one is needed" if plans else "no plan of Waykeeper"
        raise WaykeeperError(finding("WKC210", found, Position(place), remedy))
    return plans[0]
