"""A theatre list (operating-room schedule) as it is exported: CSV, or FHIR Appointments -> TheatreList."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, time
from functools import cache
from importlib.resources import files
from typing import Any, cast
from zoneinfo import ZoneInfo

import yaml

from waykeeper.exchange.files import ENDINGS as OF_FHIR
from waykeeper.exchange.files import ends_in, read_bytes, read_resources
from waykeeper.exchange.sources.table import SPOILT, called_off, comparable, spoilt
from waykeeper.fhir import evidence
from waykeeper.findings import Finding, Position, WaykeeperError, finding
from waykeeper.gaps import TheatreCase, TheatreList

NEEDED = ("day", "patient")
_SEVERAL = ("time", "anaesthesia")  # of these a list may have more columns than one: all of them speak
_AND = " / "
_MOST_SHOWN = 20
_OFF = frozenset({"cancelled", "noshow", "entered-in-error"})
_CLOCK = re.compile(r"(\d{1,2}):?[.]?(\d{2})(?:[:.]\d{2}(?:[.]\d+)?)?\s*([ap])?[.]?(?:m[.]?)?", re.IGNORECASE)
_OFFSET = re.compile(r"(Z|[+-]\d{2}(:?\d{2})?)$", re.IGNORECASE)


@cache
def headings() -> Mapping[str, str]:
    """Heading as it is compared -> column."""
    table = yaml.safe_load((files("waykeeper.exchange") / "theatre_columns.yaml").read_text("utf-8"))
    return {name: column for column, names in cast("dict[str, list[str]]", table).items() for name in names}


def read_theatre_list(
    path: str, systems: Sequence[str], zone: str, zones: Mapping[str, str] | None = None
) -> TheatreList:
    """The planned operations of a file, and the days that it covers: the first to the last day that it names.

    systems   identifier systems of the patients who have plans; a number without a system is looked for in each
    zone      the clinic's; times of FHIR Appointments are turned into its days
    zones     where plans are in several zones: that of each patient, by her names

    Raises WaykeeperError: WKX450 (not a theatre list), WKX451 (a row that cannot be read), WKC101 to WKC103. A row
    that cannot be read stops everything: a case left out would look like a cancelled operation.
    """
    told = _of_fhir(path, zone, zones) if ends_in(path, OF_FHIR) else _of_csv(path, systems, zone, zones or {})
    if not told:
        details = "the theatre list holds no operation"
        raise WaykeeperError(finding("WKX450", details, Position(path), "Export it for the days ahead."))
    days = [case.day for case, _ in told]
    return TheatreList(tuple(case for case, stands in told if stands), min(days), max(days))


def _of_csv(path: str, systems: Sequence[str], zone: str, zones: Mapping[str, str]) -> list[tuple[TheatreCase, bool]]:
    """Each operation, and whether it stands: one that is listed as cancelled does not."""
    rows = _rows(path)
    header = rows[0][1] if rows else []
    columns = _columns(path, header)
    cases: list[tuple[TheatreCase, bool]] = []
    wrong: list[Finding] = []
    for line, cells in rows[1:]:
        if len(cells) != len(header):
            wrong.append(_unreadable(path, line, f"{len(cells)} cells under {len(header)} headings"))
            continue
        said = {name: _AND.join(filter(None, (cells[at].strip() for at in places))) for name, places in columns.items()}
        made = _case(path, line, said, systems, zone, zones)
        if isinstance(made, Finding):
            wrong.append(made)
        else:
            cases.append((made, not called_off(said.get("status", ""))))
    if wrong:
        raise WaykeeperError(wrong[:_MOST_SHOWN])
    return cases


def _rows(path: str) -> list[tuple[int, list[str]]]:
    """Rows with their line number, blank ones left out. Comma, semicolon or tab, whichever the first line has most."""
    try:
        text = read_bytes(path).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise WaykeeperError(finding("WKX450", "not UTF-8", Position(path), "Save the file as UTF-8.")) from None
    first = text.partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    found = []
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                found.append((reader.line_num, cells))
    except csv.Error as error:
        raise WaykeeperError(finding("WKX450", f"not CSV: {error}", Position(path, reader.line_num))) from None
    return found


def _columns(path: str, header: Sequence[str]) -> dict[str, list[int]]:
    """Column -> where it stands. Raises WKX450 where one is lacking, or is there twice and cannot be."""
    found: dict[str, list[int]] = {}
    for at, text in enumerate(header):
        column = headings().get(comparable(text))
        if column in found and column not in _SEVERAL:
            details = f"two columns are the {column}: {header[found[column][0]]!r} and {text!r}"
            raise WaykeeperError(finding("WKX450", details, Position(path, 1), "Keep one of the two."))
        if column:
            found.setdefault(column, []).append(at)
    lacking = [name for name in NEEDED if name not in found]
    if lacking:
        details = f"no column for {' and '.join(lacking)}"
        known = {c: [n for n, column in headings().items() if column == c] for c in lacking}
        remedy = "; ".join(f"{c}: write {', '.join(names)}" for c, names in known.items())
        raise WaykeeperError(finding("WKX450", details, Position(path, 1), f"{remedy}."))
    return found


def _unreadable(path: str, line: int, details: str, remedy: str = "") -> Finding:
    return finding("WKX451", details, Position(path, line), remedy)


def _case(
    path: str, line: int, said: Mapping[str, str], systems: Sequence[str], zone: str, zones: Mapping[str, str]
) -> TheatreCase | Finding:
    if not said["patient"]:
        return _unreadable(path, line, "the patient is blank")
    if spoilt(said["patient"]):
        return _unreadable(path, line, SPOILT)
    bar = "|" in said["patient"]
    who = (said["patient"],) if bar or not systems else tuple(f"{system}|{said['patient']}" for system in systems)
    try:
        day, start = _when(said["day"], next((zones[name] for name in who if name in zones), zone))
    except ValueError:
        remedy = "Write days as 2026-03-18: 03/04 is another day in another country."
        return _unreadable(path, line, f"{said['day']!r} is no day" if said["day"] else "the day is blank", remedy)
    name = said.get("case") or f"theatre list line {line}"
    return TheatreCase(
        name, who, day, said.get("name", ""), said.get("procedure", ""), said.get("surgeon", ""),
        said.get("side", ""), f"{path}:{line}", _earliest(said.get("time", "")) or start, said.get("anaesthesia", ""),
    )  # fmt: skip


def _when(text: str, zone: str) -> tuple[date, time | None]:
    """The day of a cell and the time behind it, by the clinic's clock where it has an offset. Raises ValueError."""
    if _OFFSET.search(text[10:]):
        local = datetime.fromisoformat(text).astimezone(ZoneInfo(zone))
        return local.date(), _told(local.time())
    if text[10:11] not in ("", "T", " "):
        raise ValueError("something follows the day")
    return date.fromisoformat(text[:10]), clock(text[11:])


def _earliest(text: str) -> time | None:
    """Of several times the first of the day: with it the patient is ready for each."""
    return min((at for part in text.split(_AND) if (at := clock(part))), default=None)


def clock(text: str) -> time | None:
    """A time of day as lists write it (07:30, 7.30, 0730, 1:00 PM); None where it is none.

    1:00 to 5:59 in one digit, without AM or PM, is the afternoon: no list begins before six (common practice, no
    source).
    """
    found = _CLOCK.fullmatch(text.strip())
    if not found:
        return None
    hour, minute, half = int(found[1]), int(found[2]), (found[3] or "").lower()
    if half:
        hour = hour % 12 + (12 if half == "p" else 0) if 1 <= hour <= 12 else 24
    elif len(found[1]) == 1 and 1 <= hour < 6:
        hour += 12
    return _told(time(hour, minute)) if hour < 24 and minute < 60 else None


def _told(at: time) -> time | None:
    """None in the hour after midnight, with which a day without a time is written (and 0.25 of a day)."""
    return at if at.hour else None


def _of_fhir(path: str, zone: str, zones: Mapping[str, str] | None) -> list[tuple[TheatreCase, bool]]:
    """Each Appointment that stands is an operation; one without a day or a patient cannot be compared."""
    held = read_resources(path)
    by_reference = dict(held)
    cases, wrong = [], []
    for said in evidence(held, zone, zones=zones):
        if said.kind != "appointment" or said.status in _OFF:
            continue
        if said.day is None or not said.patient:
            lacks = "day" if said.day is None else "patient"
            wrong.append(finding("WKX451", f"{said.reference} has no {lacks}", Position(path)))
            continue
        resource = by_reference.get(said.reference, {})
        cases.append((TheatreCase(
            said.reference, said.patient, said.day, _display(resource, "Patient"), str(resource.get("description", "")),
            _display(resource, "Practitioner"), origin=path, start=_told(said.start.time()) if said.start else None,
        ), True))  # fmt: skip
    if wrong:
        raise WaykeeperError(wrong[:_MOST_SHOWN])
    return cases


def _display(resource: Mapping[str, Any], kind: str) -> str:
    """The name of the first participant of a kind."""
    actors: Iterable[Mapping[str, Any]] = (p.get("actor") or {} for p in resource.get("participant") or [])
    return next((str(a["display"]) for a in actors if kind in str(a.get("reference", "")) and a.get("display")), "")


def shared(found: TheatreList, known: Iterable[str], path: str) -> tuple[Finding, ...]:
    """Findings WKX452: numbers without a system that fit patients of several systems."""
    plans = set(known)
    return tuple(
        finding("WKX452", f"{case.reference} fits {len(mine)} patients", Position(path))
        for case in found.cases
        if len(mine := plans & set(case.patient)) > 1
    )


__all__ = ["clock", "headings", "read_theatre_list", "shared"]
