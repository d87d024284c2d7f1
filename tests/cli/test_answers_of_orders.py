"""An answer and the order it was given for, from the command line: the order changes, the answer is no answer."""

from __future__ import annotations

import json
import re

import pytest
import requests

from cli.test_medicines import PATIENT, bundle, order
from waykeeper.cli.main import main
from waykeeper.exchange import Server
from waykeeper.exchange.reading import plan_resources
from waykeeper.fhir import read_all
from waykeeper.fhir.names import TASK_CODES
from waykeeper.plan.model import Identifier, Key
from waykeeper.sandbox import running

WHO = "https://alder-quay.example/mrn|AQ-7714"
ROW = "MedicationRequest/row-1"
DAY = ["--surgery", "2026-03-18T07:30", "--anaesthesia", "general"]
CHANGED = "changed from 'apixaban 5 mg tablet' to 'rivaroxaban 20 mg tablet' since the answer of Sun 2026-03-01"


class Clinic:
    """One server, one patient, one order; each word is a command."""

    def __init__(self, url, folder, capsys):
        self.url, self.folder, self.capsys = url, folder, capsys
        self.put(PATIENT)

    def put(self, resource):
        place = f"{self.url}/{resource['resourceType']}/{resource['id']}"
        assert requests.put(place, json=resource, timeout=30).status_code in (200, 201)

    def lists(self, words, number=1, status="active"):
        row = order(number, {"words": words, "status": status})
        self.put({k: v for k, v in row.items() if v} | {"subject": {"reference": "Patient/p"}})

    def run(self, *words, code=0):
        self.capsys.readouterr()
        assert main(list(words)) == code, self.capsys.readouterr().err
        return self.capsys.readouterr()

    def compile_and_push(self):
        plan = str(self.folder / "plan.json")
        words = ["total-ankle-replacement", "--clinic", "clinic-demo", *DAY, "--side", "left"]
        self.run("compile", *words, "--from", self.url, "--patient-identifier", WHO, "-o", plan)
        return self.run("push", plan, "--to", self.url).out

    def note(self, item, *words, code=0, what="answered", on="2026-03-01"):
        who = ["--to", self.url, "--patient", WHO, "--by", "Dr Reed", "--on", on]
        return self.run("note", item, what, *words, *who, code=code)

    def pauses(self, words, days, kind="hold"):
        """An order, and a plan that was made with the answer to pause it."""
        self.lists(words)
        self.compile_and_push()
        self.note(f"{kind}/{ROW}", "--days", days)
        self.compile_and_push()

    def gaps(self, item, as_of="2026-03-02"):
        rows = json.loads(self.run("gaps", "--from", self.url, "--as-of", as_of, "--format", "json").out)["rows"]
        return next(r for r in rows if r["item"] == item)

    def medicine(self):
        words = ["--from", self.url, "--patient-identifier", WHO, "--clinic", "clinic-demo", *DAY, "--format", "json"]
        return json.loads(self.run("medicines", *words).out)["rows"][0]

    def sheet(self):
        page = self.folder / "sheet.html"
        self.run("sheet", "--from", self.url, "--patient", WHO, "--as-of", "2026-03-02", "--html", str(page))
        return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.read_text()))


@pytest.fixture
def clinic(tmp_path, capsys):
    with running() as url:
        yield Clinic(url, tmp_path, capsys)


def test_an_order_that_names_another_medicine_is_asked_about_anew(clinic):
    clinic.pauses("apixaban 5 mg tablet", "2")
    assert "Last day you may take it: Sunday, March 15, 2026" in clinic.sheet()
    clinic.lists("rivaroxaban 20 mg tablet")
    page = clinic.medicine()
    assert (page["answered"], page["missed_days"]) == (False, 2) and CHANGED in page["question"]
    assert "[hold round 2]: answered for another medicine" in clinic.compile_and_push()
    sheet = clinic.sheet()
    assert "rivaroxaban 20 mg tablet Do not stop or start this until we call you" in sheet
    assert "March 15, 2026 Last day" not in sheet and "Decided by Dr Reed" not in sheet
    row = clinic.gaps(f"hold/{ROW}")
    assert (row["verdict"], row["gap"], row["severity"]) == ("needs-review", True, 3)
    assert "(hold, 2 days without a dose)" in row["reason"] and "Sun 2026-03-01 by Dr Reed" in row["reason"]
    assert CHANGED in clinic.medicine()["question"]  # also after the push, until somebody answers
    assert clinic.compile_and_push().startswith("nothing to send")
    clinic.note(f"hold/{ROW}", "--days", "3")
    clinic.compile_and_push()
    assert clinic.gaps(f"hold/{ROW}")["verdict"] == "answered"
    assert (clinic.medicine()["answered"], clinic.medicine()["missed_days"]) == (True, 3)
    assert "Last day you may take it: Saturday, March 14, 2026" in clinic.sheet()


def test_the_same_medicine_in_another_text_keeps_its_answer(clinic):
    clinic.lists("apixaban 5 mg tablet")
    clinic.compile_and_push()
    clinic.note(f"hold/{ROW}", "--days", "2")
    clinic.lists("Apixaban 5mg")
    clinic.compile_and_push()
    assert (clinic.medicine()["answered"], clinic.gaps(f"hold/{ROW}")["verdict"]) == (True, "answered")


def test_an_answer_that_another_system_left_unclear_is_answered_again(clinic):
    """Its words stay in the notes; the outputs say the newest answer only."""
    clinic.lists("warfarin 5 mg")
    clinic.compile_and_push()
    ((_, state),) = read_all(plan_resources(Server(clinic.url), Identifier(*WHO.split("|"))))
    ref = state.items[Key("hold", ROW)].references["confirm"]
    confirm = requests.get(f"{clinic.url}/{ref}", timeout=30).json()
    said = {"type": {"coding": [{"system": TASK_CODES, "code": "decision"}]}, "valueString": "stop"}
    theirs = {"type": {"text": "their own"}, "valueString": "kept"}
    clinic.put({**confirm, "status": "completed", "output": [said, theirs]})
    clinic.compile_and_push()
    assert "warfarin 5 mg Do not stop or start this until we call you" in clinic.sheet()
    assert "The answer recorded (no name is recorded) is: stop." in clinic.gaps(f"hold/{ROW}")["reason"]
    assert "The answer is unclear: warfarin 5 mg" in clinic.gaps("gate/medicines-answered")["reason"]
    clinic.note(f"hold/{ROW}", "--days", "5", "--text", "asked Dr Reed")
    task = requests.get(f"{clinic.url}/Task/{confirm['id']}", timeout=30).json()
    assert [next(v for k, v in o.items() if k.startswith("value")) for o in task["output"]] == [
        "kept", "hold", 5, "asked Dr Reed",
    ]  # fmt: skip
    assert "Answered before: stop." in [n["text"] for n in task["note"]]
    clinic.compile_and_push()
    assert clinic.gaps(f"hold/{ROW}")["verdict"] == "answered"
    assert "completed already" in clinic.note(f"hold/{ROW}", "--days", "4", code=2).err  # a clear answer stands
    assert "Last day you may take it: Thursday, March 12, 2026" in clinic.sheet()


def test_an_answer_takes_the_place_of_another_only_where_the_note_says_so(clinic):
    """A slip, or a second prescriber: it could not be put right, and the patient's sheet kept the first answer.

    Who stopped by the first and shall go on by the second is called: of a blood thinner each day counts.
    """
    clinic.pauses("warfarin 5 mg", "5")
    refused = clinic.note(f"hold/{ROW}", "--decision", "continue", code=2).err
    assert (
        "completed already, on 2026-03-01: hold, 5 days (by Dr Reed on 2026-03-01)" in refused
        and "corrected" in refused
    )
    said = clinic.note(f"hold/{ROW}", "--decision", "continue", what="corrected", on="2026-03-02").out
    assert "in place of hold, 5 days (by Dr Reed on 2026-03-01)" in said
    assert "warfarin 5 mg Do not stop or start this until we call you" in clinic.sheet()
    row = clinic.gaps(f"hold/{ROW}")
    assert row["gap"] and "made with another answer (hold, 5 days)" in row["reason"] and ": continue." in row["reason"]
    row = clinic.gaps(f"hold/{ROW}", "2026-03-20")  # the day of surgery gives the patient no new sheet
    assert row["gap"] and "made with another answer (hold, 5 days)" in row["reason"]
    clinic.note(f"hold/{ROW}", what="stopped", on="2026-03-13")
    clinic.compile_and_push()
    assert "warfarin 5 mg Keep taking this" in clinic.sheet()
    row = clinic.gaps(f"hold/{ROW}", "2026-03-14")
    assert (row["verdict"], row["gap"]) == ("restart-due", True)
    assert "stopped on Fri 2026-03-13" in row["reason"] and "continue" in row["reason"]
    row = clinic.gaps(f"hold/{ROW}", "2026-03-20")  # nor does it make anybody take it again
    assert (row["verdict"], row["gap"]) == ("restart-due", True)
    clinic.note(f"hold/{ROW}", what="taken", on="2026-03-14")
    assert clinic.gaps(f"hold/{ROW}", "2026-03-14")["verdict"] == "answered"
    assert clinic.gaps(f"hold/{ROW}", "2026-03-20")["verdict"] == "answered"


def test_the_plan_made_again_with_a_correction_ends_no_question_whether_the_medicine_is_taken(clinic):
    """The row said to make the plan again and to record then whether it was stopped: by the first the row was gone,
    and the second was refused. Who had stopped a blood thinner by the answer of before was on no list."""
    clinic.lists("warfarin 5 mg")
    clinic.compile_and_push()
    assert "has no stop" in (refused := clinic.note(f"hold/{ROW}", what="stopped", code=2).err)
    assert "note that answer, then note this" in refused
    clinic.note(f"hold/{ROW}", "--days", "5")
    clinic.compile_and_push()
    said = clinic.note(f"hold/{ROW}", "--decision", "continue", what="corrected", on="2026-03-14").out
    assert "ask the patient whether it was stopped or taken meanwhile, and note that (stopped, taken); then" in said
    clinic.compile_and_push()
    row = clinic.gaps(f"hold/{ROW}", "2026-03-20")
    assert (row["verdict"], row["severity"]) == ("restart-due", 3)
    assert "It was to be stopped after Thu 2026-03-12" in row["reason"] and "(Dr Reed) is: continue" in row["reason"]
    assert "(taken)" in clinic.note(f"hold/{ROW}", what="restarted", on="2026-03-15", code=2).err
    clinic.note(f"hold/{ROW}", what="stopped", on="2026-03-13")
    row = clinic.gaps(f"hold/{ROW}", "2026-03-20")
    assert row["gap"] and "stopped on Fri 2026-03-13" in row["reason"]
    clinic.note(f"hold/{ROW}", what="taken", on="2026-03-15")
    assert clinic.gaps(f"hold/{ROW}", "2026-03-20")["verdict"] == "answered"


def test_what_a_corrected_medicine_of_a_withdrawn_plan_asks_to_record_can_be_recorded(clinic):
    """The row of the graver sort asked for the stop, or for `corrected, already stopped`: both were refused, for
    nothing is noted on a withdrawn plan, so that it stayed for whoever does not take the medicine any more."""
    clinic.pauses("warfarin 5 mg", "5")
    clinic.note(f"hold/{ROW}", "--decision", "continue", what="corrected", on="2026-03-14")
    where = ["--from", clinic.url, "--patient", WHO, "--as-of", "2026-03-15"]
    clinic.run("withdraw", "--reason", "fever", *where)
    assert "record the stop (stopped)" in clinic.gaps(f"hold/{ROW}", "2026-03-20")["next_action"]
    clinic.note(f"hold/{ROW}", what="stopped", on="2026-03-13")
    assert "corrected, already stopped" in clinic.gaps(f"hold/{ROW}", "2026-03-20")["next_action"]
    no = ("--decision", "already stopped")
    assert "note it as corrected" in clinic.note(f"hold/{ROW}", *no, on="2026-03-16", code=2).err
    clinic.note(f"hold/{ROW}", *no, what="corrected", on="2026-03-16")
    assert not clinic.gaps(f"hold/{ROW}", "2026-03-20")["gap"]
    assert "withdrawn plan" in clinic.note(f"hold/{ROW}", "--days", "5", what="corrected", code=2).err


def test_a_medicine_without_a_hold_of_its_own_is_recorded_as_taken_and_as_restarted(clinic):
    """One that was not recognised and pauses by its answer: what its row asked to record was refused (taken), or was
    written and not read (restarted, of a withdrawn plan); moved, its row said that the patient goes on as now."""
    clinic.pauses("zorblax 3 mg", "7", kind="medicine")
    clinic.note(f"medicine/{ROW}", what="stopped", on="2026-03-10")
    where = ["--from", clinic.url, "--patient", WHO, "--as-of", "2026-03-12"]
    clinic.run("move", *where, "--surgery", "2026-04-29T07:30")
    assert clinic.gaps(f"medicine/{ROW}", "2026-03-12")["verdict"] == "restart-due"
    clinic.note(f"medicine/{ROW}", what="restarted", on="2026-03-12")
    assert clinic.gaps(f"medicine/{ROW}", "2026-03-12")["verdict"] == "needs-review"  # for the new day, as before
    clinic.note(f"medicine/{ROW}", "--days", "7", on="2026-03-12")
    clinic.run("move", *where)
    clinic.note(f"medicine/{ROW}", what="taken", on="2026-04-25")
    assert clinic.gaps(f"medicine/{ROW}", "2026-04-26")["verdict"] == "taken"
    clinic.run("withdraw", "--from", clinic.url, "--patient", WHO, "--as-of", "2026-04-26", "--reason", "fever")
    assert clinic.gaps(f"medicine/{ROW}", "2026-04-26")["verdict"] == "restart-due"
    clinic.note(f"medicine/{ROW}", what="restarted", on="2026-04-26")
    assert clinic.gaps(f"medicine/{ROW}", "2026-04-26")["verdict"] == "restarted"


@pytest.mark.parametrize("over", [False, True])
def test_where_a_restart_is_asked_for_it_is_recorded_that_the_medicine_is_not_taken_any_more(clinic, over):
    """The decision may be no. Of a withdrawn plan it could not be noted at all; of a moved one the row stayed."""
    clinic.pauses("warfarin 5 mg", "5")
    clinic.note(f"hold/{ROW}", what="stopped", on="2026-03-13")
    where = ["--from", clinic.url, "--patient", WHO, "--as-of", "2026-03-14"]
    clinic.run(*(("withdraw", "--reason", "fever") if over else ("move", "--surgery", "2026-04-29T07:30")), *where)
    row = clinic.gaps(f"hold/{ROW}", "2026-03-14")
    assert row["verdict"] == "restart-due" and "corrected, already stopped" in row["next_action"]
    no = ("--decision", "already stopped")
    if not over:  # said of a medicine that is paused too: its restart is asked for all the same
        clinic.note(f"hold/{ROW}", *no, on="2026-03-14")
        assert clinic.gaps(f"hold/{ROW}", "2026-03-14")["verdict"] == "restart-due"
    said = clinic.note(f"hold/{ROW}", *no, what="corrected", on="2026-03-14").out
    assert "make the plan again" not in said or not over
    assert not clinic.gaps(f"hold/{ROW}", "2026-03-14")["gap"]
    assert not clinic.gaps(f"hold/{ROW}", "2026-05-14")["gap"]


def test_a_medicine_gone_from_the_list_that_was_closed_by_a_slip_is_opened_again_or_answered(clinic):
    """Its row was off the list for good: reopened and answered were refused once it was closed."""
    clinic.lists("warfarin 5 mg")
    clinic.lists("lisinopril 10 mg tablet", 2)
    clinic.compile_and_push()
    clinic.lists("warfarin 5 mg", status="entered-in-error")
    clinic.compile_and_push()
    assert "is not on the newest one" in clinic.gaps(f"hold/{ROW}")["reason"]
    clinic.note(f"hold/{ROW}", "--text", "another patient's", what="closed")
    assert not clinic.gaps(f"hold/{ROW}")["gap"]
    clinic.note(f"hold/{ROW}", "--text", "it is hers", what="reopened")
    assert "is not on the newest one" in clinic.gaps(f"hold/{ROW}")["reason"]
    clinic.note(f"hold/{ROW}", "--text", "another patient's", what="closed")
    assert not clinic.gaps(f"hold/{ROW}")["gap"]
    clinic.note(f"hold/{ROW}", "--decision", "already stopped")
    assert not clinic.gaps(f"hold/{ROW}")["gap"]


def test_a_file_of_the_record_is_as_good_as_the_servers(clinic, tmp_path):
    """`medicines --patient FILE --from SERVER`: the file's order names another medicine than the answer's."""
    clinic.lists("apixaban 5 mg tablet")
    clinic.compile_and_push()
    clinic.note(f"hold/{ROW}", "--days", "2")
    record = tmp_path / "record.json"
    record.write_text(bundle(PATIENT, order(1, {"words": "rivaroxaban 20 mg tablet"})))
    words = ["medicines", "--patient", str(record), "--from", clinic.url, "--clinic", "clinic-demo", *DAY]
    (row,) = json.loads(clinic.run(*words, "--format", "json").out)["rows"]
    assert row["answered"] is False and CHANGED in row["question"]
    assert "changed from" in clinic.run(*words).out
