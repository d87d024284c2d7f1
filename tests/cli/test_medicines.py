"""`waykeeper medicines` end to end: one line for each entry, the days, the answers, the other operation, the form."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
import requests

import waykeeper
from medicines.case_files import load
from waykeeper.cli.main import main
from waykeeper.pathway.library import folder
from waykeeper.sandbox import running

MANY = folder("sandbox_bundles") / "many-medicines" / "record.bundle.json"
GIVEN = ["medicines", "--clinic", "clinic-demo", "--surgery", "2026-03-18T07:30", "--as-of", "2026-03-02"]
PATIENT = {
    "resourceType": "Patient", "id": "p", "name": [{"text": "Odile Farrow"}], "birthDate": "1951-04-05",
    "identifier": [{"system": "https://alder-quay.example/mrn", "value": "AQ-7714"}],
    "meta": {"security": [{"system": "http://terminology.hl7.org/CodeSystem/v3-ActReason", "code": "HTEST"}]},
}  # fmt: skip
NO_WORDS = "MedicationRequest, name missing"
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"


def order(number: int, given: dict[str, Any]) -> dict[str, Any]:
    """A line of the list of sixty as a FHIR resource, the way a record holds it."""
    coded = {"coding": [{"system": RXNORM, "code": given["code"]}]} if given.get("code") else {}
    repeat = {"period": int(given["period"]), "periodUnit": "d", "frequency": 1} if given.get("period") else {}
    dosage = {
        **({"text": given["schedule"]} if given.get("schedule") else {}),
        **({"route": {"text": given["route"]}} if given.get("route") else {}),
        **({"timing": {"repeat": repeat}} if repeat else {}),
    }  # fmt: skip
    said = number % 3 == 0
    return {
        "resourceType": "MedicationStatement" if said else "MedicationRequest", "id": f"row-{number}",
        "status": given.get("status", "active"), "medicationCodeableConcept": {"text": given["words"], **coded},
        "reasonCode": [{"text": text} for text in given.get("indication", ())],
        **({} if said else {"intent": "order"}),
        **({"dosage" if said else "dosageInstruction": [dosage]} if dosage else {}),
    }  # fmt: skip


def given_dose(order_: dict[str, Any], day: str) -> dict[str, Any]:
    """The record of a dose that was really given for an order."""
    return {
        "resourceType": "MedicationAdministration", "id": f"given-{order_['id']}", "status": "completed",
        "request": {"reference": f"{order_['resourceType']}/{order_['id']}"}, "effectiveDateTime": day,
    }  # fmt: skip


def bundle(*resources: dict[str, Any]) -> str:
    return json.dumps({"resourceType": "Bundle", "type": "collection", "entry": [{"resource": r} for r in resources]})


def run(capsys: Any, *words: str) -> str:
    assert main([*GIVEN, *words]) == 0
    return str(capsys.readouterr().out)


def rows(capsys: Any, *words: str) -> list[dict[str, Any]]:
    found = json.loads(run(capsys, "--format", "json", *words))["rows"]
    assert isinstance(found, list)
    return found


def test_sixty_entries_come_out_of_the_command_as_sixty_lines(tmp_path, capsys):
    given = load("sixty.yaml")["list"]
    record = tmp_path / "record.json"
    orders = [order(n, one) for n, one in enumerate(given)]
    doses = [given_dose(o, g["last_taken"]) for o, g in zip(orders, given, strict=True) if "last_taken" in g]
    record.write_text(bundle(PATIENT, *orders, *doses))
    found = rows(capsys, "--patient", str(record), "--html", str(tmp_path / "page.html"))
    assert [r["words"] for r in found] == [one["words"] or NO_WORDS for one in given]
    assert [r["source"].partition("/")[2] for r in found] == [f"row-{n}" for n in range(60)]
    text = run(capsys, "--patient", str(record))
    assert len(re.findall(r"(?m)^\d+\. ", text)) == 60
    assert (tmp_path / "page.html").read_text().count('class="sign"') == 60
    for row, one in zip(found, given, strict=True):
        if "wrong" in one:
            assert row["decision"] == "ask" and row["question"], row["words"]
        else:
            days = None if one.get("missed_days") is None else int(one["missed_days"])
            wanted = (one["words"], one["decision"], days, True)
            assert (row["words"], row["decision"], row["missed_days"], row["recognised"]) == wanted, row["question"]


def test_every_row_says_what_a_prescriber_needs(capsys):
    (apixaban,) = [r for r in rows(capsys, "--patient", str(MANY)) if r["words"] == "apixaban 5 mg"]
    assert {k: apixaban[k] for k in ("decision", "missed_days", "last_dose", "first_missed", "rule")} == {
        "decision": "hold", "missed_days": 3, "last_dose": "2026-03-14", "first_missed": "2026-03-15",
        "rule": "anticoagulants/apixaban",
    }  # fmt: skip
    assert apixaban["year"] == "2019" and "PAUSE, JAMA Intern Med 2019" in apixaban["cite"]
    assert apixaban["confidence"] == "M-H" and apixaban["restart"] and apixaban["restart_by"] == "surgeon"
    assert "policy" in apixaban and "two anticoagulants" in apixaban["question"]


def test_the_anaesthesia_chooses_the_interval(capsys):
    days = {}
    for anaesthesia in ("general", "spinal", "unknown"):
        found = rows(capsys, "--patient", str(MANY), "--anaesthesia", anaesthesia)
        days[anaesthesia] = next(r["missed_days"] for r in found if r["words"] == "apixaban 5 mg")
    assert days == {"general": 2, "spinal": 3, "unknown": 3}


def test_a_day_that_is_over_is_said_first(capsys):
    text = run(capsys, "--patient", str(MANY), "--as-of", "2026-03-16")
    late = "LATE: apixaban 5 mg: last dose should have been Sat 2026-03-14; call the surgeon's office today"
    joined = " ".join(text.split())
    assert "LATE: warfarin 2.5 mg" not in joined, "it is on hold already: there is no last dose to come"
    assert late in joined and joined.index("LATE:") < joined.index("1. NOT RECOGNISED")


def test_explain_shows_how_each_day_was_counted(capsys):
    text = " ".join(run(capsys, "--patient", str(MANY), "--explain").split())
    assert "how: N = 3: last dose on day -(3 + 1) = Sat 2026-03-14" in text
    assert "how:" not in run(capsys, "--patient", str(MANY))


def test_orders_that_are_none_stand_on_the_page_in_their_own_words(tmp_path, capsys):
    """FHIR R4: doNotPerform forbids, entered-in-error was never ordered, proposal is no order yet."""
    record, html = tmp_path / "record.json", tmp_path / "page.html"
    orders = [order(n + 1, {"words": w}) for n, w in enumerate(["apixaban 5 mg", "warfarin 5 mg"])]
    orders[0]["doNotPerform"], orders[1]["status"] = True, "entered-in-error"
    orders.append({**order(4, {"words": "ramipril 5 mg"}), "intent": "proposal"})
    record.write_text(bundle(PATIENT, *orders))
    text = " ".join(run(capsys, "--patient", str(record), "--html", str(html)).split())
    assert "1. NEEDS REVIEW, THE PRESCRIBER MUST DECIDE: apixaban 5 mg read as:" in text
    assert "question: needs review, the prescriber must decide: the order says that it is not to be given" in text
    assert "2. ASK ramipril 5 mg read as:" in text and "intent proposal" in text
    assert "the list has it as proposal only, which is no order: is it taken?" in text
    assert "3. ENTERED IN ERROR, NOT COUNTED: warfarin 5 mg read as:" in text
    assert "2 medicines on the list, 2 with a question 1 entry made in error, shown last and not counted" in text
    assert "HOLD" not in text and "last dose:" not in text.partition("ramipril")[0]
    page = html.read_text("utf-8")
    assert page.count("initials") == 2, "no box to sign for what was never ordered"
    plan = ["compile", "total-ankle-replacement", "--clinic", "clinic-demo", "--patient", str(record)]
    dates = ["--surgery", "2026-03-18T07:30", "--side", "left", "--output", str(tmp_path / "plan.json")]
    assert main([*plan, *dates]) == 0
    held = (tmp_path / "plan.json").read_text("utf-8")
    assert "Needs review: apixaban 5 mg - the prescriber must decide" in held and "Ask about ramipril 5 mg" in held
    assert "warfarin 5 mg" not in held
    assert main(["sheet", str(tmp_path / "plan.json"), "--html", "-", "--as-of", "2026-03-02"]) == 0
    sheet = capsys.readouterr().out
    assert "apixaban 5 mg" in sheet and "warfarin" not in sheet


@pytest.mark.parametrize(
    ("surgery", "code", "said"),
    [
        ("2026-03-18T00:00", "WKL109", "surgery on Wed 2026-03-18 00:00 begins in the night"),
        ("2026-03-18", "WKL105", "surgery on 2026-03-18 has no time of day"),
        ("2026-03-22T07:30", "WKL106", "surgery on Sun 2026-03-22 07:30 is a day on which the clinic is closed"),
        ("2026-05-25T07:30", "WKL106", "surgery on Mon 2026-05-25 07:30 is a day on which the clinic is closed"),
        ("2025-03-18T07:30", "WKL108", "surgery on Tue 2025-03-18 07:30, and the record has an entry of"),
    ],
)
def test_what_is_odd_about_the_day_of_surgery_is_said_as_compile_says_it(surgery, code, said, tmp_path, capsys):
    """Every last dose by the hour is counted from it; Mon 2026-05-25 is Memorial Day (5 USC 6103)."""
    page = tmp_path / "page.html"
    given = ["medicines", "--clinic", "clinic-demo", "--surgery", surgery, "--patient", str(MANY), "--html", str(page)]
    assert main(given) == 0
    told = capsys.readouterr()
    assert f"{code} warning: {said}" in told.err
    shown = re.sub(r"<[^>]+>", "", page.read_text("utf-8"))
    assert said in " ".join(told.out.split()) and said in shown
    assert main([*GIVEN, "--patient", str(MANY)]) == 0
    assert code not in capsys.readouterr().err, "on an ordinary morning nothing is said"


def test_a_record_without_a_medicine_list_says_so_loudly(tmp_path, capsys):
    """Absent is not none: common practice, no source."""
    record = tmp_path / "record.json"
    record.write_text(bundle(PATIENT))
    assert main([*GIVEN, "--patient", str(record)]) == 0, "a warning, like those of compile"
    told = capsys.readouterr()
    said = "the record holds no medicine list: absent is not none, ask what the patient takes"
    assert f"ALERT: {said}" in " ".join(told.out.split())
    assert f"WKM304 warning: {said}" in told.err
    assert main([*GIVEN, "--patient", str(record), "--format", "json"]) == 0
    found = json.loads(capsys.readouterr().out)["findings"]
    assert found == [{"code": "WKM304", "severity": "warning", "details": said}]
    record.write_text(bundle(PATIENT, order(1, {"words": "metoprolol 50 mg"})))
    assert main([*GIVEN, "--patient", str(record)]) == 0
    assert "no medicine list" not in "".join(capsys.readouterr())


def test_an_egfr_is_named_and_not_used(tmp_path, capsys):
    """PAUSE, JAMA Intern Med 2019, used Cockcroft-Gault; an eGFR is never put in its place."""
    egfr = {
        "resourceType": "Observation", "id": "e", "status": "final", "effectiveDateTime": "2026-02-20",
        "code": {"coding": [{"system": "http://loinc.org", "code": "98979-8"}]},
        "valueQuantity": {"value": 38, "unit": "mL/min/{1.73_m2}"},
    }  # fmt: skip
    record = tmp_path / "record.json"
    record.write_text(bundle(PATIENT, egfr, order(1, {"words": "dabigatran etexilate 150 mg"})))
    text = " ".join(run(capsys, "--patient", str(record)).split())
    said = "an eGFR of 38 of Fri 2026-02-20 is recorded; Cockcroft-Gault needs the creatinine: it is not used"
    assert f"kidney: {said}" in text and f"Kidney ask: {said}" in text


def test_names_and_identifiers(capsys, tmp_path):
    record = tmp_path / "record.json"
    record.write_text(bundle(PATIENT))
    assert "Odile Farrow, born 1951-04-05, ...714," in " ".join(run(capsys, "--patient", str(record)).split())
    shown = run(capsys, "--patient", str(record), "--show-identifiers")
    assert "Odile Farrow, born 1951-04-05, AQ-7714," in " ".join(shown.split())
    record.write_text(bundle({k: v for k, v in PATIENT.items() if k != "identifier"}))
    assert "Odile Farrow, born 1951-04-05, surgery" in " ".join(run(capsys, "--patient", str(record)).split())


def test_a_policy_of_an_overlay_counts_as_in_a_plan(capsys, tmp_path):
    (tmp_path / "overlays").mkdir()
    clinic = (folder("pathways") / "clinic-demo.yaml").read_text()
    (tmp_path / "clinic.yaml").write_text(clinic.replace("[nothing-after-midnight]", "[strict]"))
    (tmp_path / "overlays" / "strict.yaml").write_text(
        "overlay: strict\ntitle: Weekly injections pause\nfor: [total-ankle-replacement]\n"
        "policies: {glp1: ASA2023_HOLD}\n"
    )
    found = rows(capsys, "--patient", str(MANY), "--clinic", str(tmp_path / "clinic.yaml"))
    (weekly,) = [r for r in found if r["words"].startswith("semaglutide")]
    assert (weekly["policy"], weekly["last_dose"]) == ("ASA2023_HOLD", "2026-03-04")
    plan = waykeeper.compile(
        "total-ankle-replacement", clinic=str(tmp_path / "clinic.yaml"), patient=str(MANY),
        surgery="2026-03-18T07:30", side="left",
    ).plan  # fmt: skip
    planned = next(i.hold for i in plan.items if i.hold and i.hold.words.startswith("semaglutide"))
    assert (planned.policy, str(planned.last_dose)) == ("ASA2023_HOLD", "2026-03-04")


def test_the_page_and_the_plan_propose_the_same(capsys):
    plan = waykeeper.compile(
        "total-ankle-replacement", clinic="clinic-demo", patient=str(MANY), surgery="2026-03-18T07:30", side="left"
    ).plan
    planned = {i.key.item: i.hold for i in plan.items if i.hold}
    found = rows(capsys, "--patient", str(MANY))
    assert len(found) == len(planned)
    for row in found:
        hold = planned[row["key"]]
        last = str(hold.last_dose) if hold.last_dose else None
        assert (row["decision"], row["missed_days"], row["last_dose"]) == (hold.decision, hold.missed_days, last)


def test_a_coronary_stent_of_the_record_stops_every_pause_of_what_keeps_it_open(capsys, tmp_path):
    """With a stent cardiology decides (DAPT review, Korean J Anesthesiol; AHA/ACC 2024, summary)."""
    icd = "http://hl7.org/fhir/sid/icd-10-cm"
    stent = {"resourceType": "Condition", "id": "c", "code": {"coding": [{"system": icd, "code": "Z95.5"}]}}
    clopidogrel = order(1, {"words": "clopidogrel 75 mg"})
    record = tmp_path / "record.json"
    record.write_text(bundle(PATIENT, clopidogrel))
    (alone,) = rows(capsys, "--patient", str(record), "--anaesthesia", "general")
    record.write_text(bundle(PATIENT, stent, clopidogrel))
    (asked,) = rows(capsys, "--patient", str(record), "--anaesthesia", "general")
    assert (alone["decision"], alone["missed_days"]) == ("hold", 5)
    assert (asked["decision"], asked["missed_days"]) == ("ask", None)
    assert "cardiolog" in asked["confirm_by"] + asked["question"]
    refuted = {**stent, "verificationStatus": {"coding": [{"code": "refuted"}]}}
    record.write_text(bundle(PATIENT, refuted, clopidogrel))
    assert rows(capsys, "--patient", str(record), "--anaesthesia", "general")[0]["decision"] == "hold"


@pytest.fixture(scope="module")
def server() -> Any:
    with running() as url:
        yield url


def test_answers_and_a_second_operation_are_read_from_the_server(server, capsys, tmp_path):
    """Two live episodes: the longer hold is shown and both are named; the prescriber's answer is the truth."""
    record = tmp_path / "record.json"
    record.write_text(bundle(PATIENT, order(1, {"words": "warfarin 5 mg"}), order(2, {"words": "ibuprofen 200 mg"})))
    _stored(server, PATIENT)
    for entry in json.loads(record.read_text())["entry"][1:]:
        _stored(server, {**entry["resource"], "subject": {"reference": "Patient/p"}})
    out = str(tmp_path / "plan.json")
    for episode, surgery in (("1", "2026-03-18T07:30"), ("2", "2026-03-25T07:30")):
        words = ["--patient", str(record), "--surgery", surgery, "--episode", episode, "--side", "left"]
        assert main(["compile", "total-ankle-replacement", "--clinic", "clinic-demo", *words, "-o", out]) == 0
        assert main(["push", out, "--to", server]) == 0
    note = ["--to", server, "--patient", "https://alder-quay.example/mrn|AQ-7714", "--by", "Dr Example"]
    warfarin = "MedicationRequest/row-1"
    assert main(["note", f"hold/{warfarin}", "answered", "--decision", "hold", "--days", "6", *note]) == 0
    capsys.readouterr()
    found = rows(capsys, "--patient", str(record), "--from", server)
    assert (found[0]["answered"], found[0]["missed_days"], found[0]["last_dose"]) == (True, 6, "2026-03-11")
    # the second operation is a week later: the hold of the first one begins earlier
    second = rows(capsys, "--patient", str(record), "--from", server, "--surgery", "2026-03-25T07:30", "--episode", "2")
    assert (second[0]["decision"], second[0]["last_dose"]) == ("ask", "2026-03-12")
    assert "this one and Total ankle replacement left, episode 1" in second[0]["question"]
    assert any("episode 1 on Wed 2026-03-18: N = 5" in a for a in second[0]["alternatives"])
    made = waykeeper.compile(
        "total-ankle-replacement", clinic="clinic-demo", patient=str(record), surgery="2026-03-25T07:30", side="left",
        episode=2, from_=server,
    )  # fmt: skip
    hold = next(i.hold for i in made.plan.items if i.hold and i.hold.words == "warfarin 5 mg")
    assert (hold.decision, str(hold.last_dose)) == ("ask", "2026-03-12")
    assert "episode 1" in hold.question
    # another joint that has no plan yet is the first episode too: what was answered for the ankle is no answer to it
    knee = rows(capsys, "--patient", str(record), "--from", server, "--surgery", "2026-04-01T07:30")
    assert (knee[0]["answered"], knee[0]["decision"]) == (False, "ask")
    assert [a.partition(" on ")[0] for a in knee[0]["alternatives"]] == [
        f"Total ankle replacement left, episode {n}" for n in (1, 2)
    ]
    # of a plan that is named the answers are shown for another day too: what would a move mean?
    name = ["--pathway", "total-ankle-replacement"]
    moved = rows(capsys, "--patient", str(record), "--from", server, "--surgery", "2026-04-01T07:30", *name)
    assert moved[0]["answered"] and [a for a in moved[0]["alternatives"] if "episode 1" in a] == []


def _stored(server: str, resource: dict[str, Any]) -> None:
    place = f"{server}/{resource['resourceType']}/{resource['id']}"
    content = {k: v for k, v in resource.items() if v}
    answer = requests.put(place, json=content, timeout=30)
    assert answer.status_code in (200, 201), answer.text


def test_files_are_written_whole_and_private(capsys, tmp_path):
    page = tmp_path / "page.html"
    run(capsys, "--patient", str(MANY), "--html", str(page))
    assert Path(page).stat().st_mode & 0o777 == 0o600
    assert page.read_text().startswith("<!doctype html>")


def test_a_hold_that_is_counted_in_hours_is_asked_again_for_another_hour(capsys, tmp_path):
    """ACE inhibitor 24 h before the start (AHA/ACC 2024): answered for 13:00, it does not hold for 07:30."""
    record, out = tmp_path / "record.json", str(tmp_path / "plan.json")
    record.write_text(bundle(PATIENT, order(1, {"words": "lisinopril 10 mg"}), order(2, {"words": "warfarin 5 mg"})))
    identifier = "https://alder-quay.example/mrn|AQ-7714"
    with running() as url:
        _stored(url, PATIENT)
        for entry in json.loads(record.read_text())["entry"][1:]:
            _stored(url, {**entry["resource"], "subject": {"reference": "Patient/p"}})
        words = ["--clinic", "clinic-demo", "--patient", str(record), "--side", "left", "--anaesthesia", "general"]
        assert main(["compile", "total-ankle-replacement", "--surgery", "2026-03-18T13:00", *words, "-o", out]) == 0
        assert main(["push", out, "--to", url]) == 0
        for number, days in ((1, "0"), (2, "5")):
            note = ["note", f"hold/MedicationRequest/row-{number}", "answered", "--decision", "hold", "--days", days]
            assert main([*note, "--to", url, "--patient", identifier, "--by", "Dr Example"]) == 0
        moved = ["move", "--from", url, "--patient", identifier, "--surgery", "2026-03-18T07:30"]
        assert main([*moved, "--record", str(record)]) == 0
        capsys.readouterr()
        shown = rows(capsys, "--patient", str(record), "--from", url, "--anaesthesia", "general")
    assert [r["answered"] for r in shown] == [False, True]


def test_t88_an_unanswered_hold_is_no_instruction_to_the_patient(tmp_path):
    """T88, hazard 32: "do not stop or start until we call you", no date beside the medicine, no alarm."""
    record, plan = tmp_path / "record.json", tmp_path / "plan.json"
    record.write_text(bundle(PATIENT, order(1, {"words": "warfarin 5 mg"})))
    words = ["--clinic", "clinic-demo", "--patient", str(record), "--side", "left", "--surgery", "2026-03-18T07:30"]
    assert main(["compile", "total-ankle-replacement", *words, "-o", str(plan)]) == 0
    page = waykeeper.sheet(str(plan), as_of="2026-03-04", language="en")
    place = page.index("warfarin 5 mg")
    said = re.sub(r"<[^>]+>", " ", page[place : place + 400])
    assert "o not stop or start" in said
    assert "March 12" not in page and "12 March" not in page and "2026-03-12" not in page
    calendar = waykeeper.calendar(str(plan), as_of="2026-03-04", language="en").decode()
    assert "warfarin" not in calendar.lower()
