"""Which sources of `gaps` are files of bookings, and their evidence laid beside what FHIR says."""

from __future__ import annotations

from collections.abc import Mapping as Mapping_
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from waykeeper.findings import Finding, Position, WaykeeperError, finding
from waykeeper.plan.model import Evidence, Plan, State
from waykeeper.verbs.words import is_url

if TYPE_CHECKING:
    from waykeeper.exchange.sources import Mapping
    from waykeeper.gaps import TheatreList

ENDINGS = (".csv", ".tsv", ".ics", ".hl7")
ONE_EACH = ".hl7"  # interface engines write one file a message into a folder; our own reports are never of this kind


def split(sources: Sequence[str]) -> tuple[list[str], list[str]]:
    """The files of bookings among the sources, and the other sources.

    CSV and calendars are named one by one, because a folder may hold our own reports; HL7 v2 messages of a folder are
    all read.
    """
    from waykeeper.exchange.files import ends_in

    booked: list[str] = []
    other: list[str] = []
    for source in sources:
        if is_url(source) or source == "-":
            other.append(source)
        elif ends_in(source.removesuffix(".gz"), ENDINGS):
            booked.append(source)
        elif Path(source).is_dir():
            messages = sorted(str(f) for f in Path(source).rglob("*") if f.is_file() and ends_in(f.name, ONE_EACH))
            booked += messages
            other += [] if messages and not _fhir(Path(source)) else [source]
        else:
            other.append(source)
    return booked, other


def _fhir(folder: Path) -> bool:
    from waykeeper.exchange.files import ENDINGS as OF_FHIR
    from waykeeper.exchange.files import ends_in

    return any(ends_in(f.name, OF_FHIR) for f in folder.rglob("*") if f.is_file())


def scheduler_of(booked: Sequence[str], mapping: str) -> Mapping | None:
    """The mapping of the files of bookings. Raises WaykeeperError WKC203 where they need one and none is given."""
    if not mapping:
        if booked:
            remedy = "Add --mapping FILE: it says what the columns and words mean."
            raise WaykeeperError(finding("WKC203", "--mapping is missing", Position(booked[0]), remedy))
        return None
    from waykeeper.exchange.sources import read_mapping

    return read_mapping(mapping)


class Beside(NamedTuple):
    """The evidence of FHIR with that of the files, the plans with every number of their patients, what was noticed."""

    evidence: list[Evidence]
    plans: list[tuple[Plan, State]]
    findings: tuple[Finding, ...] = ()


def beside(
    found: list[Evidence],
    plans: list[tuple[Plan, State]],
    booked: Sequence[str],
    scheduler: Mapping | None,
    zone: str,
) -> Beside:
    """The evidence of FHIR with that of the files; a booking that both know counts once.

    Numbers that the files say were merged are one patient's in everything that is read, a theatre list too.
    """
    if scheduler is None or not booked:
        return Beside(found, plans)
    from waykeeper.exchange.sources import across, joined, plans_joined, read_bookings, unknown

    read = read_bookings(booked, scheduler, zone)
    every, noticed = across(joined(found, read.merged), read)
    joint = plans_joined(plans, read.merged)
    told = (*read.findings, *noticed, *unknown(found, read.revoked), *_without_zeros(read.evidence, joint))
    return Beside(every, joint, told)


def _without_zeros(bookings: Sequence[Evidence], plans: Sequence[tuple[Plan, State]]) -> list[Finding]:
    """Findings WKX426: numbers of nobody who has a plan that with zeros before them are of somebody who has.

    A spreadsheet takes 00123 for 123, and the patient's bookings look like those of a stranger. Nobody is joined: 123
    may be another patient.
    """
    own = {name for plan, _ in plans for name in (str(plan.patient.identifier), *plan.patient.merged)}
    plain = {_plain(name) for name in own if _plain(name) != name}
    found = [
        one for one in bookings
        if own.isdisjoint(one.patient) and any(_plain(name) in plain for name in one.patient)
    ]  # fmt: skip
    said = "the patient's number is that of a patient with a plan but for the zeros before it"
    more = f", and that of {len(found) - 1} more" if len(found) > 1 else ""
    return [finding("WKX426", f"{said}{more}", Position(found[0].origin))] if found else []


def _plain(name: str) -> str:
    system, bar, number = name.partition("|")
    return f"{system}{bar}{number.lstrip('0')}"


def theatre_of(path: str, scheduler: Mapping, zone: str, zones: Mapping_[str, str] | None = None) -> TheatreList:
    """A theatre list that is written as the part `cases` of a mapping says, the same that `compile --cases` reads.

    zone, zones   the clinic's, and where plans are in several that of each patient: as `read_theatre_list` has them

    Raises WaykeeperError with every row that cannot be read: a case left out would look like a cancelled operation.
    """
    from datetime import date

    from waykeeper.exchange.theatre import clock, listed
    from waykeeper.gaps import TheatreCase, UndatedCase
    from waykeeper.verbs.compiling_many import Case, listed_cases

    def zone_of(who: str) -> str:
        return (zones or {}).get(who, zone)

    rows = listed_cases(path, scheduler.systems["patient"], scheduler.file, zone_of)
    wrong = [found for one in rows for found in one.unread]
    if wrong:
        raise WaykeeperError(wrong)

    def case_of(one: Case) -> TheatreCase | UndatedCase:
        name, who, origin = f"line {one.place.line}", (one.patient,), f"{path}:{one.place.line}"
        if not one.surgery:
            return UndatedCase(name, who, one.day, origin)
        at = one.surgery[11:16]
        return TheatreCase(
            name, who, date.fromisoformat(one.surgery[:10]), side=one.side, procedure=one.procedure, origin=origin,
            start=clock(at) or clock(one.hour), anaesthesia=one.anaesthesia, hour=at or one.hour,
        )  # fmt: skip

    return listed(path, [(case_of(one), not one.off) for one in rows])
