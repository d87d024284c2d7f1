"""What a push costs beside the server's own work: one patient with just over 100 resources, decide, send, read back.

    python tests/benchmarks/bench_push.py [PATIENTS] [BASE]

Against the real server of tests/contract/server (Java), or the one at BASE; without Java against the sandbox, which
says little, as it shares this process. Server time is, for each request of the push, from its last byte sent to the
headers of the answer; all else is overhead: reading the bundle, deciding, building, serialising, receiving, parsing,
and deciding again over what was read back. The target is overhead of at most 25 % of the server's time, both measured
in the same run; the median over the patients counts. `again` is the same push once more, which changes nothing.
"""

from __future__ import annotations

import json
import os
import runpy
import statistics
import sys
import time
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from datetime import time as clock
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from contract.peers import missing, real_server, sandbox_server
from waykeeper import fhir
from waykeeper.exchange import Server
from waykeeper.exchange.pushing import push
from waykeeper.pathway.model import Pathway
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Plan
from waykeeper.record import read
from waykeeper.timing.model import Moment
from waykeeper.verbs import inputs

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
RESOURCES = 100
TARGET = 25.0  # per cent
HERE = Path(__file__).parent


def plans(count: int) -> list[Plan]:
    """So many plans of different invented patients, each just over 100 resources."""
    clinic = inputs.clinic_of("clinic-demo")
    pathway, _ = inputs.pathway_of("total-ankle-replacement", clinic)
    patients = runpy.run_path(str(HERE / "bench_compile.py"))["patients"]
    people = list(patients(count, int(time.time()) % 10_000_000))

    def plan(one: Any, part: Pathway) -> Plan:
        given = {"surgery": Moment(one[1], clock(7, 30), clinic.zone)}
        return compile_plan(part, clinic, read(one[0]), given, side="left", anaesthesia="general")

    made = []
    for one in people:
        sizes = range(1, len(pathway.items) + 1)
        parts = (replace(pathway, items=pathway.items[:end]) for end in sizes)
        made.append(next(p for part in parts if len(fhir.write(p := plan(one, part))) > RESOURCES))
    return made


def measured(document: dict[str, Any], base: str) -> tuple[float, float, int, int]:
    """Milliseconds of a whole push, of them the server's, how many requests, how many resources were sent."""
    server = Server(base)
    spent: list[float] = []
    server._session.hooks["response"].append(lambda r, *_, **__: spent.append(r.elapsed.total_seconds() * 1000))
    begun = time.perf_counter()
    report = push(document, server, now=NOW)
    whole = (time.perf_counter() - begun) * 1000
    assert report.findings == (), report.findings
    return whole, sum(spent), len(spent), len(report.changes)


def shown(name: str, rows: list[tuple[float, float, int, int]]) -> float:
    """Print the medians of some pushes; gives the overhead in per cent."""
    whole, served, requests, sent = (statistics.median(row[n] for row in rows) for n in range(4))
    overhead = statistics.median((row[0] - row[1]) / row[1] * 100 for row in rows)
    sys.stdout.write(
        f"{name:9} {whole:7.1f} ms, the server {served:7.1f} ms in {requests:.0f} requests, {sent:.0f} resources sent: "
        f"overhead {whole - served:6.1f} ms, {overhead:.0f} %\n"
    )
    return overhead


def main(count: int = 12, base: str = "") -> int:
    """Measure and print; 1 where the target is missed against a real server."""
    with ExitStack() as stack:
        why = missing()
        real = bool(base) or not why
        if not base:
            base = stack.enter_context(real_server() if real else sandbox_server()).base
        if not real:
            sys.stdout.write(f"against the sandbox, for {why}\n")
        documents = [json.loads(json.dumps(fhir.bundle(one))) for one in plans(count + 3)]
        for document in documents[:3]:  # the server's own warming up
            measured(document, base)
        first = [measured(document, base) for document in documents[3:]]
        again = [measured(document, base) for document in documents[3:]]
        overhead = shown("push", first)
        shown("again", again)
        if real:
            sys.stdout.write(f"target: at most {TARGET:.0f} %\n")
        return int(real and overhead > TARGET and os.environ.get("WAYKEEPER_BENCH_STRICT") == "1")


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 12, sys.argv[2] if len(sys.argv) > 2 else ""))
