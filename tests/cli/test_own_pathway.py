"""A person who writes a pathway of her own: what `check` says of it, alone and in her clinic."""

import pytest

import waykeeper
from pathway.frame import pathway
from waykeeper.timing import PhraseError, parse

TASK = (
    "tasks:\n  wash: {title: Wash, who: nobody-here, why: Clean skin, harm: 2, source: {grade: common practice}, "
    "by: 1 day before surgery}\n"
)
CLINIC = """clinic: Harbour
url: https://harbour-eye.example
zone: Europe/Oslo
holidays: {calendar: NO}
hours: {monday: 08:00 to 16:00, friday: 08:00 to 16:00}
parts: {morning: 08:00, afternoon: 13:00, evening: 20:00}
roles: {coordinator: {title: Coordinator, telephone: 312-555-0101}}
identifiers: {own: https://harbour-eye.example/ids, patient: https://harbour-eye.example/mrn}
overlays: [our-eye]
"""
OVERLAY = "overlay: our-eye\nversion: 1.0.0\ntitle: Ours\nfor: example\nwhy: Ours\nsource: {grade: clinic setting}\n"


@pytest.fixture
def files(tmp_path):
    for name, text in (("p.yaml", pathway(TASK)), ("clinic.yaml", CLINIC)):
        (tmp_path / name).write_text(text)
    (tmp_path / "overlays").mkdir()
    return tmp_path


def said(*paths, clinic=""):
    return [(f.code, f.position.line, f.position.column) for f in waykeeper.check(*map(str, paths), clinic=str(clinic))]


def test_an_overlay_that_is_not_there_is_found_where_the_clinic_names_it(files):
    assert said(files / "clinic.yaml") == [("WKC202", 9, 12)]  # not inside the address, which holds the same letters
    (files / "overlays" / "our-eye.yaml").write_text(OVERLAY + "remove: [wash]\n")
    assert said(files / "clinic.yaml") == []


def test_a_pathway_is_checked_as_it_holds_in_a_clinic(files):
    own = files / "overlays" / "our-eye.yaml"
    own.write_text(OVERLAY + "replace: {wahs: {by: 2 days before surgery}}\n")
    assert said(files / "p.yaml") == []
    found = {code for code, _, _ in said(files / "p.yaml", clinic=files / "clinic.yaml")}
    own.write_text(OVERLAY + "replace: {wash: {by: 2 days before surgery}}\n")
    role = {code for code, _, _ in said(files / "p.yaml", clinic=files / "clinic.yaml")}
    assert len(found - role) == 1  # the item that the overlay misspells; both times that nobody has the role
    assert len(role) == 1


@pytest.mark.parametrize("phrase", ["1.5 weeks before surgery", "10d before surgery", "+/- 7 days", "2026-03-30"])
def test_a_phrase_that_begins_with_another_sort_of_number_is_told_what_is_counted(phrase):
    with pytest.raises(PhraseError) as refused:
        parse(phrase)
    assert "whole number" in refused.value.findings[0].help


@pytest.mark.parametrize(
    ("text", "remedy"),
    [
        ("a: 1\nb:\n\tc: 1\n", "Here stands a tab"),
        ("a: b\n\tc: 1\n", "Take the tab out"),
        ("title: The eye: first\n", "has no quotation marks"),
    ],
)
def test_what_is_no_yaml_is_told_what_a_person_did(tmp_path, text, remedy):
    (tmp_path / "p.yaml").write_text(text)
    (found,) = waykeeper.check(str(tmp_path / "p.yaml"))
    assert (found.code, remedy in found.help) == ("WKP103", True)
