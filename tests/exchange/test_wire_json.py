"""Numbers of other people come back as they were written; everywhere between they are numbers."""

import copy
import json
import pickle
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from waykeeper.exchange.wire_json import Written, dumps, loads
from waykeeper.fhir.ownership import normal


@pytest.mark.parametrize(
    "text",
    ["1.10", "0.00", "-1.0", "1e3", "1.0E-7", "12345678901234567890.123", "98765432109876543210", "0.1", "7"],
)
def test_a_number_is_written_as_it_was_read(text):
    assert dumps(loads(f'{{"value":{text}}}'.encode())) == f'{{"value":{text}}}'.encode()


def test_copied_it_keeps_its_text():
    read = loads(b'[{"value":1.10}]')
    for other in (copy.deepcopy(read), copy.copy(read[0]["value"]), pickle.loads(pickle.dumps(read))):
        assert b"1.10" in dumps(other)


def test_between_it_is_a_number_like_any_other():
    value = loads(b"1.10")
    assert value == 1.1 and isinstance(value, float) and value + 1 == 2.1 and hash(value) == hash(1.1)
    assert normal(value) == normal(1.1) == "1.1" and json.loads(json.dumps([value])) == [1.1]
    assert type(loads(b"15")) is int and loads(b"true") is True


@pytest.mark.parametrize("half", [b"\\ud800", b"\\uDFFF", b"\xed\xa0\x80"])
def test_half_a_character_of_a_server_can_be_written_again(half):
    """A lone surrogate: legal in the text of a JSON string (RFC 8259, 8.2), and in no document of UTF-8."""
    read = loads(b'{"note":["a' + half + b'b","\\ud83d\\ude00"],"n":1.10}')
    assert read["note"] == ["a\ufffdb", "\U0001f600"]
    assert loads(dumps(read)) == read and b"1.10" in dumps(read)


@given(st.decimals(allow_nan=False, allow_infinity=False).map(str))
def test_any_decimal(text):
    number = str(Decimal(text)).replace("E+", "E")
    assert dumps(loads(number.encode())) == number.encode()


@pytest.mark.parametrize("bad", [b"NaN", b"[Infinity]", b"{", b"", b"\xff", b'{"a":', b"[" * 100_000])
def test_what_is_no_json_is_a_value_error(bad):
    with pytest.raises(ValueError):
        loads(bad)


def test_nothing_else_is_made_up():
    with pytest.raises(TypeError):
        dumps({"value": Decimal("1.10")})
    assert Written("1.10").text == "1.10"
