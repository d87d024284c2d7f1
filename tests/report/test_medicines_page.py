"""The coordinator's medicines page: text, JSON, HTML with the sign-off form."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser

import pytest

from medicines.case_files import CALENDAR, entry, kidney, load, moment
from waykeeper.medicines import MedicinesPage, clearance, page, propose
from waykeeper.plan.model import HoldAnswer
from waykeeper.report.medicines import medicines_html, medicines_json, medicines_text, questions

SURGERY = moment("2026-03-18T07:30")
WORDS = [
    "warfarin 5 mg",
    "zzzmab",
    "metoprolol 50 mg",
    "aspirin 81 mg",
    "adalimumab 40 mg pen every 2 weeks",
    "lisinopril 5 mg",
]


def made(words: list[str] = WORDS, as_of: date | None = None, answers: dict | None = None) -> MedicinesPage:
    entries = [entry({"words": w}, f"row-{n}") for n, w in enumerate(words)]
    known = kidney({"crcl": "62"}, SURGERY.day)
    policies = {"glp1": "ask"}
    rows = propose(entries, SURGERY, known, "general", policies, calendar=CALENDAR, answers=answers)
    return page(
        rows, entries, surgery=SURGERY, anaesthesia="general", clearance=clearance(known, SURGERY.day),
        policies=policies, as_of=as_of, clinic="Alder Quay Joint Clinic", patient="...4417",
    )  # fmt: skip


class Tree(HTMLParser):
    """Collects the tags in order, and fails on a tag that closes nothing."""

    VOID = frozenset({"meta", "link", "br", "img"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def tree(html: str) -> Tree:
    found = Tree()
    found.feed(html)
    assert found.open == []
    return found


def test_json_has_one_row_for_each_entry_in_the_order_of_the_list() -> None:
    data = json.loads(json.dumps(medicines_json(made())))
    assert data["schema_version"] == 1
    assert [r["words"] for r in data["rows"]] == WORDS
    wanted = {
        "source", "words", "decision", "missed_days", "last_dose", "first_missed", "restart", "rule", "policy",
        "cite", "year", "confidence", "question",
    }  # fmt: skip
    assert all(wanted <= set(r) for r in data["rows"])
    warfarin = data["rows"][0]
    assert (warfarin["decision"], warfarin["missed_days"]) == ("hold", 5)
    assert (warfarin["last_dose"], warfarin["first_missed"]) == ("2026-03-12", "2026-03-13")
    assert warfarin["rule"] == "anticoagulants/warfarin"
    assert data["rows"][4]["window"] == ["2026-02-25", "2026-03-03"]
    assert (warfarin["last_limit"], warfarin["window"]) == (None, None)
    assert data["rows"][5]["last_limit"] == "2026-03-17T07:30:00-05:00"


def test_sixty_rows_stand_on_every_form_of_the_page() -> None:
    words = [given["words"] for given in load("sixty.yaml")["list"]]
    whole = made(words)
    assert len(medicines_json(whole)["rows"]) == 60
    assert len(re.findall(r"(?m)^\d+\. ", medicines_text(whole))) == 60
    assert sum(t == "h3" for t, _ in tree(medicines_html(whole)).tags) == 60


def test_what_is_not_recognised_stands_first_and_shuts_the_gate() -> None:
    text = medicines_text(made())
    assert "1. NOT RECOGNISED, THE PRESCRIBER MUST DECIDE: zzzmab" in text
    assert "1 of 6 not recognised: the release gate stays shut" in text


def test_a_late_row_is_said_first_and_prints_no_past_day_as_an_instruction() -> None:
    whole = made(as_of=date(2026, 3, 13))
    text = " ".join(medicines_text(whole).split())
    said = "last dose should have been Thu 2026-03-12; call the surgeon's office today"
    assert f"LATE: warfarin 5 mg: {said}" in text
    assert text.index("LATE:") < text.index("1. NOT RECOGNISED")
    part = text[text.index("HOLD warfarin") : text.index("HOLD lisinopril")]
    assert "last dose: " not in part and "first day without" not in part and "missed days" not in part
    assert said.replace("'", "&#39;") in re.sub(r'<span class="d">|</span>', "", medicines_html(whole))
    assert medicines_json(whole)["rows"][0]["late"] == said


def test_the_order_of_the_page() -> None:
    """Not recognised, late, then what asks, holds, adjusts, continues; the list's own order inside."""
    words = ["metoprolol 50 mg", "ibuprofen 400 mg", "insulin glargine", "aspirin 81 mg", "warfarin 5 mg", "zzzmab"]
    lines = made(words, as_of=date(2026, 3, 13)).lines
    assert [line.row.words for line in lines] == [
        "zzzmab", "warfarin 5 mg", "aspirin 81 mg", "ibuprofen 400 mg", "insulin glargine", "metoprolol 50 mg",
    ]  # fmt: skip


def test_the_last_dose_day_itself_is_not_late() -> None:
    assert "LATE" not in medicines_text(made(["warfarin 5 mg"], as_of=date(2026, 3, 12)))


def test_text_shows_days_source_confidence_and_who_confirms() -> None:
    text = " ".join(medicines_text(made()).split())
    assert "last dose: Thu 2026-03-12" in text
    assert "first day without: Fri 2026-03-13" in text
    assert "last dose between: Wed 2026-02-25 and Tue 2026-03-03" in text
    assert "at or before: Tue 2026-03-17 07:30" in text
    assert "source: CHEST 2022" in text and "confidence H" in text
    assert "confirms: prescriber, answer needed by Wed 2026-03-04" in text
    assert "= 62.00 mL/min" in text
    assert "(default)" in text


def test_the_reading_of_the_order_stands_on_the_page() -> None:
    taken = replace(
        entry({"words": "methotrexate 15 mg", "indication": ["http://hl7.org/fhir/sid/icd-10-cm|M06.9", "arthritis"]}),
        dose_text="six tablets once a week", schedule="weekly on Thursday", route="oral", form="tablet",
        reference="MedicationRequest/7", last_taken=moment("2026-03-12T08:00", ""),
    )  # fmt: skip
    rows = propose([taken], SURGERY, kidney({}, SURGERY.day), "general", {}, calendar=CALENDAR)
    (line,) = page(rows, [taken], surgery=SURGERY).lines
    assert dict(line.reading) == {
        "substances": "methotrexate", "dose": "six tablets once a week", "taken": "weekly on Thursday",
        "route": "oral tablet", "reason": "M06.9, arthritis", "status": "active",
        "last taken": "Thu 2026-03-12 08:00", "order": "MedicationRequest/7",
    }  # fmt: skip


def test_notes_of_an_order_stand_on_the_page_whatever_they_say() -> None:
    """FHIR R4, MedicationRequest.note: nobody reads it for a rule, so whoever signs the page must see it."""
    beside = replace(entry({"words": "warfarin 5 mg"}), remarks=("bled from the stomach in 2025", "lives alone"))
    rows = propose([beside], SURGERY, kidney({}, SURGERY.day), "general", {}, calendar=CALENDAR)
    whole = page(rows, [beside], surgery=SURGERY)
    assert dict(whole.lines[0].reading)["written beside it"] == "bled from the stomach in 2025 / lives alone"
    assert "written beside it bled from the stomach in 2025" in " ".join(medicines_text(whole).split())


def test_policies_say_which_are_the_defaults() -> None:
    whole = page([], surgery=SURGERY, policies={"nsaids": "NSAID_LIST", "blood_thinners": "BLANKET_7D"})
    said = {value: meaning for _, value, meaning in whole.policies}
    assert not said["NSAID_LIST"].endswith("(default)") and said["NTX_XR_N28"].endswith("(default)")
    assert said["BLANKET_7D"] == "the clinic's own rule over the rules of the medicines"


def test_explain_shows_the_arithmetic() -> None:
    text = medicines_text(made(["warfarin 5 mg"]), explain=True)
    assert "how: N = 5: last dose on day -(5 + 1) = Thu 2026-03-12" in text
    assert "how:" not in medicines_text(made(["warfarin 5 mg"]))


def test_an_answer_is_shown_as_decided() -> None:
    whole = made(["warfarin 5 mg"], date(2026, 3, 17), {"row-0": HoldAnswer("hold", 4, by="Dr Example")})
    text = medicines_text(whole)
    assert "decided by Dr Example: hold" in text
    assert "LATE" not in text and "answer needed" not in text
    assert medicines_json(whole)["rows"][0]["answered"] is True


def test_html_is_one_file_with_a_policy_and_boxes_to_sign_for_each_row() -> None:
    html = medicines_html(made())
    found = tree(html)
    policies = [a["content"] for t, a in found.tags if t == "meta" and a.get("http-equiv")]
    assert policies and policies[0] and policies[0].startswith("default-src 'none'; style-src 'sha256-")
    assert [t for t, a in found.tags if "src" in a or "href" in a] == []
    assert html.count('class="sign"') == len(WORDS)
    assert html.count("as proposed") == 4, "nothing is proposed for what is not recognised, nor for aspirin"
    assert "font-size: 12pt" in html
    assert "a proposal, not an order" in html


def test_html_escapes_what_a_person_wrote() -> None:
    html = medicines_html(made(["<script>alert(1)</script>", 'x" onload="y']))
    assert "<script>" not in html
    assert "&lt;script&gt;" in html


def test_control_characters_cannot_move_the_cursor() -> None:
    text = medicines_text(made(["warfarin\x1b[2J\u202e 5 mg\nignore this"]))
    assert "\x1b" not in text and "\u202e" not in text


@pytest.mark.parametrize("width", [40, 80])
def test_text_is_never_wider_than_asked(width: int) -> None:
    assert max(len(line) for line in medicines_text(made(), width).splitlines()) <= width


def test_black_and_white_needs_no_colour() -> None:
    html = medicines_html(made())
    colours = set(re.findall(r"#[0-9a-f]{3,6}\b", html[: html.index("</style>")]))
    assert colours <= {"#000", "#fff"}


def test_sums_of_a_day_stand_on_every_form_of_the_page() -> None:
    """A2, computed: 4,950 mg, stop."""
    words = ["hydrocodone/acetaminophen 5 mg/325 mg every 4 hours", "acetaminophen 1000 mg tid", "oxycodone 5 mg"]
    whole = made(words)
    said = "acetaminophen together 4950 mg in 24 hours: STOP, limit 4,000 mg"
    assert said in " ".join(medicines_text(whole).split())
    assert said in medicines_html(whole)
    assert said in medicines_json(whole)["sums"]
    assert "acetaminophen: acetaminophen 1000 mg tid: 1000 mg x 3" in medicines_json(whole)["sums"]
    assert "ask: oxycodone 5 mg: how much oxycodone and how often?" in medicines_json(whole)["sums"]
    assert medicines_json(made(["warfarin 5 mg"]))["sums"] == []


def test_an_empty_list_is_a_page_too() -> None:
    assert medicines_json(made([]))["rows"] == []
    assert "0 medicines on the list" in medicines_text(made([]))
    tree(medicines_html(made([])))


def test_a_usual_dose_after_the_limit_is_not_shown_as_allowed() -> None:
    """Lisinopril at 08:00, 24 h before 07:30: Tuesday's dose is too late (23.5 h, computed)."""
    taken = replace(entry({"words": "lisinopril 5 mg"}), schedule="daily at 08:00")
    rows = propose([taken], SURGERY, kidney({}, SURGERY.day), "general", {}, calendar=CALENDAR)
    text = " ".join(medicines_text(page(rows, [taken], surgery=SURGERY)).split())
    assert "last dose: Mon 2026-03-16 the usual dose is too late for the limit: Tue 2026-03-17 07:30" in text
    assert "at or before" not in text
    assert "note: the 2014 guideline" in text and "asked again if that hour changes" in text


def test_questions_stand_one_by_one_and_two_anticoagulants_first() -> None:
    text = medicines_text(made(["warfarin 5 mg", "apixaban 5 mg"]))
    assert "ALERT: two anticoagulants at once, which one is meant: warfarin 5 mg" in " ".join(text.split())
    assert text.index("ALERT") < text.index("1. ")
    assert questions("is it A?; is it B; or C?") == ["is it A?", "is it B; or C?"]
    assert questions("") == [] and questions("ask") == ["ask"]


def test_an_answer_that_is_overdue_says_so() -> None:
    for as_of, said in ((date(2026, 3, 4), "needed by"), (date(2026, 3, 5), "overdue since")):
        text = " ".join(medicines_text(made(["metoprolol 50 mg"], as_of=as_of)).split())
        assert f"answer {said} Wed 2026-03-04" in text
