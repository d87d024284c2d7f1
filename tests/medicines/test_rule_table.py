"""The README's table is the data's."""

from __future__ import annotations

import pytest

from medicines.write_rule_table import README, ROOM
from waykeeper.medicines import package_rules
from waykeeper.medicines.rule_table import rule_table, with_table
from waykeeper.medicines.tables import COMPILED, compiled


def test_the_table_is_generated_from_the_rules() -> None:
    text = README.read_text("utf-8")
    assert text == with_table(text, package_rules())


def test_the_compiled_tables_are_the_yaml() -> None:
    """If this fails: `python tests/medicines/write_rule_table.py`."""
    assert (ROOM / "data" / COMPILED).read_bytes() == compiled()


def test_every_rule_stands_with_source_confidence_and_test() -> None:
    table = rule_table(package_rules())
    lines = [line.split(" | ") for line in table.splitlines() if line.startswith("| ")]
    by_name = {cells[0].removeprefix("| "): cells for cells in lines}
    for rule in package_rules().rules.values():
        cells = by_name[rule.name]
        assert all(cells[3:]), rule.name
        assert set(rule.tests) == set(cells[6].removesuffix(" |").split(", "))


def test_figures_of_known_rules() -> None:
    """Spot values of the table against the published ones (PAUSE; FDA March 2020)."""
    table = rule_table(package_rules())
    assert "crcl <50: hold N=4" in table
    assert "needle possible: hold N=3" in table
    assert "| ertugliflozin | ertugliflozin | hold N=4 |" in table


def test_a_readme_without_marks_is_refused() -> None:
    with pytest.raises(ValueError, match="no marks"):
        with_table("# nothing\n", package_rules())
