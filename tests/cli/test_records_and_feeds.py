"""End to end: what a hospital's records and booking feeds hold, on the command line. Invented people only."""

from __future__ import annotations

import json

import pytest

from waykeeper.cli.main import main
from waykeeper.pathway.library import folder

MRN = "https://alder-quay.example/mrn"
PATIENT = {
    "resourceType": "Patient", "id": "p", "name": [{"text": "Odile Farrow"}], "birthDate": "1951-04-05",
    "identifier": [{"system": MRN, "value": "AQ-7714"}],
    "meta": {"security": [{"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}]},
}  # fmt: skip
SURGERY = ["--clinic", "clinic-demo", "--surgery", "2026-03-18T07:30"]
MEDICINES = ["medicines", *SURGERY, "--as-of", "2026-03-02", "--anaesthesia", "general"]
COMPILE = ["compile", "total-ankle-replacement", *SURGERY, "--side", "left", "--anaesthesia", "general"]
SUBJECT = {"reference": "Patient/p"}


def order(words="warfarin 5 mg", **more):
    said = {"resourceType": "MedicationRequest", "id": "o", "status": "active", "intent": "order", "subject": SUBJECT}
    return said | {"medicationCodeableConcept": {"text": words}} | more


def dispense(words="warfarin 5 mg"):
    return {"resourceType": "MedicationDispense", "id": "d", "status": "completed", "subject": SUBJECT,
            "medicationCodeableConcept": {"text": words}, "whenHandedOver": "2026-03-01"}  # fmt: skip


def record(tmp_path, *resources, patient=PATIENT, **bundle):
    document = {"resourceType": "Bundle", "type": "collection"} | bundle
    document["entry"] = [{"resource": r} for r in (patient, *resources)]
    path = tmp_path / "record.json"
    path.write_text(json.dumps(document))
    return str(path)


def compiled(tmp_path, path, capsys):
    code = main([*COMPILE, "--patient", path, "--output", str(tmp_path / "plan.json")])
    return code, capsys.readouterr().err, (tmp_path / "plan.json").read_text() if code == 0 else ""


def proposed(path, capsys):
    code = main([*MEDICINES, "--patient", path, "--format", "json"])
    told = capsys.readouterr()
    return code, told.err, json.loads(told.out)["rows"] if told.out else []


def test_a_dispensed_anticoagulant_is_on_the_page_and_in_the_plan(tmp_path, capsys):
    path = record(tmp_path, dispense())
    _, _, (row,) = proposed(path, capsys)
    assert (row["source"], row["decision"], row["missed_days"]) == ("MedicationDispense/d", "ask", 5)
    assert "it was dispensed, and nothing of the record orders or lists it" in row["question"]
    code, _, plan = compiled(tmp_path, path, capsys)
    assert code == 0 and "Ask about warfarin 5 mg" in plan and "MedicationDispense/d" in plan


def test_a_dispensed_medicine_that_nobody_knows_says_where_it_comes_from(tmp_path, capsys):
    _, _, (row,) = proposed(record(tmp_path, dispense("zorblix 7")), capsys)
    assert not row["recognised"] and "needs review" in row["question"] and "it was dispensed" in row["question"]


def test_an_order_that_ends_before_surgery_is_listed_and_asks(tmp_path, capsys):
    def bounded(end):
        repeat = {"boundsPeriod": {"start": "2025-01-01", **({"end": end} if end else {})}}
        return {"timing": {"repeat": {**repeat, "frequency": 1, "period": 1, "periodUnit": "d"}}}

    over = order(dosageInstruction=[bounded("2025-12-31")])
    _, _, (row,) = proposed(record(tmp_path, over), capsys)
    assert row["decision"] == "ask" and "by the list it ends before the day of surgery" in row["question"]
    for more in ([bounded("2026-03-18")], [bounded("2025-12-31"), bounded("")]):
        _, _, (row,) = proposed(record(tmp_path, order(dosageInstruction=more)), capsys)
        assert "by the list it ends" not in row["question"]


NEXT = [{"relation": "next", "url": "https://ehr.example/fhir?page=2"}]


@pytest.mark.parametrize("run", [MEDICINES, COMPILE])
def test_a_page_of_a_list_is_refused_and_says_how_to_mend_it(run, tmp_path, capsys):
    path = record(tmp_path, order(), type="searchset", total=57, link=NEXT)
    assert main([*run, "--patient", path]) == 2
    told = capsys.readouterr()
    assert "WKR105 error: a search found 57 and 2 of them are here" in told.err and 'relation "next"' in told.err
    assert not told.out


def test_all_pages_in_a_folder_are_the_whole(tmp_path, capsys):
    folder_ = tmp_path / "record"
    folder_.mkdir()
    own = [{"relation": "self", "url": NEXT[0]["url"]}]
    record(folder_, order(), type="searchset", total=3, link=NEXT)
    (folder_ / "2.json").write_text(json.dumps({
        "resourceType": "Bundle", "type": "searchset", "total": 3, "link": own, "entry": [{"resource": dispense("x")}],
    }))  # fmt: skip
    code, _, rows = proposed(str(folder_), capsys)
    assert code == 0 and len(rows) == 2


def test_compile_says_where_there_is_no_medicine_list(tmp_path, capsys):
    code, said, _ = compiled(tmp_path, record(tmp_path), capsys)
    assert code == 0 and "WKM304 warning: the record holds no medicine list" in said
    assert "WKM304" not in compiled(tmp_path, record(tmp_path, order()), capsys)[1]


@pytest.mark.parametrize("more", [
    {"active": False}, {"link": [{"type": "replaced-by", "other": {"reference": "Patient/q"}}]},
])  # fmt: skip
def test_a_record_that_is_no_longer_used(more, tmp_path, capsys):
    path = record(tmp_path, order(), patient=PATIENT | more)
    assert "WKR104 warning: the Patient is " in compiled(tmp_path, path, capsys)[1]
    assert "WKR104 warning: the Patient is " in proposed(path, capsys)[1]


def test_a_dose_in_utc_is_of_the_clinics_day(tmp_path, capsys):
    """03:30 in UTC of the 15th is 22:30 of the 14th in Chicago, before the pause begins (PAUSE: apixaban, 2 days)."""
    given = {"resourceType": "MedicationAdministration", "id": "a", "status": "completed", "subject": SUBJECT,
             "request": {"reference": "MedicationRequest/o"}, "effectiveDateTime": "2026-03-16T03:30:00Z",
             "medicationCodeableConcept": {"text": "apixaban 5 mg"}}  # fmt: skip
    main([*MEDICINES, "--as-of", "2026-03-17", "--patient", record(tmp_path, order("apixaban 5 mg"), given)])
    assert "last taken Sun 2026-03-15 22:30" in " ".join(capsys.readouterr().out.split())


def test_a_route_that_is_only_a_code_is_printed_in_words(tmp_path, capsys):
    for code, said in (("26643006", "route Oral route"), ("12345678", "route code 12345678 (not known here)")):
        coded = [
            {"text": "one in the morning", "route": {"coding": [{"system": "http://snomed.info/sct", "code": code}]}}
        ]
        main([*MEDICINES, "--patient", record(tmp_path, order(dosageInstruction=coded))])
        assert said in " ".join(capsys.readouterr().out.split())


MAPPING = f"""
mapping: the invented clinic's scheduler
zone: America/Chicago
systems: {{patient: {MRN}, booking: "https://alder-quay.example/bookings", type: "https://alder-quay.example/codes/visit-type"}}
hl7: {{authorities: {{HOSP: "{MRN}"}}}}
ics: {{patient: X-MRN, type: X-TYPE}}
"""
PLAN = str(folder("sandbox_bundles") / "demo-left" / "plan.bundle.json")


def siu(event, at, placer, filler, *patients):
    pids = "\r".join(f"PID|||{p}^^^HOSP" for p in patients)
    return (
        f"MSH|^~\\&|A|B|C|D|{at}||SIU^{event}|{at}|P|2.5.1\r"
        f"SCH|{placer}|{filler}||||||TAR-6W^6 week check|||^^^20260505093000\r{pids}\rAIS|1||TAR-6W^6 week check\r"
    )


def six_week(tmp_path, name, text, capsys, *more):
    (tmp_path / "mapping.yaml").write_text(MAPPING)
    (tmp_path / name).write_text(text, newline="")
    main(["gaps", "--from", PLAN, "--from", str(tmp_path / name), *more, "--mapping", str(tmp_path / "mapping.yaml"),
          "--as-of", "2026-05-01", "--format", "json"])  # fmt: skip
    told = capsys.readouterr()
    rows = json.loads(told.out)["rows"]
    return next(r["verdict"] for r in rows if r["item"] == "visit/six-week"), told.err


# HL7 v2.5.1 chapter 10: SCH-1, SCH-2, PID, S12, S15; demo-left is AQ-1001
FEEDS = {
    "she is the second of a class": ([("S12", "1", "", "F1", "AQ-2002", "AQ-1001")], "booked", ""),
    "another patient's cancellation under her number":
        ([("S12", "1", "", "F1", "AQ-1001"), ("S15", "2", "", "F1", "AQ-2002")], "booked", "WKX419 warning"),
    "cancelled under both numbers":
        ([("S12", "1", "P1", "", "AQ-1001"), ("S15", "2", "P1", "F1", "AQ-1001")], "rebook", ""),
    "cancelled under another number":
        ([("S12", "1", "P1", "", "AQ-1001"), ("S15", "2", "", "F9", "AQ-1001")], "needs-review", "WKX420 warning"),
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(FEEDS))
def test_what_a_feed_of_messages_says_of_her(name, tmp_path, capsys):
    messages, verdict, told = FEEDS[name]
    text = "".join(siu(event, f"2026040{day}100000", *rest) for event, day, *rest in messages)
    found, said = six_week(tmp_path, "b.hl7", text, capsys)
    assert found == verdict and told in said
    assert "AQ-" not in said


def test_a_cancelled_series_does_not_leave_a_moved_visit_booked(tmp_path, capsys):
    head = (
        "BEGIN:VEVENT",
        "UID:1",
        "DTSTAMP:20260401T100000Z",
        "SUMMARY:6 week check",
        "X-MRN:AQ-1001",
        "X-TYPE:TAR-6W",
    )
    zone = ";TZID=America/Chicago:"
    series = (*head, f"DTSTART{zone}20260407T093000", "RRULE:FREQ=WEEKLY;COUNT=3", "STATUS:CANCELLED", "SEQUENCE:3")
    moved = (*head, f"DTSTART{zone}20260505T093000", f"RECURRENCE-ID{zone}20260414T093000", "SEQUENCE:1")
    lines = (
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:x",
        *series,
        "END:VEVENT",
        *moved,
        "END:VEVENT",
        "END:VCALENDAR",
        "",
    )
    assert six_week(tmp_path, "b.ics", "\r\n".join(lines), capsys)[0] == "rebook"


def test_a_page_of_appointments_is_told(tmp_path, capsys):
    page = tmp_path / "page.json"
    page.write_text(json.dumps({"resourceType": "Bundle", "type": "searchset", "link": NEXT, "entry": []}))
    assert main(["gaps", "--from", PLAN, "--from", str(page), "--as-of", "2026-05-01"]) == 0
    assert "WKX421 warning: a search has more pages" in capsys.readouterr().err
