"""kill -9 in the midst of a push of many, then again: nothing lost, nothing doubled, and the ledger is whole.

`tests/benchmarks/many_patients.py --kills` does the same with 200 patients.
"""

from __future__ import annotations

import json

import pytest

from exchange.killed import kill_when, sandbox, start
from exchange.many_patients import expected, holdings, small_plan

COUNT = 12


@pytest.mark.parametrize("seed", [1])
@pytest.mark.parametrize("with_ledger", [True, False])
def test_killed_and_gone_on_with(seed, with_ledger, tmp_path):
    import random

    chance = random.Random(seed)
    plans = [small_plan(n) for n in range(COUNT)]
    (tmp_path / "plans").mkdir()
    for number, one in enumerate(plans):
        (tmp_path / "plans" / f"{number:02}.json").write_text(json.dumps(one))
    with sandbox(tmp_path / "db") as (url, _):
        killed, done = 0, 0
        while killed < 2:
            ledger = tmp_path / ("ledger" if with_ledger else f"ledger-{killed}")
            process = start([str(tmp_path / "plans")], url, "--ledger", str(ledger), "--jobs", "2")
            done = (done if with_ledger else 0) + chance.randrange(1, 4)
            if not kill_when(process, ledger, done, chance.random() * 0.3):
                break
            killed += 1
        assert killed == 2, "it was too quick to be killed"
        last = start([str(tmp_path / "plans")], url, "--ledger", str(tmp_path / "ledger"))
        out, err = last.communicate(timeout=200)
        assert last.returncode == 0, err
        assert f"pushed: {COUNT} plans" in out and ("done before" in out) is with_ledger
        assert holdings(url) == expected(plans)
