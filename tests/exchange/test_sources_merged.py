"""Two numbers of one patient, as ADT messages say: bookings under either are hers, and nobody else's.

HL7 v2.5.1 chapter 3, event A40: the identifier of MRG-1 is merged into that of PID-3, and what belonged to the first
belongs to the second. A24 links two patients, who stay two.
"""

from __future__ import annotations

import itertools

import pytest

from exchange.made_bookings import MAPPING, MRN, ZONE
from exchange.test_sources_people import codes, message, row, table, told
from waykeeper.exchange.sources import across, joined, read_bookings, read_mapping
from waykeeper.exchange.sources.siu import table as siu_table
from waykeeper.findings import catalogue
from waykeeper.plan.model import Evidence

OLD, NEW, OTHER = (f"PID|1||AQ-{n}^^^AQ^MR" for n in (1, 2, 3))


def adt(event="A40", *groups):
    groups = groups or (f"{NEW}\rMRG|AQ-1^^^AQ^MR",)
    head = f"MSH|^~\\&|ADT|AQ|W|AQ|20260301080000||ADT^{event}^ADT_A39|M1|P|2.5.1\rEVN||20260301080000\r"
    return head + "\r".join(groups) + "\r"


def read(tmp_path, *texts, **files):
    for kind, text in {"hl7": "".join(texts), **files}.items():
        (tmp_path / f"b.{kind}").write_text(text, "utf-8")
    (tmp_path / "mapping.yaml").write_text(MAPPING, "utf-8")
    mapping = read_mapping(str(tmp_path / "mapping.yaml"))
    return read_bookings([str(tmp_path / f"b.{kind}") for kind in ("hl7", *files)], mapping, ZONE)


@pytest.mark.parametrize("event", siu_table()["merges"])
def test_a_booking_under_either_number_is_hers(event, tmp_path):
    for order in itertools.permutations([message(pid=OLD), adt(event), message(pid=NEW, number="F2"),
                                         message(pid=OTHER, number="F3")]):  # fmt: skip
        found = read(tmp_path, *order)
        assert told(found) == [("AQ-1 AQ-2", "booked"), ("AQ-2 AQ-1", "booked"), ("AQ-3", "booked")]
        assert codes(found) == ["WKX422", "WKX422"] and (found.read, found.others) == (4, 1)


def test_her_own_number_stands_first(tmp_path):
    (one,) = read(tmp_path, adt(), message(pid=NEW)).evidence
    assert one.patient == (f"{MRN}|AQ-2", f"{MRN}|AQ-1")


# A link, its end, a number that moved to another patient are told as such; an update, and events of accounts and visits
# (merges A35, A41, A42; moves A44, A45; changes A49, A50, A51), are no booking (HL7 v2.3 chapter 3, each event).
PASSED = dict.fromkeys(["A24", "A37", "A43"], "WKX427") | dict.fromkeys(
    ["A08", "A35", "A41", "A42", "A44", "A45", "A49", "A50", "A51"], "WKX416"
)


@pytest.mark.parametrize("event", sorted(PASSED))
def test_other_messages_join_nobody(event, tmp_path):
    found = read(tmp_path, adt(event), message(pid=OLD), message(pid=NEW, number="F2"))
    assert told(found) == [("AQ-1", "booked"), ("AQ-2", "booked")] and codes(found) == [PASSED[event]]


# HL7 v2.3 chapter 3: A39 merges and A46 changes the external ID, PID-2 and MRG-4, with PID-3 and MRG-1 not required;
# A48 changes the alternate ID, PID-4 and MRG-2.
@pytest.mark.parametrize(("event", "pid", "mrg"), [
    ("A39", "PID|1|AQ-2^^^AQ|", "MRG||||AQ-1^^^AQ"),
    ("A46", "PID|1|AQ-2^^^AQ|AQ-9^^^AQ^MR", "MRG|AQ-9^^^AQ^MR|||AQ-1^^^AQ"),
    ("A48", "PID|1||AQ-9^^^AQ^MR|AQ-2^^^AQ", "MRG|AQ-9^^^AQ^MR|AQ-1^^^AQ"),
    ("A40", "PID|1|AQ-2^^^AQ", "MRG||||AQ-1^^^AQ"),  # an older sender, which has no list
])  # fmt: skip
def test_merges_in_the_older_fields(event, pid, mrg, tmp_path):
    found = read(tmp_path, adt(event, f"{pid}\r{mrg}"), message(pid=OLD), message(pid=NEW, number="F2"))
    names = [{*e.patient} for e in found.evidence]
    assert len(names) == 2 and all({f"{MRN}|AQ-1", f"{MRN}|AQ-2"} <= n for n in names)


@pytest.mark.parametrize(("event", "pid", "mrg", "noticed"), [
    ("A39", "PID|1|2|", "MRG||||1", ["WKX407", "WKX407"]),  # numbers of which nobody says whose they are
    ("A40", "PID|1|2^^^AQ|AQ-9^^^AQ^MR", "MRG|AQ-9^^^AQ^MR|||1^^^AQ", []),  # the list alone counts: one and the same
    ("A41", "PID|1|AQ-2^^^AQ|", "MRG||||AQ-1^^^AQ", ["WKX416"]),
])  # fmt: skip
def test_numbers_in_the_older_fields_that_join_nobody(event, pid, mrg, noticed, tmp_path):
    found = read(tmp_path, adt(event, f"{pid}\r{mrg}"), message(pid="PID|1||1^^^AQ^MR"),
                 message(pid="PID|1||2^^^AQ^MR", number="F2"))  # fmt: skip
    assert told(found) == [("1", "booked"), ("2", "booked")] and codes(found) == noticed


def test_a_later_message_under_the_new_number_speaks_of_the_old_ones_booking(tmp_path):
    later = message("S15", pid=NEW, at="20260401080000")
    assert told(read(tmp_path, message(pid=OLD), adt(), later)) == [("AQ-2 AQ-1", "cancelled")]
    assert len(read(tmp_path, message(pid=OLD), later).evidence) == 2  # without the merge: two patients of one number


def test_merges_of_merges_and_several_in_one_message(tmp_path):
    chain = adt("A40", f"{NEW}\rMRG|AQ-1^^^AQ^MR", "PID|2||AQ-9^^^AQ^MR\rPV1|1|O\rMRG|AQ-2^^^AQ^MR~77^^^ELSE^MR")
    (one,) = read(tmp_path, chain, message(pid=OLD)).evidence
    assert {*one.patient} == {f"{MRN}|AQ-{n}" for n in (1, 2, 9)}


def test_merges_in_any_order_make_one_patient_of_whoever_is_linked():
    merges = [("a", "b"), ("c", "d"), ("x", "y"), ("e", "d"), ("b", "e")]
    for order in itertools.permutations(merges):
        evidence = [Evidence(name, "appointment", "booked", patient=(name,)) for name in "abcdexyz"]
        found = joined(evidence, order)
        assert [one.patient[0] for one in found] == list("abcdexyz")
        assert ["".join(sorted(one.patient)) for one in found] == [*["abcde"] * 5, "xy", "xy", "z"]


def test_a_number_of_nobody_we_know_is_told_and_joins_nobody(tmp_path):
    for group in (f"{NEW}\rMRG|AQ-1^^^ELSE^MR", "PID|1||AQ-2^^^ELSE^MR\rMRG|AQ-1^^^AQ^MR", f"{NEW}\rMRG|"):
        found = read(tmp_path, adt("A40", group), message(pid=OLD))
        assert told(found) == [("AQ-1", "booked")] and codes(found) == ["WKX407"]
    assert "MRG-1" in found.findings[0].line() and "MRG-1 has no identifier" in found.findings[0].line()


@pytest.mark.parametrize(
    "groups",
    [
        (NEW,),  # nothing is merged into it
        ("MRG|AQ-1^^^AQ^MR", NEW),
        ("MRG|AQ-1^^^AQ^MR", NEW, "MRG|AQ-3^^^AQ^MR", OTHER),  # the second would join two strangers
        (NEW, "MRG|AQ-1^^^AQ^MR", "MRG|AQ-3^^^AQ^MR"),
        ("PV1|1|O",),
    ],
)
def test_segments_in_another_order_join_nobody(groups, tmp_path):
    found = read(tmp_path, adt("A40", *groups), message(pid=OLD))
    assert told(found) == [("AQ-1", "booked")] and codes(found) == ["WKX407"]


def test_what_other_files_and_the_server_say_is_hers_as_well(tmp_path):
    found = read(tmp_path, adt(), message(pid=NEW, number="F2"), csv=table(row("AQ-1"), row("AQ-3", number="600")))
    assert told(found) == [("AQ-1 AQ-2", "booked"), ("AQ-2 AQ-1", "booked"), ("AQ-3", "booked")]
    server = Evidence("Appointment/1", "appointment", "booked", patient=(f"{MRN}|AQ-1",), identifiers=("n|1",))
    ours = Evidence("b.hl7#1", "appointment", "booked", patient=(f"{MRN}|AQ-2",), identifiers=("n|1",))
    with_numbers = joined([server, ours], found.merged)
    kept, noticed = across(with_numbers[:1], type(found)(evidence=tuple(with_numbers[1:])))
    assert [e.reference for e in kept] == ["Appointment/1"] and noticed == []  # one booking of one patient
    assert joined([server], ()) == [server]


def test_the_codes_severity():
    assert catalogue()["WKX422"].severity == "information"
