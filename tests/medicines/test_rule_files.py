"""The strict reader of rule files, and the catalogue's examples of this room."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import pytest
import yaml

from medicines.case_files import CALENDAR, entry, load, moment, proposal_cases, row_of, words_node
from waykeeper.findings import Finding, catalogue
from waykeeper.medicines import (
    WeanPhase,
    check_policies,
    check_rules,
    check_ruleset,
    check_weaning,
    package_rules,
    page,
    patient_facts,
    propose,
    read_synonyms,
    rule_names,
    ruleset,
)
from waykeeper.medicines.ruleset import rule_files
from waykeeper.record.model import Kidney
from yaml_text import plain

ENTRIES = {code: e for code, e in catalogue().items() if code.startswith("WKM")}
FILE = """\
group: invented
title: Invented medicines
ingredients:
  waymide: {rxnorm: "99999991"}
rules:
  waymide:
    for: [waymide]
    source: invented
    year: 2026
    confidence: L
    restart: when eating
    restart_by: prescriber
    tests: [T01]
    cases:
      - {decision: hold, missed_days: 2}
"""


def changed(change: dict[str, Any]) -> bytes:
    """The invented file with one thing wrong."""
    data = plain(FILE)
    rule = data["rules"]["waymide"]
    if "change" in change:
        key, _, value = change["change"].partition(": ")
        data[key] = value
    if "ingredients" in change:
        data["ingredients"] = change["ingredients"]
    if "cases" in change:
        rule["cases"] = change["cases"]
    if "drop" in change:
        del rule[change["drop"]]
    if change.get("second_rule_for_the_same"):
        data["rules"]["again"] = deepcopy(rule)
    return yaml.safe_dump(data, sort_keys=False).encode()


def findings_of(code: str, example: Any) -> list[Finding]:
    """Run a catalogue example the way its code is raised."""
    if code in ("WKM110",):
        return check_policies(example["policies"])
    if code == "WKM111":
        return read_synonyms(words_node(yaml.safe_dump(example["medicine_words"])))[1]
    if code == "WKM112":
        written = FILE.replace("missed_days: 2}", f"missed_days: 2, notes: {example['notes']}}}")
        return check_rules("invented.yaml", written.encode())
    if code.startswith("WKM1"):
        return check_rules("invented.yaml", changed(example))
    if code.startswith("WKM2"):
        return list(row_of(example).findings)
    if code.startswith("WKM3"):
        entries = [entry({"words": w}, f"row-{n}") for n, w in enumerate(example["rows"])]
        facts = patient_facts(example.get("resources", []))
        rows = propose(entries, moment("2026-03-18T07:30"), Kidney(), "general", {}, calendar=CALENDAR, facts=facts)
        whole = page(rows, entries, surgery=moment("2026-03-18T07:30")).findings
        return [*(f for row in rows for f in row.findings), *whole]
    phases = [WeanPhase(a, b, n) for a, b, n in example["phases"]]
    return check_weaning(phases, example["off_day"])


@pytest.mark.parametrize("code", sorted(ENTRIES))
def test_the_catalogue_example_raises_the_code(code: str) -> None:
    assert code in {f.code for f in findings_of(code, ENTRIES[code].raises)}


@pytest.mark.parametrize("code", sorted(ENTRIES))
def test_the_other_example_does_not(code: str) -> None:
    assert code not in {f.code for f in findings_of(code, ENTRIES[code].passes)}


def test_the_invented_file_is_clean() -> None:
    assert check_rules("invented.yaml", FILE.encode()) == []


def test_the_rules_of_the_package_are_clean() -> None:
    found = check_ruleset({f.name: f.read_bytes() for f in rule_files()})
    assert [f.line() for f in found] == []


def test_two_files_may_not_claim_the_same() -> None:
    other = FILE.replace("group: invented", "group: second")
    found = check_ruleset({"invented.yaml": FILE.encode(), "second.yaml": other.encode()})
    assert {f.code for f in found} == {"WKM102"}
    assert {f.details.split(" stands")[0] for f in found} == {
        "rule 'waymide'", "name 'waymide'", "code '99999991'",
    }  # fmt: skip


def test_no_spelling_belongs_to_two_medicines() -> None:
    from waykeeper.medicines.words import normalise

    seen: dict[str, str] = {}
    twice = []
    for ingredient in package_rules().ingredients.values():
        for name in {normalise(n) for n in (ingredient.name, *ingredient.names)}:
            if name in seen:
                twice.append((name, seen[name], ingredient.name))
            seen[name] = ingredient.name
    assert twice == []


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("group: [", "WKP103"),
        ("grup: invented", "WKP201"),
        (FILE.replace("missed_days: 2", "missed_days: two"), "WKP203"),
        (FILE.replace("missed_days: 2", "missed_days: 2, hours: 24"), "WKM106"),
        (FILE.replace("decision: hold", "decision: continue"), "WKM106"),
        (FILE.replace("{decision: hold, missed_days: 2}", "{decision: ask}"), "WKM106"),
        (FILE.replace("missed_days: 2", "cycle_days: [21, 15]"), "WKM106"),
        (FILE.replace("missed_days: 2", "cycle_days: [21]"), "WKM106"),
        (FILE.replace("{decision: hold", "{when: {crcl: '50'}, decision: hold"), "WKM108"),
        (FILE.replace("{decision: hold", "{when: {weather: fine}, decision: hold"), "WKM108"),
        (FILE.replace("{decision: hold", "{when: {indication: gout}, decision: hold"), "WKM108"),
        (FILE.replace("{decision: hold", "{when: {policy: ASA2023_HOLD}, decision: hold"), "WKM108"),
        (FILE.replace("    restart_by: prescriber\n", ""), "WKM107"),
        (FILE.replace("for: [waymide]", "for: [waymid]"), "WKM103"),
    ],
)
def test_what_is_wrong_is_found_at_its_place(text: str, code: str) -> None:
    found = check_rules("invented.yaml", text.encode())
    assert code in {f.code for f in found}
    assert all(f.position.line >= 1 for f in found)


@pytest.mark.parametrize("path", ["group", "title", "ingredients", "rules", "for", "cases", "tests", "decision"])
def test_a_key_that_must_stand_is_missed(path: str) -> None:
    data = plain(FILE)
    rule = data["rules"]["waymide"]
    place = data if path in data else rule if path in rule else rule["cases"][0]
    del place[path]
    found = check_rules("invented.yaml", yaml.safe_dump(data).encode())
    assert "WKP202" in {f.code for f in found}


@pytest.mark.parametrize(
    ("case", "ok"),
    [
        ("missed_days: 365", True), ("missed_days: 366", False), ("hours: 1", True), ("hours: 0", False),
        ("hours: 240", True), ("hours: 241", False), ("cycle_months: 1", True), ("cycle_months: 0", False),
        ("cycle_months: 24", True), ("cycle_months: 25", False), ("missed_days: 0", True), ("missed_days: -1", False),
    ],
)  # fmt: skip
def test_limits_of_the_figures(case: str, ok: bool) -> None:
    found = check_rules("invented.yaml", FILE.replace("missed_days: 2", case).encode())
    assert [f.code for f in found] == ([] if ok else ["WKP203"])


@pytest.mark.parametrize("half", ["{low: 2, high: 4}", "{low: 2, typical: 3, high: 4, lists: [1]}"])
def test_half_lives_stand_for_days(half: str) -> None:
    text = FILE.replace("    cases:", f"    half_life: {half}\n    cases:").replace(", missed_days: 2", "")
    assert check_rules("invented.yaml", text.encode()) == []


@pytest.mark.parametrize("half", ["{high: 4}", "{low: 2}", "{low: two, high: 4}"])
def test_half_lives_need_both_ends(half: str) -> None:
    text = FILE.replace("    cases:", f"    half_life: {half}\n    cases:")
    assert {f.code for f in check_rules("invented.yaml", text.encode())} <= {"WKP202", "WKP203"}
    assert check_rules("invented.yaml", text.encode())


def test_a_case_after_an_open_one_is_never_reached() -> None:
    text = FILE + "      - {decision: continue}\n"
    assert [f.code for f in check_rules("invented.yaml", text.encode())] == ["WKM104"]


def test_groups_are_what_a_pathway_may_name() -> None:
    assert set(rule_names()) == set(package_rules().groups)
    wanted = {"anticoagulants", "antiplatelets", "nsaids", "glp1", "sglt2", "antirheumatics", "supplements"}
    assert wanted <= set(rule_names())


def test_every_rule_names_cases_that_exist_and_reach_it() -> None:
    """A rule's `tests` are ids of the case files; at least one of its proposal cases ends in that rule."""
    cases = {c.id: c for c in proposal_cases()}
    others = set(load("after_surgery.yaml")["weaning"]) | {"T63", "T84"}  # tested by name elsewhere
    kidney = set(load("kidney.yaml")["clearance"])
    unknown, unreached = [], []
    for rule in package_rules().rules.values():
        unknown += [(rule.name, t) for t in rule.tests if t not in cases and t not in others | kidney]
        reached = {part for t in rule.tests if t in cases for part in row_of(cases[t].given).rule.split("+")}
        if rule.name not in reached:
            unreached.append(rule.name)
    assert unknown == []
    assert [n for n in unreached if n not in ("sacubitril-alone", "prasugrel")] == []


@pytest.mark.parametrize("place", ["file", "rule"])
@pytest.mark.parametrize(
    ("ask", "code"),
    [
        ({"when": {"indication": "stroke"}, "question": "which?"}, ""),
        ({"when": {"indication": "strok"}, "question": "which?"}, "WKM108"),
        ({"when": {"indicaton": "stroke"}, "question": "which?"}, "WKM108"),
        ({"when": {"indication": "stroke"}, "question": "before 2026-03-18?"}, "WKM109"),
    ],
)
def test_a_question_beside_the_cases_is_checked_like_a_case(place: str, ask: dict[str, Any], code: str) -> None:
    data = plain(FILE)
    (data if place == "file" else data["rules"]["waymide"])["asks"] = [ask]
    found = check_rules("invented.yaml", yaml.safe_dump(data, sort_keys=False).encode())
    assert {f.code for f in found} == ({code} if code else set())


@pytest.mark.parametrize(("decision", "wrong"), [("continue", False), ("ask", True)])
def test_only_what_continues_is_taken_on_the_morning_of_surgery(decision: str, wrong: bool) -> None:
    case = {"decision": decision, "morning": "true"} | ({"question": "which?"} if wrong else {})
    found = check_rules("invented.yaml", changed({"cases": [case]}))
    assert [f.code for f in found] == (["WKM106"] if wrong else [])


def test_notes_of_a_list_with_dashes_keep_their_commas() -> None:
    dashes = "        notes:\n          - one, two\n          - three, four\n"
    block = f"cases:\n      - decision: hold\n        missed_days: 2\n{dashes}"
    written = FILE.partition("cases:")[0] + block
    assert check_rules("invented.yaml", written.encode()) == []
    (rule,) = ruleset({"invented.yaml": written}).rules.values()
    assert rule.cases[0].notes == ("one, two", "three, four")


def test_the_notes_of_the_package_are_whole_sentences() -> None:
    """Each of these was cut at its comma once."""
    said = {n for rule in package_rules().rules.values() for case in (*rule.cases, *rule.neuraxial) for n in case.notes}
    whole = {
        "bleeds a little more easily; serotonin effects with tramadol, linezolid or methylene blue",
        "if surgeon and cardiologist agree to stop, not more than 7 days",
        "half of the morning dose on the day of surgery, never nothing in type 1 diabetes",
        "drops against glaucoma; as usual, also on the day of surgery",
        "36 hours in the source, in whole days 2",
        "a dose due on the day of surgery is taken after it, when eating",
    }
    assert whole <= said
