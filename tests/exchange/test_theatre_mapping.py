"""A foreign theatre list beside the plans: the same file that compile --cases reads, by the same mapping."""

from __future__ import annotations

import pytest

from exchange.test_compiling_many import BUNDLES, FOREIGN
from waykeeper.findings import WaykeeperError
from waykeeper.verbs import gaps

PLAN = str(BUNDLES / "demo-left" / "plan.bundle.json")


def plan_row(tmp_path, rows, day="2026-03-02"):
    (tmp_path / "m.yaml").write_text(FOREIGN)
    (tmp_path / "list.csv").write_text("Nr;Tag;Zeit;Seite;Narkose\n" + rows)
    found = gaps(PLAN, as_of=day, theatre_list=str(tmp_path / "list.csv"), mapping=str(tmp_path / "m.yaml"))
    return {r.identifier.partition("|")[2]: r.verdict for r in found.whole.rows if r.kind == "plan"}


def test_the_day_of_the_list_is_laid_beside_the_plan(tmp_path):
    assert plan_row(tmp_path, "AQ-1001;18.03.2026;07.30;li;ITN\n")["AQ-1001"] == "current"
    assert plan_row(tmp_path, "AQ-1001;19.03.2026;07.30;li;ITN\n")["AQ-1001"] == "date-differs"
    assert plan_row(tmp_path, "AQ-7;18.03.2026;;li;ITN\n") == {"AQ-1001": "no-case", "AQ-7": "no-plan"}


def test_a_row_that_cannot_be_read_stops_it(tmp_path):
    with pytest.raises(WaykeeperError, match="WKX510"):
        plan_row(tmp_path, "AQ-1001;18.03.2026;07.30;li;ITN\nAQ-2;soon;;li;ITN\n")
