"""Every example of the grammar's one table."""

import pytest

from waykeeper.timing import PhraseError, grammar_table, parse, spelling

PRODUCTIONS = grammar_table()["productions"]
ACCEPTED = [(name, written, right) for name, p in PRODUCTIONS.items() for written, right in p["accepts"].items()]
REFUSED = [(name, written, code) for name, p in PRODUCTIONS.items() for written, code in p["refuses"].items()]


@pytest.mark.parametrize(("name", "written", "right"), ACCEPTED)
def test_accepted(name, written, right):
    expected = written if right == "=" else right
    assert str(parse(written)) == expected
    assert spelling(written) == (None if right == "=" else right)
    assert parse(expected) == parse(written)


@pytest.mark.parametrize(("name", "written", "code"), REFUSED)
def test_refused(name, written, code):
    with pytest.raises(PhraseError) as caught:
        parse(written)
    assert caught.value.code == code
    assert 0 <= caught.value.offset <= len(written)
    assert caught.value.help
