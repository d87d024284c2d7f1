"""clinic.yaml: who the clinic is, when it works, what it decided."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from datetime import date, time
from functools import cache
from itertools import pairwise
from zoneinfo import available_timezones

from waykeeper.counting import counted
from waykeeper.findings import Finding, did_you_mean, finding
from waykeeper.pathway.model import Clinic, MedicineWords, Settings
from waykeeper.pathway.reader import Node, read_yaml
from waykeeper.pathway.schema import CLINIC, NO_COUNTRY, WEEKDAYS
from waykeeper.pathway.strict import Fields, read_record
from waykeeper.timing import TimingError, calendar_for, missed_in_each_part
from waykeeper.timing.model import WorkingCalendar

YEARS = range(2010, 2061)  # covered by the working calendar; a date outside is refused, never taken for open
ReadWords = Callable[[Node], tuple[MedicineWords, list[Finding]]]

_DAYS_OF = {  # key of the file -> field of Settings
    "grace": "grace_days",
    "booking_lead": "booking_lead_days",
    "creatinine_stale": "creatinine_stale_days",
    "creatinine_refused": "creatinine_refused_days",
    "contact_days": "contact_days",
}
_PLAIN = ("contact_attempts", "contact_routes", "proposed_appointments", "recognised_closes")


def read_clinic(
    name: str,
    source: str | bytes,
    policies: Collection[str] | None = None,
    words: ReadWords | None = None,
) -> tuple[Clinic | None, tuple[Finding, ...]]:
    """Read and check a clinic file.

    `policies` are the medicine policies that exist, `name` or `name: value`; None leaves them unchecked. `words` reads
    the clinic's own words for medicines, which the room of medicines knows how to; without it there are none. The
    clinic is None where an error was found.
    """
    root, reading = read_yaml(source, name)
    found = list(reading)
    if root is None:
        return None, tuple(found)
    fields = read_record(root, CLINIC, found)
    clinic = _clinic(fields, found)
    check_policies(fields.nodes.get("policies"), policies, found)
    if words and "medicine_words" in fields.values:
        own, wrong = words(fields.nodes["medicine_words"])
        clinic = replace(clinic, medicine_words=own)
        found += wrong
    failed = any(f.severity == "error" for f in found)
    return (None if failed else clinic), tuple(sorted(found, key=lambda f: f.position))


def _clinic(fields: Fields, found: list[Finding]) -> Clinic:
    zone = _zone(fields, found)
    calendar = _calendar(fields, zone, found)
    roles = {k: v for k, v in fields.map("roles").items() if isinstance(v, Fields)}
    identifiers = fields.record("identifiers")
    return Clinic(
        fields.text("clinic"), fields.text("url"), zone, calendar,
        telephone={k: v.text("telephone") for k, v in roles.items() if v.text("telephone")},
        roles={k: v.text("title") for k, v in roles.items()},
        patient_identifier_system=identifiers.text("patient"),
        own_identifier_system=identifiers.text("own"),
        overlays=fields.texts("overlays"), policies=dict(fields.map("policies")),
        settings=_settings(fields.record("settings"), found),
        file=fields.node.position.file,
    )  # fmt: skip


@cache
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())


def _zone(fields: Fields, found: list[Finding]) -> str:
    zone = fields.text("zone")
    if not zone or zone in _zones():
        return zone or "UTC"
    found.append(finding("WKP701", f"unknown time zone {zone!r}", fields.at("zone"), did_you_mean(zone, _zones())))
    return "UTC"


def _settings(fields: Fields, found: list[Finding]) -> Settings:
    given: dict[str, int | bool] = {}
    for key, name in _DAYS_OF.items():
        value = fields.values.get(key)
        if value is not None:
            given[name] = value if isinstance(value, int) else int(str(value).split()[0])
    given |= {key: fields.values[key] for key in _PLAIN if key in fields.values}
    settings = Settings(**given)  # type: ignore[arg-type] # the table above pairs each key with its type
    if settings.creatinine_refused_days < settings.creatinine_stale_days:
        details = (
            f"creatinine_refused {counted(settings.creatinine_refused_days, 'day')} is shorter than "
            f"creatinine_stale {counted(settings.creatinine_stale_days, 'day')}"
        )
        found.append(finding("WKP705", details, fields.at("creatinine_refused")))
    if settings.contact_routes > settings.contact_attempts:
        routes, attempts = settings.contact_routes, settings.contact_attempts
        details = f"{routes} contact routes need as many attempts, {attempts} are made"
        found.append(finding("WKP705", details, fields.at("contact_routes")))
    return settings


def _calendar(fields: Fields, zone: str, found: list[Finding]) -> WorkingCalendar:
    hours = fields.record("hours")
    weekdays = frozenset(i for i, day in enumerate(WEEKDAYS) if day in hours.values)
    if "hours" in fields.nodes and not hours.node.entries:
        found.append(finding("WKP703", "no weekday has opening hours, no visit could be booked", fields.at("hours")))
    times = [_hours(day, hours, found) for day in hours.values]
    span = (min(t[0] for t in times), max(t[1] for t in times)) if times else None
    parts = _parts(fields.record("parts"), found)
    holidays = fields.record("holidays")
    closures, opened = (_dates(holidays, key, found) for key in ("closures", "open"))
    country = holidays.text("calendar").replace(NO_COUNTRY, "")
    try:
        calendar = calendar_for(country, YEARS, weekdays, span, parts, closures, zone)
    except TimingError as error:
        found.append(error.at(holidays.at("calendar")))
        calendar = calendar_for("", YEARS, weekdays, span, parts, closures, zone)
    _odd_days(holidays, calendar, closures, opened, found)
    _parts_of(country, weekdays, holidays, found)
    return replace(calendar, closed={d: why for d, why in calendar.closed.items() if d not in opened})


def _hours(day: str, hours: Fields, found: list[Finding]) -> tuple[time, time]:
    start, _, end = hours.text(day).partition(" to ")
    if start >= end:
        found.append(finding("WKP703", f"{day} closes at {end}, which is not after {start}", hours.at(day)))
    return time.fromisoformat(start), time.fromisoformat(end)


def _parts(fields: Fields, found: list[Finding]) -> Mapping[str, time]:
    parts = {key: time.fromisoformat(value) for key, value in fields.values.items()}
    order = [key for key in ("morning", "afternoon", "evening") if key in parts]
    for earlier, later in pairwise(order):
        if parts[earlier] >= parts[later]:
            details = f"the {later} begins at {parts[later]:%H:%M}, not after the {earlier} at {parts[earlier]:%H:%M}"
            found.append(finding("WKP704", details, fields.at(later)))
    return parts


def _dates(holidays: Fields, key: str, found: list[Finding]) -> dict[date, str]:
    read: dict[date, str] = {}
    for name, _ in holidays.nodes[key].entries if key in holidays.nodes else ():
        if name.text not in holidays.map(key):
            continue
        try:
            read[date.fromisoformat(name.text)] = str(holidays.map(key)[name.text])
        except ValueError:
            found.append(finding("WKP203", f"holidays.{key}: there is no day {name.text}", name.position))
    return read


def _odd_days(
    holidays: Fields,
    calendar: WorkingCalendar,
    closures: Collection[date],
    opened: Collection[date],
    found: list[Finding],
) -> None:
    """Closures that close nothing and open days that open nothing: most likely a date of another year."""
    for key, days in (("closures", closures), ("open", opened)):
        places = {name.text: name.position for name, _ in holidays.nodes[key].entries} if days else {}
        for day in days:
            odd = ""
            if day.weekday() not in calendar.weekdays:
                odd = f"a {WEEKDAYS[day.weekday()].capitalize()}, on which the clinic is closed in every week"
            elif key == "open" and day not in calendar.closed:
                odd = "no public holiday, the clinic works on it anyway"
            elif day in closures and day in opened:
                odd = "both a closure and an open day"
            if odd:
                found.append(finding("WKP706", f"{day.isoformat()} is {odd}", places[day.isoformat()]))


def _parts_of(country: str, weekdays: Collection[int], holidays: Fields, found: list[Finding]) -> None:
    """A country alone whose every part has more holidays: on those days nobody would be there for what is planned."""
    if missed := missed_in_each_part(country, weekdays):
        part, (day, why) = next(iter(missed.items()))
        details = (
            f"calendar {country} leaves out public holidays of each part of it: {part} has {why} on {day.isoformat()}"
        )
        remedy = f"Write the part where the clinic is ({', '.join(f'{country}-{one}' for one in missed)})."
        found.append(finding("WKP709", details, holidays.at("calendar"), remedy))


def check_policies(node: Node | None, policies: Collection[str] | None, found: list[Finding]) -> None:
    """Each medicine policy must be one that exists: its name, and `name: value` where values are listed."""
    if node is None or node.kind != "map" or policies is None:
        return
    names = {p.partition(":")[0].strip() for p in policies}
    for key, value in node.entries:
        values = {p.partition(":")[2].strip() for p in policies if p.partition(":")[0].strip() == key.text} - {""}
        if key.text not in names:
            details = f"unknown medicine policy {key.text!r}"
            found.append(finding("WKP707", details, key.position, did_you_mean(key.text, names)))
        elif values and value.text not in values:
            details = f"policy {key.text!r} cannot be {value.text!r}"
            found.append(finding("WKP707", details, value.position, did_you_mean(value.text, values)))
