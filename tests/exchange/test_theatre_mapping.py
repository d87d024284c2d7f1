"""A foreign theatre list beside the plans: the same file that compile --cases reads, by the same mapping."""

from __future__ import annotations

import pytest

from exchange.made_bookings import MAPPING
from exchange.test_compiling_many import BUNDLES, FOREIGN
from waykeeper.findings import WaykeeperError
from waykeeper.verbs import gaps
from waykeeper.verbs.compiling_many import read_cases

PLAN = str(BUNDLES / "demo-left" / "plan.bundle.json")


def plan_row(tmp_path, rows, day="2026-03-02"):
    (tmp_path / "m.yaml").write_text(FOREIGN)
    (tmp_path / "list.csv").write_text("Nr;Tag;Zeit;Seite;Narkose\n" + rows)
    found = gaps(PLAN, as_of=day, theatre_list=str(tmp_path / "list.csv"), mapping=str(tmp_path / "m.yaml"))
    return {r.identifier.partition("|")[2]: r.verdict for r in found.whole.rows if r.kind == "plan"}


def test_the_day_of_the_list_is_laid_beside_the_plan(tmp_path):
    assert plan_row(tmp_path, "AQ-1001;18.03.2026;07.30;li;ITN\n")["AQ-1001"] == "current"
    assert plan_row(tmp_path, "AQ-1001;19.03.2026;07.30;li;ITN\n")["AQ-1001"] == "date-differs"
    assert plan_row(tmp_path, "AQ-1001;18.03.2026;13.00;li;ITN\n")["AQ-1001"] == "needs-review"
    assert plan_row(tmp_path, "AQ-7;18.03.2026;;li;ITN\n") == {"AQ-1001": "no-case", "AQ-7": "no-plan"}


def test_a_row_that_cannot_be_read_stops_it(tmp_path):
    with pytest.raises(WaykeeperError, match="WKX510"):
        plan_row(tmp_path, "AQ-1001;18.03.2026;07.30;li;ITN\nAQ-2;18/3/2026;;li;ITN\n")
    with pytest.raises(WaykeeperError, match="WKX510"):
        plan_row(tmp_path, "AQ-1001;18.03.2026;07:30;li;ITN\n")


def both_ways(tmp_path, rows, as_of="2026-03-02"):
    """The plan rows and the findings, by a mapping and by headings that are known: patient, day, hour, side."""
    (tmp_path / "m.yaml").write_text(FOREIGN)
    (tmp_path / "mapped.csv").write_text(
        "Nr;Tag;Zeit;Seite;Narkose\n" + "".join(f"{n};{d};{h};{s};\n" for n, d, h, s in rows)
    )
    plain = [(n, "-".join(reversed(d.split("."))), h.replace(".", ":"), s) for n, d, h, s in rows]
    (tmp_path / "plain.csv").write_text("MRN;Date;Time;Side\n" + "".join(";".join(row) + "\n" for row in plain))
    found = []
    for name, mapping in (("mapped.csv", str(tmp_path / "m.yaml")), ("plain.csv", "")):
        said = gaps(PLAN, as_of=as_of, theatre_list=str(tmp_path / name), mapping=mapping)
        mine = [(r.identifier.partition("|")[2], r.verdict, r.reason) for r in said.whole.rows if r.kind == "plan"]
        found.append((mine, [(f.code, f.details) for f in said.findings], said.whole.lacking))
    return found


@pytest.mark.parametrize("hour", ["TBC", "tbc", "TBA", "", "AM", "AM list", "am session", "to be confirmed"])
def test_a_row_without_an_hour_is_taken_with_its_day(tmp_path, hour):
    """How lists leave an hour open: common practice, no source. A half of the day holds the plan's 07:30."""
    rows = [("AQ-1001", "18.03.2026", hour, ""), ("AQ-3", "18.03.2026", "09.00", "")]
    for mine, findings, lacking in both_ways(tmp_path, rows):
        assert [(who, word) for who, word, _ in mine] == [("AQ-3", "no-plan"), ("AQ-1001", "current")]
        told = [details for code, details in findings if code == "WKX453"]
        assert bool(told) == (hour.casefold().startswith("t")) and not lacking
        assert all(repr(hour) in details for details in told)


def test_the_other_half_of_the_day_asks(tmp_path):
    for mine, _, _ in both_ways(tmp_path, [("AQ-1001", "18.03.2026", "PM list", "")]):
        assert [(who, word) for who, word, _ in mine] == [("AQ-1001", "needs-review")] and "says PM list" in mine[0][2]


@pytest.mark.parametrize("day", ["TBC", "tba", "", "soon"])
def test_a_row_without_a_day_is_told_and_the_rest_of_the_list_stays(tmp_path, day):
    """Nobody is called off by it: the plan's row asks for the day. Of a patient without a plan the finding tells."""
    rows = [("AQ-1001", day, "07.30", ""), ("AQ-3", "18.03.2026", "09.00", ""), ("AQ-4", day, "", "")]
    for mine, findings, lacking in both_ways(tmp_path, rows):
        assert [(who, word) for who, word, _ in mine] == [("AQ-3", "no-plan"), ("AQ-1001", "needs-review")]
        assert f"without a day{f' ({day})' if day else ''}; the plan says Wed 2026-03-18" in mine[1][2]
        assert [code for code, _ in findings] == ["WKX454", "WKX454"] and len(lacking) == 2
        assert "line 2" in findings[0][1] and "line 4" in findings[1][1]
    listed = [("AQ-1001", "18.03.2026", "07.30", ""), ("AQ-1001", day, "", "")]
    for mine, findings, _ in both_ways(tmp_path, listed):
        assert [word for _, word, _ in mine] == ["current"] and [code for code, _ in findings] == ["WKX454"]


def test_a_list_of_which_no_row_has_a_day_is_none(tmp_path):
    with pytest.raises(WaykeeperError, match="WKX450"):
        plan_row(tmp_path, "AQ-1001;TBC;;li;ITN\n")


@pytest.mark.parametrize(("second", "words"), [
    (("AQ-1001", "18.03.2026", "07.30", "left"), {"current", "no-plan"}),
    (("AQ-1001", "18.03.2026", "09.30", "right"), {"current", "no-plan"}),
    (("AQ-1001", "25.03.2026", "07.30", "left"), {"current", "no-plan"}),
])  # fmt: skip
def test_a_patient_who_is_listed_twice_is_told_and_the_list_is_read(tmp_path, second, words):
    for mine, _, _ in both_ways(tmp_path, [("AQ-1001", "18.03.2026", "07.30", "left"), second]):
        assert {word for _, word, _ in mine} == words
        assert "this patient's plan is for the operation of Wed 2026-03-18" in next(
            r for _, w, r in mine if w == "no-plan"
        )


def test_a_side_that_the_mapping_does_not_know_is_read_as_it_stands(tmp_path):
    for mine, _, _ in both_ways(tmp_path, [("AQ-1001", "18.03.2026", "07.30", "Bilateral")]):
        assert mine[0][1] == "needs-review" and "bilateral" in mine[0][2].casefold()
    for mine, findings, _ in both_ways(tmp_path, [("AQ-1001", "18.03.2026", "07.30", "beidseits")]):
        assert mine[0][1] == "current" and [code for code, _ in findings] == ["WKX453"]


def test_an_operation_that_is_called_off_is_not_on_the_list(tmp_path):
    (tmp_path / "m.yaml").write_text(FOREIGN.replace("Nr, ", "Nr, status: Stand, "))
    for word, verdict in (("Cancelled by surgeon", "no-case"), ("geplant", "current"), ("", "current")):
        (tmp_path / "list.csv").write_text(f"Nr;Tag;Zeit;Seite;Narkose;Stand\nAQ-1001;18.03.2026;07.30;li;ITN;{word}\n")
        given = {"theatre_list": str(tmp_path / "list.csv"), "mapping": str(tmp_path / "m.yaml")}
        found = gaps(PLAN, as_of="2026-03-02", **given)
        assert [r.verdict for r in found.whole.rows if r.kind == "plan"] == [verdict]


@pytest.mark.parametrize(("zone", "date", "day", "hour", "verdict"), [
    ("America/Chicago", "%d.%m.%Y", "18.03.2026", "07.30", "current"),
    ("UTC", "%d.%m.%Y", "18.03.2026", "12.30", "current"),
    ("UTC", "%d.%m.%Y", "18.03.2026", "07.30", "needs-review"),
    ("UTC", "%d.%m.%Y", "19.03.2026", "01.30", "needs-review"),  # 20:30 of the plan's day
    ("UTC", "%d.%m.%Y", "18.03.2026", "", "current"),
    ("UTC", "%Y-%m-%dT%H:%M%z", "2026-03-18T14:30+02:00", "", "current"),
    ("America/Chicago", "%Y-%m-%dT%H:%M%z", "2026-03-19T01:30+00:00", "", "needs-review"),
    ("America/Chicago", "%Y-%m-%dT%H:%M", "2026-03-18T00:00", "", "current"),
])  # fmt: skip
def test_an_hour_counts_by_the_clinics_clock_as_in_a_list_without_a_mapping(tmp_path, zone, date, day, hour, verdict):
    """The mapping's zone is that of times without an offset (sources/README.md); 07:30 CDT is 12:30Z, 14:30+02:00."""
    said = FOREIGN.replace("America/Chicago", zone).replace("%d.%m.%Y", date)
    (tmp_path / "m.yaml").write_text(said if hour else said.replace(", time: Zeit", ""))
    (tmp_path / "list.csv").write_text(f"Nr;Tag;Zeit;Seite;Narkose\nAQ-1001;{day};{hour};li;ITN\n")
    found = gaps(PLAN, as_of="2026-03-02", theatre_list=str(tmp_path / "list.csv"), mapping=str(tmp_path / "m.yaml"))
    assert [r.verdict for r in found.whole.rows if r.kind == "plan"] == [verdict]


def test_a_plan_is_compiled_for_the_same_hour(tmp_path):
    (tmp_path / "m.yaml").write_text(FOREIGN.replace("America/Chicago", "UTC"))
    (tmp_path / "list.csv").write_text("Nr;Tag;Zeit;Seite;Narkose\nAQ-1;18.03.2026;12.30;li;ITN\n")
    (one,) = read_cases(str(tmp_path / "list.csv"), "", str(tmp_path / "m.yaml"), lambda _: "America/Chicago")
    assert one.surgery == "2026-03-18T07:30-05:00"


def test_the_side_in_the_name_of_the_operation_is_compared(tmp_path):
    (tmp_path / "m.yaml").write_text(FOREIGN.replace("Nr, ", "Nr, procedure: Eingriff, "))
    text = "Nr;Tag;Zeit;Seite;Narkose;Eingriff\nAQ-1001;18.03.2026;07.30;;ITN;right ankle replacement\n"
    (tmp_path / "list.csv").write_text(text)
    found = gaps(PLAN, as_of="2026-03-02", theatre_list=str(tmp_path / "list.csv"), mapping=str(tmp_path / "m.yaml"))
    assert "right ankle replacement, the plan says left" in next(r for r in found.whole.rows if r.kind == "plan").reason


ADT = (
    "MSH|^~\\&|ADT|AQ|W|AQ|20260301080000||ADT^A40^ADT_A39|M1|P|2.5.1\rEVN||20260301080000\r"
    "PID|1||{}^^^AQ^MR\rMRG|{}^^^AQ^MR\r"
)


@pytest.mark.parametrize(("kept", "gone", "listed"), [("AQ-1001", "AQ-77", "AQ-77"), ("AQ-77", "AQ-1001", "AQ-77")])
def test_a_number_that_was_merged_with_the_plans_is_the_same_patient_on_the_theatre_list(tmp_path, kept, gone, listed):
    """HL7 v2.5.1 chapter 3, A40: what belonged to the identifier of MRG-1 belongs to that of PID-3."""
    (tmp_path / "m.yaml").write_text(MAPPING)
    (tmp_path / "adt.hl7").write_text(ADT.format(kept, gone))
    (tmp_path / "list.csv").write_text(f"date,mrn\n2026-03-19,{listed}\n2026-03-19,AQ-3\n")
    given = {"as_of": "2026-03-02", "theatre_list": str(tmp_path / "list.csv"), "mapping": str(tmp_path / "m.yaml")}
    apart = gaps(PLAN, **given).whole
    merged = gaps(PLAN, str(tmp_path / "adt.hl7"), **given).whole
    said = [{(r.identifier.partition("|")[2], r.verdict) for r in w.rows if r.kind == "plan"} for w in (apart, merged)]
    assert said[0] == {("AQ-1001", "current"), ("AQ-77", "no-plan"), ("AQ-3", "no-plan")}
    assert said[1] == {("AQ-1001", "date-differs"), ("AQ-3", "no-plan")}


def test_two_plans_under_two_numbers_of_one_patient_have_a_case_each(tmp_path):
    """Two joints, the second planned under the number that was given up: nobody is without a plan, or planned twice."""
    (tmp_path / "m.yaml").write_text(MAPPING)
    (tmp_path / "adt.hl7").write_text(ADT.format("AQ-1001", "AQ-77"))
    other = (BUNDLES / "demo-left" / "plan.bundle.json").read_text().replace("AQ-1001", "AQ-77")
    (tmp_path / "other.json").write_text(other.replace("2026-03-", "2026-09-").replace("urn:uuid:", "urn:uuid:9"))
    (tmp_path / "list.csv").write_text("date,mrn\n2026-03-18,AQ-1001\n2026-09-18,AQ-77\n")
    found = gaps(
        PLAN, str(tmp_path / "other.json"), str(tmp_path / "adt.hl7"), as_of="2026-03-02",
        theatre_list=str(tmp_path / "list.csv"), mapping=str(tmp_path / "m.yaml"),
    )  # fmt: skip
    assert [r.verdict for r in found.whole.rows if r.kind == "plan"] == ["current", "current"]
