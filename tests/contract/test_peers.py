"""The client of the official validator: the order of what is asked, and a text that is asked twice."""

import subprocess
import sys
from pathlib import Path

from contract.peers import AHEAD, Judge

# A judge that numbers what it is asked.
NUMBERS = """
import json, sys
for number, line in enumerate(sys.stdin):
    issue = {"severity": "error", "where": json.loads(line)["id"], "text": str(number)}
    print(json.dumps({"valid": False, "issues": [issue]}), flush=True)
"""


def test_each_text_is_judged_once_and_answered_in_its_place():
    with subprocess.Popen([sys.executable, "-c", NUMBERS], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as child:
        judge = Judge(child, Path("unused"))
        many = [{"id": f"r{number}"} for number in range(AHEAD + 3)]
        first = judge.verdicts([*many, many[1]])
        again = judge.verdicts([many[2], '{"id":\n"new"}', many[0]])
        child.stdin.close()
    said = [verdict.texts() for verdict in first]
    assert said == [[f"r{number}: {number}"] for number in (*range(AHEAD + 3), 1)]
    assert [verdict.texts() for verdict in again] == [["r2: 2"], [f"new: {AHEAD + 3}"], ["r0: 0"]]
