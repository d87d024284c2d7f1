"""What a patient reads says what the pathway means: numbers, days, and the same in both languages."""

from __future__ import annotations

import re
from datetime import date

import pytest

from golden.test_pathway_values import overlays_for, pathway, plan_of
from waykeeper.pathway import library
from waykeeper.pathway.model import PathwayItem
from waykeeper.plan.model import Item
from waykeeper.report.interface import data

HIP, KNEE = "total-hip-replacement", "total-knee-replacement"


def item(name: str, which: str, *overlays: str) -> PathwayItem:
    return next(i for i in pathway(*overlays, name=name).items if i.name == which)


def dated(name: str, which: str) -> Item:
    plan = plan_of({"surgery": "2026-03-18T07:30", "pathway": name})
    return next(i for i in plan.items if i.key.item == which)


@pytest.mark.parametrize("name", library.names())
def test_the_acetaminophen_to_count_has_its_number_and_says_who_takes_less(name):
    """4,000 mg in 24 hours from all sources (Health Canada; FDA); less from 65 years, with alcohol, with liver disease
    (restated in secondary texts). A `cold drink` is one with ice."""
    words = item(name, "acetaminophen-limit").words
    assert "no more than 4,000 mg in 24 hours" in words["en"] and "No tome más de 4,000 mg en 24 horas" in words["es"]
    assert "drinks for a cold or flu" in words["en"] and "bebidas para el resfriado o la gripe" in words["es"]
    for language, who in {
        "en": ("65 or older", "alcohol", "liver"),
        "es": ("65 años o más", "alcohol", "hígado"),
    }.items():
        assert all(one in words[language] for one in who)
    assert "cold drinks" not in words["en"]


def test_the_bend_that_the_patient_reads_is_the_bend_that_is_enough():
    """One hundred degrees at seven weeks: Ebert et al., Arch Phys Med Rehabil 2014;95:1135."""
    goal = item(KNEE, "bends-enough")
    target = re.findall(r"\d+", goal.target)
    assert target == ["100"]
    assert all(re.findall(r"\d+", words) == target for words in goal.words.values())


@pytest.mark.parametrize("name", library.names())
def test_dentist_and_doctors_are_told_from_the_first_day(name):
    window = dated(name, "tell-others").dates.window
    assert window and (window.start.day, window.end.day) == (date(2026, 3, 18), date(2027, 3, 18))


def test_who_takes_a_gliflozin_without_diabetes_is_warned_too():
    """Ketoacidosis with a normal sugar: labels of SGLT2 inhibitors (from memory), which hearts and kidneys need too."""
    signs = next(t["signs"] for t in data("red_flags") if t["tier"] == "same day")
    for language, name, normal in (
        ("en", "-gliflozin ", "normal sugar"),
        ("es", "-gliflozina ", "azúcar sea normal"),
    ):
        found = [s for s in signs[language] if name in s]
        assert len(found) == 1 and normal in found[0] and not re.search("diabet", found[0])
        assert any("250" in s and "diabetes" in s for s in signs[language])


def test_the_spanish_of_the_hip_says_all_that_the_english_says():
    for overlays in overlays_for(HIP):
        if "no-hip-precautions" in overlays:
            continue
        moves, rule = item(HIP, "safe-moves", *overlays).words, item(HIP, "hip-precautions", *overlays).words
        if "hip-precautions-front" in overlays:
            assert "lie on your front" in rule["en"] and "se acueste boca abajo" in rule["es"]
            assert "Sit with both feet flat" in moves["en"] and "Siéntese con los dos pies planos" in moves["es"]
        else:
            assert "socks and shoes" in moves["en"] and "los calcetines y los zapatos" in moves["es"]
            assert "Sit on" in moves["en"] and "Siéntese en" in moves["es"]
