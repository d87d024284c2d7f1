"""Words of theatre lists for sides and anaesthetics, as clinics write them: common practice, no source.

A needle counts as possible unless the list rules it out; of what is not known the answer is None, and it is told.
"""

from __future__ import annotations

import pytest

from waykeeper.gaps.theatre_words import needle, other_side

NEEDLE = {
    True: (
        "SAB",
        "RA",
        "CSE",
        "intrathecal + sedation",
        "SPINAL+GA",
        "GA/spinal",
        "GA +/- spinal",
        "Spinal, no GA",
        "Spinal no GA",
        "Spinal not contraindicated",
        "Spinal, declined GA",
        "GA declined, spinal",
        "GA refused spinal",
        "pt. refused GA; SAB",
        "no GA - spinal",
        "avoid spinal if possible, GA",
        "GA ?spinal",
        "Spinal contraindicated? discuss",
        "failed spinal -> GA",
        "deep-block",
        "regional anaesthesia",
        "spinal: yes",
        "Dr. Brook / Spinal",
    ),
    False: (
        "general",
        "G.A.",
        "GA",
        "General anesthesia",
        "GETA",
        "GA LMA",
        "TIVA",
        "LA + sedation",
        "GA, no spinal",
        "GA not spinal",
        "General (pt refused spinal)",
        "Spinal contraindicated - GA",
        "not for spinal; GA",
        "w/o neuraxial, GA",
        "No spinal or epidural - GA",
        "spinal: no",
        "CSE declined; GA",
        "GA - spinal declined",
        "non-spinal",
        "superficial-block",
    ),
    None: (
        "",
        "TBC",
        "as per anaesthetist",
        "block",
        "GA + popliteal block",
        "Dr. Brook / GA",
        "No neuraxial (platelets). GA",
        "GA: yes, spinal: no",
        "unknown",
    ),
}


@pytest.mark.parametrize(("text", "expected"), [(text, is_one) for is_one, texts in NEEDLE.items() for text in texts])
def test_whether_a_needle_is_possible(text, expected):
    assert needle(text) is expected


@pytest.mark.parametrize(
    ("column", "procedure", "planned", "told"),
    [
        ("LT", "", "left", ""),
        ("(L)", "", "left", ""),
        ("Left ankle", "", "left", ""),
        ("RT.", "", "left", "RT."),
        ("Right ankle", "", "left", "Right ankle"),
        ("bilateral", "", "left", "bilateral"),
        ("B/L", "", "left", "B/L"),
        ("R→L", "", "left", "R→L"),
        ("L/R", "", "right", "L/R"),
        ("?", "", "left", ""),
        ("", "RIGHT total ankle replacement", "left", "RIGHT total ankle replacement"),
        ("", "Ankle replacement (R)", "left", "Ankle replacement (R)"),
        ("", "L TAR", "left", ""),
        ("", "R TAR", "left", "R TAR"),
        ("left", "Right TAR", "left", "Right TAR"),
        ("L", "R/O metalwork + TAR", "left", ""),
        ("N/A", "L5 radiculopathy; left TAR", "left", ""),
        ("left", "TAR left, bone from R iliac crest", "left", ""),
        ("", "TAR left, bone from R iliac crest", "left", "TAR left, bone from R iliac crest"),
        ("", "Removal of screws left in, R TAR", "right", ""),
        ("", "Dr R. Quill: TAR L", "left", ""),
        ("", "upright film", "left", ""),
        ("", "R&L TKR", "left", "R&L TKR"),
        ("", "Re-do TAR", "left", ""),
        ("", "RTKR", "left", "RTKR"),
        ("", "LTHA", "left", ""),
        ("", "R/THR", "left", "R/THR"),
        ("", "TAR/R", "left", "TAR/R"),
        ("", "L. TAR", "right", "L. TAR"),
        ("", "R/O plate, L TKR", "left", ""),
        ("", "PLATHE", "right", ""),
    ],
)
def test_words_that_name_another_side_than_the_plan(column, procedure, planned, told):
    assert other_side(column, procedure, planned) == told
