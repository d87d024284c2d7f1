"""A theatre list (operating-room schedule) as it is exported: CSV, or FHIR Appointments -> TheatreList."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence, Set
from datetime import date, datetime, time
from functools import cache
from importlib.resources import files
from typing import Any, cast
from zoneinfo import ZoneInfo

import yaml

from waykeeper.exchange.files import ENDINGS as OF_FHIR
from waykeeper.exchange.files import ends_in, read_bytes, read_resources
from waykeeper.exchange.sources.table import SPOILT, called_off, comparable, crossed_out, not_set, spoilt
from waykeeper.fhir import evidence
from waykeeper.findings import Finding, Position, WaykeeperError, finding
from waykeeper.gaps import TheatreCase, TheatreList, UndatedCase
from waykeeper.gaps.theatre_words import needle, part_of_day, sides

NEEDED = ("day", "patient")
_SEVERAL = ("time", "anaesthesia")  # of these a list may have more columns than one: all of them speak
_AND = " / "
_MOST_SHOWN = 20
_OFF = frozenset({"cancelled", "noshow", "entered-in-error"})
_CLOCK = re.compile(
    r"(?:at|@|~|approx[.]?|ca?[.]?)?\s*(?:(\d{1,2}):?[.h]?(\d{2})(?:[:.]\d{2}(?:[.]\d+)?)?|(\d{1,2})(?=\s*[ap][.]?m))"
    r"\s*(?:([ap])[.]?(?:m[.]?)?|h|h(?:ou)?rs[.]?|uhr)?",
    re.IGNORECASE,
)
_RANGE = re.compile(r"(.+?)\s*(?:[-\u2010-\u2015]|\bto\b|\btill?\b|\buntil\b)\s*(.+)", re.IGNORECASE)
_HALF = re.compile(r"[ap](?=[.]?m[.]?$)", re.IGNORECASE)
_PART_OF_DAY = re.compile(r"0[.,](?:\d|\d{3,})")  # as a spreadsheet keeps a time: 0.3125 of a day is 07:30
_MINUTES = 24 * 60
_NO_HOUR = frozenset({"", "00:00", "00:00:00", "0:00", "0000", "00.00"})  # a day without a time
# what is `rescheduled` may be the day that was left; `not proceeding` and `no bed` are no words of one that stands
_STANDS = re.compile(
    r"|(?:not|no|never|no\s+longer)[\s_-]+(?:been[\s_-]+)?(?:cancel|postpon|defer|withdraw|delet)\w*"
    r"|not\s+(?:yet\s+)?(?:started|begun|arrived|admitted|confirmed|ready|sent\s+for|checked[\s-]?in)"
    r"|(?:re(?!-?(?:book|sched))|pre)?-?(?:book|schedul|confirm|plann|list|approv|accept|arriv|check|complet|admit)\w*"
    r"|(?:in progress|ready|active|pending|provisional|tentative|proposed|fulfilled|done|tci|elective|urgent)",
    re.IGNORECASE,
)
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
    that cannot be read stops everything: a case left out would look like a cancelled operation. One whose day is not
    set (TBC) is kept apart: whose it is, is known.
    """
    unread: tuple[str, ...] = ()
    if ends_in(path, OF_FHIR):
        told = _of_fhir(path, zone, zones)
    else:
        told, unread = _of_csv(path, systems, zone, zones or {})
    return listed(path, told, unread)


Listed = tuple[TheatreCase | UndatedCase, bool]  # an operation, and whether it stands: one that was called off does not


def listed(path: str, told: Sequence[Listed], unread: tuple[str, ...] = ()) -> TheatreList:
    """The list of these operations, those without a day apart. Raises WaykeeperError WKX450 where none has one."""
    days = [case.day for case, _ in told if isinstance(case, TheatreCase)]
    if not days:
        details = f"the theatre list holds no operation{' that has a day' if told else ''}"
        raise WaykeeperError(finding("WKX450", details, Position(path), "Export it for the days ahead."))
    stand = [case for case, stands in told if stands]
    return TheatreList(
        tuple(case for case in stand if isinstance(case, TheatreCase)), min(days), max(days), unread,
        tuple(case for case in stand if isinstance(case, UndatedCase)),
    )  # fmt: skip


def _of_csv(
    path: str, systems: Sequence[str], zone: str, zones: Mapping[str, str]
) -> tuple[list[Listed], tuple[str, ...]]:
    """Each operation, and whether it stands: one that is listed as cancelled does not. And the headings not read."""
    rows = _rows(path)
    header = rows[0][1] if rows else []
    columns = _columns(path, header)
    cases: list[Listed] = []
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
            cases.append((made, not (called_off(said.get("status", "")) or _called_off_elsewhere(said))))
    if wrong:
        raise WaykeeperError(wrong[:_MOST_SHOWN])
    return cases, _unread(header, columns)


def _unread(header: Sequence[str], columns: Mapping[str, Sequence[int]]) -> tuple[str, ...]:
    """Headings that look like an hour, a side or an anaesthetic, where the list has no column of that kind."""
    kinds = [kind for name, kind in _LOOKS_LIKE.items() if name not in columns]
    return tuple(text.strip() for text in header if any(kind.search(text) for kind in kinds))


_LOOKS_LIKE = {
    "time": re.compile(r"\b(?:time|start|hour|begin)", re.IGNORECASE),
    "side": re.compile(r"\b(?:side|later)", re.IGNORECASE),
    "anaesthesia": re.compile(r"\bana?es(?!thetist|thesiologist|thesist)", re.IGNORECASE),
}


def _called_off_elsewhere(said: Mapping[str, str]) -> bool:
    """Whether a list without a word for it, or beside it, writes `CANCELLED` over the operation or its hour."""
    return any(crossed_out(said.get(name, "")) for name in ("time", "procedure", "side", "anaesthesia"))


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
) -> TheatreCase | UndatedCase | Finding:
    if not said["patient"]:
        return _unreadable(path, line, "the patient is blank")
    if spoilt(said["patient"]):
        return _unreadable(path, line, SPOILT)
    bar = "|" in said["patient"]
    who = (said["patient"],) if bar or not systems else tuple(f"{system}|{said['patient']}" for system in systems)
    name = said.get("case") or f"theatre list line {line}"
    if not_set(said["day"]):
        return UndatedCase(name, who, said["day"], f"{path}:{line}")
    try:
        day, start = _when(said["day"], next((zones[name] for name in who if name in zones), zone))
    except ValueError:
        remedy = "Write days as 2026-03-18: 03/04 is another day in another country."
        return _unreadable(path, line, f"{said['day']!r} is no day", remedy)
    return TheatreCase(
        name, who, day, said.get("name", ""), said.get("procedure", ""), said.get("surgeon", ""),
        said.get("side", ""), f"{path}:{line}", _earliest(said.get("time", "")) or start, said.get("anaesthesia", ""),
        said.get("time", "") or said["day"][11:].strip(), said.get("status", ""),
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
    """A time of day as lists write it (07:30, 7.30, 0730, 7h30, 1 pm, noon), of a span the first.

    None where it is none.

    1:00 to 5:59 in one digit, without AM or PM, is the afternoon: no list begins before six (common practice, no
    source).
    """
    text = text.strip()
    if text.lower() in ("noon", "midday"):
        return time(12)
    if _PART_OF_DAY.fullmatch(text):
        minutes = round(float(text.replace(",", ".")) * _MINUTES)
        return _told(time(minutes // 60, minutes % 60)) if minutes < _MINUTES else None
    return _single(text) or _first_of(text)


def _single(text: str) -> time | None:
    found = _CLOCK.fullmatch(text)
    if not found:
        return None
    hour, minute, half = int(found[1] or found[3]), int(found[2] or 0), (found[4] or "").lower()
    if half:
        hour = hour % 12 + (12 if half == "p" else 0) if 1 <= hour <= 12 else 24
    elif len(found[1]) == 1 and 1 <= hour < 6:
        hour += 12
    return _told(time(hour, minute)) if hour < 24 and minute < 60 else None


def _first_of(text: str) -> time | None:
    """The beginning of a span; None where its end is no later time (07:30-05:00 is an offset, not a span)."""
    span = _RANGE.fullmatch(text)
    begin, end = (span[1].strip(), _single(span[2].strip())) if span else ("", None)
    if span is None or end is None:
        return None
    half = _HALF.search(span[2].strip())
    first = _single(f"{begin} {half[0]}m") if half and not _HALF.search(begin) else None
    if first is None or first >= end:
        first = _single(begin)
    return first if first is not None and first < end else None


def _told(at: time) -> time | None:
    """None in the hour after midnight, with which a day without a time is written (and 0.25 of a day)."""
    return at if at.hour else None


def _of_fhir(path: str, zone: str, zones: Mapping[str, str] | None) -> list[Listed]:
    """Each Appointment that stands is an operation; one without a patient cannot be compared.

    One that was called off is none, and the list covers its day: that it is gone is what is to be seen.
    """
    held = read_resources(path)
    by_reference = dict(held)
    cases: list[Listed] = []
    wrong = []
    for said in evidence(held, zone, zones=zones):
        stands = said.status not in _OFF
        if said.kind != "appointment" or (not stands and (said.day is None or not said.patient)):
            continue
        if not said.patient:
            wrong.append(finding("WKX451", f"{said.reference} has no patient", Position(path)))
            continue
        if said.day is None:
            cases.append((UndatedCase(said.reference, said.patient, origin=path), stands))
            continue
        resource = by_reference.get(said.reference, {})
        cases.append((TheatreCase(
            said.reference, said.patient, said.day, _display(resource, "Patient"), str(resource.get("description", "")),
            _display(resource, "Practitioner"), origin=path, start=_told(said.start.time()) if said.start else None,
        ), stands))  # fmt: skip
    if wrong:
        raise WaykeeperError(wrong[:_MOST_SHOWN])
    return cases


def _display(resource: Mapping[str, Any], kind: str) -> str:
    """The name of the first participant of a kind."""
    actors: Iterable[Mapping[str, Any]] = (p.get("actor") or {} for p in resource.get("participant") or [])
    return next((str(a["display"]) for a in actors if kind in str(a.get("reference", "")) and a.get("display")), "")


def not_compared(found: TheatreList, known: Set[str], path: str) -> tuple[Finding, ...]:
    """Findings WKX453 and WKX454: what the list says, or does not say, that cannot be laid beside the plans.

    Of rows without a day those of everybody: of a patient without a plan nothing else would tell.

    known   every name of the patients who have plans
    """
    mine = [case for case in found.cases if not known.isdisjoint(case.patient)]
    told: dict[str, list[tuple[str, bool]]] = {
        "hour": [(c.hour, c.start is not None or bool(part_of_day(c.hour)) or c.hour in _NO_HOUR) for c in mine],
        "side": [(c.side or c.procedure, any(sides(c.side, c.procedure)) or not c.side) for c in mine],
        "anaesthetic": [(c.anaesthesia, needle(c.anaesthesia) is not None or not c.anaesthesia) for c in mine],
        "state": [(c.status, _STANDS.fullmatch(c.status) is not None) for c in mine],
    }
    unread = [
        finding("WKX453", _SAYS[name].format(", ".join(map(repr, odd[:_MOST_SHOWN]))), Position(path))
        for name, said in told.items()
        if (odd := list(dict.fromkeys(text for text, read in said if not read)))
    ]
    if found.unread:
        said = (
            f"columns that are not read, and the list has no other of their kind: {', '.join(map(repr, found.unread))}"
        )
        unread.append(finding("WKX453", said, Position(path), _HEADINGS))
    return (*map(_without_a_day, found.undated), *unread)


def _without_a_day(case: UndatedCase) -> Finding:
    """Finding WKX454: a row that is laid beside no plan, whoever's it is."""
    file, _, line = case.origin.rpartition(":")
    where = Position(file, int(line)) if line.isdecimal() else Position(case.origin)
    said = f"{case.said!r} is no day" if case.said else "there is no day"
    return finding("WKX454", f"{case.reference}: {said}, and the operation is not compared", where)


_SAYS = {
    "hour": "hours that cannot be read are not compared: {}",
    "side": "sides that cannot be read are not compared: {}",
    "anaesthetic": "anaesthetics of which it is not known whether a needle is possible are not compared: {}",
    "state": "operations whose state is not known count as taking place: {}",
}
_HEADINGS = "If one of them is what it looks like, call it time, side or anaesthesia."


def shared(found: TheatreList, known: Iterable[str], path: str) -> tuple[Finding, ...]:
    """Findings WKX452: numbers without a system that fit patients of several systems."""
    plans = set(known)
    return tuple(
        finding("WKX452", f"{case.reference} fits {len(mine)} patients", Position(path))
        for case in found.cases
        if len(mine := plans & set(case.patient)) > 1
    )


__all__ = ["clock", "headings", "listed", "not_compared", "read_theatre_list", "shared"]
