"""A law: what a text has every so many weeks, or on a weekday, never moves the last dose of a daily medicine.

The remarks are invented, and so are their nouns: a reading that knew words like `INR` or `labs` would not stand here.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from medicines.case_files import entry, row_of
from waykeeper.medicines import package_rules
from waykeeper.medicines.dosing import weekly_medicine
from waykeeper.medicines.recognise import recognise

RULES = package_rules()
POLICIES = {"glp1": "ASA2023_HOLD"}


def _free(words: str) -> bool:
    """True for a medicine, in some form, whose days hang on no text: neither weekly nor by the interval."""
    given_ = entry({"words": words})
    return weekly_medicine(given_, recognise(given_, RULES), RULES) == "no"


DAILY = [w for name in sorted(RULES.ingredients) for w in (f"{name} 5 mg tablet", f"{name} injection") if _free(w)]
LISTED = ["warfarin 5 mg tablet", "clopidogrel 75 mg tablet", "apixaban 5 mg tablet", "empagliflozin 10 mg tablet"]
NOUN = st.text("aeioubfgkpz", min_size=5, max_size=8)
EVERY = st.sampled_from([
    "", "weekly", "every week", "once a week", "q2w", "every 2 weeks", "every 4 weeks", "every 28 days",
    "every fortnight", "every other", "alternate", "each", "every", "monthly", "skip", "cada semana", "semanal",
    "cada 4 semanas", "los",
    "cada dos semanas", "cada",
])  # fmt: skip
DAY = st.sampled_from([
    "", "Monday", "Mondays", "Mon", "on Thursday", "Fri", "Sundays", "on Wed", "lunes", "los martes", "jueves alternos",
    "sábados", "MWF", "T/Th",
])  # fmt: skip
REMARK = st.permutations(range(3)).flatmap(
    lambda order: st.tuples(NOUN, EVERY, DAY).map(lambda parts: " ".join(parts[i] for i in order if parts[i]))
)
PLAIN = st.sampled_from(["", "1 tablet", "one in the morning", "una pastilla"])
TEXT = st.tuples(PLAIN, REMARK, st.sampled_from(["{0}; {1}", "{1}. {0}", "{0} {1}", "({1}) {0}"]))
TIMING = st.sampled_from([
    {}, {"period": "1"}, {"period": "7"}, {"period": "7", "weekday": "0"}, {"period": "7", "weekday": "3"},
    {"period": "14", "weekday": "4"},
])  # fmt: skip


def test_the_law_is_about_nearly_all_medicines() -> None:
    assert all(_free(words) for words in LISTED)
    assert len(DAILY) > 400


@settings(max_examples=150, deadline=None)
@given(st.one_of(st.sampled_from(DAILY), st.sampled_from(LISTED)), TEXT, TIMING)
def test_a_remark_never_moves_the_last_dose(words: str, text: tuple[str, str, str], timing: dict[str, str]) -> None:
    plain, remark, shape = text
    given_ = {"words": words, "policies": POLICIES, **timing}
    without = row_of({**given_, "dose_text": plain})
    beside = row_of({**given_, "dose_text": shape.format(plain, remark)})
    assert (beside.last_dose, beside.last_limit) == (without.last_dose, without.last_limit)
    assert timing or (beside.missed_days, beside.first_missed) == (without.missed_days, without.first_missed)


@pytest.mark.parametrize("words", LISTED)
@pytest.mark.parametrize("remark", ["zibpoka every 2 weeks on Monday", "gupazo weekly Fri", "lunes alternos, fokipa"])
def test_a_remark_is_asked_about(words: str, remark: str) -> None:
    assert "names a weekday" in row_of({"words": words, "dose_text": f"1 tablet, {remark}"}).question
