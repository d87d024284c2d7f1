"""A scheduler's CSV: what is odd in a row is found with line and column, and no row is lost."""

from __future__ import annotations

from datetime import date

import pytest

from exchange.made_bookings import HEADER, MAPPING, ZONE, read_text
from waykeeper.exchange.sources.times import parse
from waykeeper.findings import WaykeeperError

HEAD = ",".join(HEADER)


def row(**said):
    cells = {"MRN": "AQ-1", "Day": "04/29/2026", "Time": "09:30 AM", "Length": "30", "State": "Scheduled"} | said
    return ",".join(cells.get(name, "") for name in HEADER)


def read(tmp_path, *lines, mapping=MAPPING, head=HEAD, zone=ZONE):
    return read_text(tmp_path, "csv", "\n".join([head, *lines]) + "\n", mapping, zone=zone)


def codes(found):
    return [(f.code, f.position.line, f.position.column) for f in found.findings]


ODD = {  # name -> (cells, findings as (code, column), status, day)
    "an unmapped word": ({"State": "Dunno"}, [("WKX404", 29)], "Dunno", date(2026, 4, 29)),
    "a blank status": ({"State": ""}, [("WKX404", 29)], "blank", date(2026, 4, 29)),
    "case and blanks of a word": ({"State": " no  SHOW "}, [], "noshow", date(2026, 4, 29)),
    "who called it off": ({"State": "Called off by patient"}, [], "cancelled", date(2026, 4, 29)),
    "no patient": ({"MRN": ""}, [("WKX407", 1)], "booked", date(2026, 4, 29)),
    "another format": ({"Day": "2026-04-29"}, [("WKX407", 6)], "unreadable", None),
    "30 February": ({"Day": "02/30/2026"}, [("WKX407", 6)], "unreadable", None),
    "a time of another format": ({"Time": "13h"}, [("WKX407", 17)], "unreadable", None),
    "no day": ({"Day": "", "Time": ""}, [], "booked", None),
    "no time": ({"Time": ""}, [], "booked", date(2026, 4, 29)),
    "half an hour": ({"Length": "half"}, [("WKX411", 26)], "booked", date(2026, 4, 29)),
    "a repeated hour": ({"Day": "11/01/2026", "Time": "01:30 AM"}, [], "booked", date(2026, 11, 1)),
    "a skipped hour": ({"Day": "03/08/2026", "Time": "02:30 AM"}, [("WKX406", 6)], "booked", date(2026, 3, 8)),
    "midnight": ({"Time": "12:00 AM"}, [], "booked", date(2026, 4, 29)),
    "a comma in quotes": ({"What": '"six, weeks"'}, [], "booked", date(2026, 4, 29)),
}


@pytest.mark.parametrize("name", sorted(ODD))
def test_one_odd_row(name, tmp_path):
    cells, wanted, status, day = ODD[name]
    found = read(tmp_path, row(**cells))
    assert codes(found) == [(code, 2, column) for code, column in wanted]
    (one,) = found.evidence
    assert (one.status, one.day, one.origin) == (status, day, "line 2 of bookings.csv")


def test_who_called_it_off_is_kept(tmp_path):
    found = read(tmp_path, row(State="Called off by patient"), row(State="Called off by clinic"))
    assert [e.fell for e in found.evidence] == ["patient", "clinic"]


def test_the_wall_time_becomes_the_instant_of_its_zone(tmp_path):
    """Chicago is UTC-5 in April and UTC-6 in November after the clocks went back (tzdata)."""
    found = read(tmp_path, row(), row(Day="11/02/2026"))
    assert [e.start.utcoffset().total_seconds() / 3600 for e in found.evidence] == [-5, -6]
    assert [e.start.hour for e in found.evidence] == [9, 9]


@pytest.mark.parametrize(("stated", "day", "hour"), [
    ("America/New_York", 28, 23), ("America/Los_Angeles", 29, 2), ("UTC", 28, 19), ("Asia/Tokyo", 28, 10),
])  # fmt: skip
def test_a_day_is_the_clinics_own_whatever_zone_is_stated(stated, day, hour, tmp_path):
    """00:30 in the stated zone, seen from Chicago (UTC-5 on that day; Tokyo UTC+9, New York -4, Los Angeles -7)."""
    found = read(tmp_path, row(Time="12:30 AM"), mapping=MAPPING.replace(ZONE, stated))
    assert (found.evidence[0].day, found.evidence[0].start.hour) == (date(2026, 4, day), hour)


def test_a_row_with_too_many_cells_is_kept_as_unreadable_and_the_rest_goes_on(tmp_path):
    found = read(tmp_path, row(), row() + ",more", row(What='"a "b"'), row(Day="04/30/2026"))
    assert [e.status for e in found.evidence] == ["booked", "unreadable", "unreadable", "booked"]
    assert [(c, line) for c, line, _ in codes(found)] == [("WKX407", 3), ("WKX407", 4)]


def test_a_quotation_mark_that_is_never_closed_ends_it(tmp_path):
    with pytest.raises(WaykeeperError, match=r"bookings\.csv:3:1: WKX405 .*line 3 is never closed"):
        read(tmp_path, row(), row(What='"six weeks'), row(), row())


def test_blank_lines_are_no_rows_and_lines_are_counted_as_they_stand(tmp_path):
    found = read(tmp_path, "", "," * (len(HEADER) - 1), row(What='"two\nlines"'), row())
    assert [e.origin for e in found.evidence] == ["line 4 of bookings.csv", "line 6 of bookings.csv"]
    assert found.read == 2


def test_day_and_month_exchanged_is_refused_as_a_whole(tmp_path):
    """05/04/2026 reads either way; the row that reads only one way shows what all others mean."""
    with pytest.raises(WaykeeperError, match=r"bookings\.csv:3:6: WKX410 .*day and month exchanged"):
        read(tmp_path, row(Day="05/04/2026"), row(Day="29/04/2026"))


def test_a_format_with_day_first_reads_what_the_other_refuses(tmp_path):
    found = read(tmp_path, row(Day="29/04/2026"), mapping=MAPPING.replace("%m/%d/%Y", "%d/%m/%Y"))
    assert found.evidence[0].day == date(2026, 4, 29)


NEW, OLD = {"Changed": "2026-04-02T10:00:00-0500"}, {"Changed": "2026-04-01T10:00:00-0500"}


@pytest.mark.parametrize("turned", [False, True])
def test_the_later_change_of_a_booking_wins_wherever_it_stands(turned, tmp_path):
    lines = [row(Number="7", State="Scheduled", **OLD), row(Number="7", State="No show", **NEW)]
    found = read(tmp_path, *(reversed(lines) if turned else lines))
    assert [e.status for e in found.evidence] == ["noshow"] and found.superseded == 1 and not found.findings


def test_the_same_row_twice_is_one_booking(tmp_path):
    found = read(tmp_path, row(Number="7"), row(Number="7"))
    assert len(found.evidence) == 1 and found.superseded == 1 and not found.findings


@pytest.mark.parametrize("changes", [({}, {}), (OLD, {}), (OLD, OLD)])
def test_two_rows_that_nothing_orders_are_for_a_person(changes, tmp_path):
    one, other = changes
    found = read(tmp_path, row(Number="7", **one), row(Number="7", State="No show", **other))
    assert {e.status for e in found.evidence} == {"unclear (booked, noshow)"} and len(found.evidence) == 2
    assert [(c, line) for c, line, _ in codes(found)] == [("WKX408", 3)]


def test_rows_without_a_number_are_bookings_of_their_own(tmp_path):
    found = read(tmp_path, row(), row())
    assert len({e.reference for e in found.evidence}) == 2


def test_cp1252_is_read_as_stated_and_refused_as_utf8(tmp_path):
    raw = f"{HEAD}\n{row(What='Prüfung')}\n".encode("cp1252")
    stated = MAPPING.replace("csv:\n", "csv:\n  encoding: cp1252\n")
    assert read_text(tmp_path, "csv", raw, stated).evidence[0].text == "Prüfung"
    with pytest.raises(WaykeeperError, match=r"bookings\.csv:2:1: WKX401 error: not utf-8"):
        read_text(tmp_path, "csv", raw)


@pytest.mark.parametrize("written", ["utf-16", "utf-16-le"])
def test_what_a_spreadsheet_saved_in_two_bytes_is_told_so_and_read_as_the_remedy_says(tmp_path, written):
    raw = f"{HEAD}\n{row(What='Prüfung')}\n".encode(written)
    with pytest.raises(WaykeeperError, match=r"WKX401 .*write `encoding: utf-16` into the mapping"):
        read_text(tmp_path, "csv", raw)
    stated = MAPPING.replace("csv:\n", "csv:\n  encoding: utf-16\n")
    assert read_text(tmp_path, "csv", raw, stated).evidence[0].text == "Prüfung"


def test_another_delimiter_is_offered(tmp_path):
    with pytest.raises(WaykeeperError, match=r"WKX405 .*say delimiter: semicolon"):
        read(tmp_path, head=HEAD.replace(",", ";"))


@pytest.mark.parametrize("kind", ["csv", "ics", "hl7"])
def test_any_bytes_give_bookings_or_a_finding(kind, tmp_path):
    import random

    chance = random.Random(7)
    text = {"csv": HEAD + "\n" + row() + "\n" + row(), "ics": "BEGIN:VCALENDAR\nBEGIN:VEVENT\nDTSTART:20260429\n"
            "X-MRN:1\nUID:1\nEND:VEVENT\nEND:VCALENDAR\n",
            "hl7": "MSH|^~\\&|A|B|C|D|2026||SIU^S12|1|P|2.5\rSCH||1\rPID|||1^^^AQ\r"}[kind].encode()  # fmt: skip
    for _ in range(150):
        broken = bytearray(text)
        for _ in range(chance.randrange(1, 6)):
            at = chance.randrange(len(broken))
            broken[at : at + chance.randrange(3)] = bytes(chance.randrange(256) for _ in range(chance.randrange(3)))
        try:
            found = read_text(tmp_path, kind, bytes(broken))
        except WaykeeperError:
            continue
        assert found.read == len(found.evidence) + found.superseded + found.others


# what a spreadsheet does to numbers and dates (common practice, no source)


@pytest.mark.parametrize("number", ["1.23457E+11", "1,23457e+11", "1E+9", "10045.0"])
def test_a_number_that_became_a_quantity_names_nobody(number, tmp_path):
    """Its digits are gone: the row looked like that of a stranger, without a word."""
    found = read(tmp_path, row(MRN=f'"{number}"'))
    assert found.evidence[0].patient == () and [f.code for f in found.findings] == ["WKX407"]


@pytest.mark.parametrize("cell", ['"=""AQ-1"""', "\u200bAQ-1", "AQ-1\u00a0", "\ufeffAQ-1 "])
def test_what_nobody_sees_is_no_part_of_a_number(cell, tmp_path):
    found = read(tmp_path, row(MRN=cell))
    assert found.evidence[0].patient[0].endswith("|AQ-1") and not found.findings


@pytest.mark.parametrize(("stated", "written", "day"), [
    ("%m%d%Y", "01122026", date(2026, 1, 12)),
    ("%m%d%Y", "1122026", None),  # January 12 without its zero; strptime says November 2
    ("%d%m%Y", "1122026", None),
    ("%Y%m%d", "2026112", None),
    ("%m/%d/%Y", "1/12/2026", date(2026, 1, 12)),
])  # fmt: skip
def test_a_date_that_lost_its_zero_is_not_guessed(stated, written, day, tmp_path):
    found = read(tmp_path, row(Day=written), mapping=MAPPING.replace('"%m/%d/%Y"', f'"{stated}"'))
    assert found.evidence[0].day == day
    assert [f.code for f in found.findings] == ([] if day else ["WKX407"])


@pytest.mark.parametrize("number", ["7E12345", "2E0045"])
def test_a_number_with_an_e_is_no_quantity(number, tmp_path):
    """Programs write 1E+9 or 1.0E9 (from memory): without plus and point it is a number as somebody gave it."""
    assert read(tmp_path, row(MRN=number)).evidence[0].patient[0].endswith(f"|{number}")


@pytest.mark.parametrize(("stated", "written"), [
    ("%Y%m%d%H%M%S.%f", "20260105093000.123"), ("%d.%m.%Y %H%M", "5.1.2026 0930"), ("%m/%d/%Y %H%M", "1/5/2026 0930"),
])  # fmt: skip
def test_zeros_may_lack_where_nothing_runs_on(stated, written):
    """strftime says six digits of a second and two of a day: those were asked for, and the time was not read."""
    assert parse(written, stated).strftime("%Y-%m-%dT%H:%M") == "2026-01-05T09:30"


@pytest.mark.parametrize(
    ("written", "clock"), [("0930", (9, 30)), ("930", (9, 30)), ("130", (1, 30)), ("1330", (13, 30))]
)
def test_an_hour_that_lost_its_zero(written, clock, tmp_path):
    """130 is 01:30, of which only the zero can be missing; strptime says 13:00."""
    (one,) = read(tmp_path, row(Time=written), mapping=MAPPING.replace('"%I:%M %p"', '"%H%M"')).evidence
    assert (one.start.hour, one.start.minute) == clock


def test_a_no_show_that_names_no_day_any_more_keeps_it(tmp_path):
    first = row(Number="7", Changed="2026-01-01T08:00:00+0000")
    later = row(Number="7", State="No show", Day="", Time="", Changed="2026-05-01T08:00:00+0000")
    (one,) = read(tmp_path, first, later).evidence
    assert (one.status, one.day) == ("noshow", date(2026, 4, 29))


def test_a_number_that_lost_its_zeros_is_told():
    from types import SimpleNamespace

    from waykeeper.plan.model import Evidence
    from waykeeper.verbs.bookings import _without_zeros

    def plan(*names):
        return SimpleNamespace(patient=SimpleNamespace(identifier=names[0], merged=names[1:])), None

    def booking(number):
        return Evidence("b", "appointment", "booked", patient=(f"s|{number}",), origin="line 4 of b.csv")

    plans = [plan("s|00123"), plan("s|77", "s|0088")]
    for number, told in (("123", 1), ("0123", 1), ("88", 1), ("00123", 0), ("77", 0), ("124", 0), ("077", 0)):
        found = _without_zeros([booking(number)], plans)
        assert [f.code for f in found] == ["WKX426"] * told, number
