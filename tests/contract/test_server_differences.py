"""Each difference between the two servers is asserted on both, and the table in the sandbox's README is this data."""

import pytest

from contract.server_differences import DIFFERENCES, README, with_table


@pytest.mark.parametrize("one", DIFFERENCES, ids=[d.name for d in DIFFERENCES])
def test_each_server_answers_as_the_table_says(talk, one):
    assert one.act(talk) == getattr(one, talk.name)


def test_the_table_in_the_readme_is_this_data():
    text = README.read_text("utf-8")
    assert text == with_table(text), "run: PYTHONPATH=tests python tests/contract/server_differences.py --write"
    assert len({one.name for one in DIFFERENCES}) == len(DIFFERENCES)
    assert all(one.sandbox != one.real for one in DIFFERENCES)
