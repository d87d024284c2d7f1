"""Measured once, by hand: many patients pushed, with the memory of the push; and kill -9 in the midst of it.

    python tests/benchmarks/many_patients.py --count 1000                      # to a sandbox that it starts
    python tests/benchmarks/many_patients.py --count 200 --to URL              # to a server that runs
    python tests/benchmarks/many_patients.py --count 200 --kills 12 --seed 1   # killed at random points, gone on with

The plans are invented and small (one item of each kind, 20 resources) or, with `--whole`, the total ankle pathway. Each
push is one process; its resident memory is read from /proc. With `--home DIR` a run that was
ended goes on when it is started again. At the end everything that was sent is
looked for on the server: nothing may lack, nothing may be there twice. It is no part of `make bench`: it takes minutes.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import random
import re
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from exchange.killed import finished, kill_when, sandbox, start
from exchange.many_patients import expected, plan, small_plan
from waykeeper.exchange import Server

AT_ONCE = 20


def rss(pid: int) -> float:
    """Resident memory of a process in MiB, 0 where it has ended."""
    with contextlib.suppress(OSError, TypeError, AttributeError):
        return int(re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())[1]) / 1024
    return 0.0


def watched(process: subprocess.Popen[str], ledger: Path, step: int) -> None:
    """Print plans done, seconds and memory of the push, at every `step` plans until it ends."""
    began, said = time.monotonic(), -1
    while process.poll() is None:
        done, now = finished(ledger), rss(process.pid)
        if now and done // step > said:
            said = done // step
            print(f"  {done} done, {time.monotonic() - began:.0f} s, {now:.0f} MiB", flush=True)
        time.sleep(0.2)


def held(url: str, bundles: list[dict]) -> Counter[str]:
    """How often each resource of these plans is on the server, by our own identifier: only ours are asked for."""
    server = Server(url)
    found: Counter[str] = Counter()
    for kind in ("CarePlan", "ServiceRequest", "Task", "Goal", "CommunicationRequest"):
        names = [i for b in bundles for e in b["entry"] if e["resource"]["resourceType"] == kind
                 for i in e["resource"]["identifier"] if "/identifier/plan" in i["system"]]  # fmt: skip
        for at in range(0, len(names), AT_ONCE):
            some = ",".join(f"{i['system']}|{i['value']}" for i in names[at : at + AT_ONCE])
            for _, resource in server.search(kind, [("identifier", some)], private=True):
                name = next(str(i["value"]) for i in resource["identifier"] if "/identifier/plan" in i["system"])
                found[f"{kind}/{name}"] += 1
    people = [i for b in bundles for e in b["entry"] if e["resource"]["resourceType"] == "Patient"
              for i in e["resource"]["identifier"]]  # fmt: skip
    for at in range(0, len(people), AT_ONCE):
        some = ",".join(f"{i['system']}|{i['value']}" for i in people[at : at + AT_ONCE])
        for _, resource in server.search("Patient", [("identifier", some)], private=True):
            found.update(f"Patient/{i['value']}" for i in resource["identifier"])
    return found


def main() -> int:
    """Run one measurement and print it."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--count", type=int, default=200)
    asked.add_argument("--to", default="")
    asked.add_argument("--jobs", type=int, default=2)
    asked.add_argument("--kills", type=int, default=0)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--whole", action="store_true")
    asked.add_argument("--prefix", default="")
    asked.add_argument("--home", default="")
    said = asked.parse_args()
    prefix = said.prefix or f"BENCH{int(time.time())}"
    with tempfile.TemporaryDirectory() as place, contextlib.ExitStack() as stack:
        home = Path(said.home or place)
        home.mkdir(parents=True, exist_ok=True)
        if not (home / "plans.ndjson").exists():
            _write(home / "plans.ndjson", said.count, prefix, said.whole)
        megabytes = (home / "plans.ndjson").stat().st_size / 1e6
        print(f"{said.count} plans, {megabytes:.1f} MB of NDJSON", flush=True)
        url = said.to or stack.enter_context(sandbox(home / "db"))[0]
        killed = _killed(said, home, url) if said.kills else 0
        began, before = time.monotonic(), finished(home / "ledger")
        process = start([str(home / "plans.ndjson")], url, "--ledger", str(home / "ledger"), "--jobs", str(said.jobs))
        watched(process, home / "ledger", max(said.count // 20, 1))
        out, err = process.communicate()
        took = time.monotonic() - began
        print(f"exit {process.returncode}: {out.strip()} {err.strip()}")
        rate = (said.count - before) / took
        print(f"{took:.0f} s, {rate:.1f} plans a second with {said.jobs} at once; killed {killed}", flush=True)
        return _there(home, url)


def _write(file: Path, count: int, prefix: str, whole: bool) -> None:
    with file.open("w") as lines:
        for number in range(count):
            made = plan(number, prefix=prefix) if whole else small_plan(number, prefix=prefix)
            lines.write(json.dumps(made) + "\n")


def _killed(said: argparse.Namespace, home: Path, url: str) -> int:
    """Kill the push at random points; the number of times that it was in the midst of it."""
    chance = random.Random(said.seed)
    killed = 0
    for number in range(1, said.kills + 1):
        process = start([str(home / "plans.ndjson")], url, "--ledger", str(home / "ledger"), "--jobs", str(said.jobs))
        killed += kill_when(process, home / "ledger", said.count * number // (said.kills + 1), chance.random())
        print(f"  killed with {finished(home / 'ledger')} plans done", flush=True)
    return killed


def _there(home: Path, url: str) -> int:
    wanted, found = Counter(), Counter()
    with (home / "plans.ndjson").open() as lines:
        some = [json.loads(line) for line in lines]
    for at in range(0, len(some), 50):
        wanted += expected(some[at : at + 50])
        found += held(url, some[at : at + 50])
    print(f"{len(wanted)} resources sent; {len(wanted - found)} lacking, {len(found - wanted)} doubled")
    return 0 if wanted == found else 1


if __name__ == "__main__":
    sys.exit(main())
