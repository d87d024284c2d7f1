"""The list of long tests names tests that exist, and leaves a short one of each kind."""

import re
from pathlib import Path

import pytest

from effort import EARLY, LONG, SHORT, early, named

HERE = Path(__file__).parent


@pytest.mark.parametrize("line", LONG + SHORT)
def test_a_line_of_the_list_names_tests_that_exist(line):
    file, _, rest = line.partition("::")
    assert re.search(rf"def test_\w*{rest.partition('[')[0]}", (HERE / file).read_text("utf-8"))


@pytest.mark.parametrize("line", SHORT)
def test_what_runs_everywhere_is_an_exception_from_a_long_line(line):
    file, _, rest = line.partition("::")
    name, _, first = rest.partition("[")
    assert named(f"tests/{file}::test_{name}[{first}]", LONG)


def test_a_line_is_a_file_a_part_of_the_name_and_the_beginning_of_the_parameters():
    lines = ("a/test_b.py::works[real",)
    assert named("tests/a/test_b.py::test_it_works_well[real-1]", lines)
    assert not named("tests/a/test_b.py::test_it_works_well[sandbox-1]", lines)
    assert not named("tests/a/test_b.py::test_other[real-1]", lines)
    assert not named("tests/a/test_c.py::test_it_works_well[real-1]", lines)


@pytest.mark.parametrize("file", EARLY)
def test_a_file_that_begins_first_exists_and_is_on_one_list(file):
    assert (HERE / file).is_file() and early(f"tests/{file}::test_any")
    assert not any(line.startswith(f"{file}::") for line in LONG)
