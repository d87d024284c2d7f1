"""How fast the validator is beside the official validator and `fhir.resources`, in one run: ratios, not promises.

    python tests/benchmarks/bench_validate.py [--no-java] [--lines N]

Prints one line a measure. Each time is the best of several passes, so that a busy machine distorts little.
"""

from __future__ import annotations

import argparse
import json
import resource as os_resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

ROOT = Path(__file__).parents[2]
COMMAND = Path(sys.executable).with_name("waykeeper")
SYSTEM = "http://example.org/clinic"
START = "2026-03-02T08:00:00+01:00"


def plan_entry(number: int, patient: str) -> dict[str, Any]:
    """One resource of a plan as Waykeeper writes them: identifier, code, text, dates, references."""
    name = f"r{number}"
    common: dict[str, Any] = {
        "id": name,
        "identifier": [{"system": f"{SYSTEM}/items", "value": f"item-{number}"}],
        "meta": {"tag": [{"system": f"{SYSTEM}/tags", "code": "plan"}]},
    }
    about = {"reference": patient, "display": "Invented Person"}
    concept = {"coding": [{"system": f"{SYSTEM}/codes", "code": f"c{number % 7}"}], "text": "wound check"}
    period = {"start": "2026-03-02", "end": "2026-03-09"}
    bodies: list[dict[str, Any]] = [
        {"resourceType": "Task", "status": "requested", "intent": "plan", "priority": "routine", "code": concept,
         "description": "call the patient before the visit", "for": about, "authoredOn": START,
         "restriction": {"period": period, "repetitions": 1}, "owner": {"reference": "PractitionerRole/nurse"},
         "input": [{"type": {"text": "question"}, "valueString": "any wound trouble?"}]},
        {"resourceType": "ServiceRequest", "status": "active", "intent": "plan", "code": concept, "subject": about,
         "occurrencePeriod": period, "category": [concept], "performerType": concept, "note": [{"text": "shoes"}]},
        {"resourceType": "Appointment", "status": "proposed", "requestedPeriod": [period], "minutesDuration": 30,
         "serviceType": [concept], "participant": [{"actor": about, "required": "required", "status": "needs-action"}]},
        {"resourceType": "CommunicationRequest", "status": "active", "subject": about, "occurrencePeriod": period,
         "payload": [{"contentString": "rest the leg above the heart"}], "priority": "routine"},
    ]  # fmt: skip
    body = bodies[number % len(bodies)]
    return {**body, **common}


def plan_bundle(entries: int) -> dict[str, Any]:
    """A transaction of a patient and a plan."""
    patient = "urn:uuid:0b1c2d3e-0000-4000-8000-000000000000"
    made = [{"fullUrl": patient, "resource": {"resourceType": "Patient", "id": "p"}, "request": {"method": "PUT", "url": "Patient/p"}}]  # fmt: skip  # noqa: E501
    for number in range(1, entries):
        held = plan_entry(number, patient)
        url = f"{held['resourceType']}/{held['id']}"
        full = f"urn:uuid:0b1c2d3e-0000-4000-8000-{number:012x}"
        made.append({"fullUrl": full, "resource": held, "request": {"method": "PUT", "url": url}})
    return {"resourceType": "Bundle", "type": "transaction", "entry": made}


def best(work: Callable[[], object], passes: int = 15) -> float:
    """The shortest of several passes, in milliseconds of processor time."""
    times = []
    for _ in range(passes):
        begun = time.process_time()
        work()
        times.append((time.process_time() - begun) * 1000)
    return min(times)


def mean(work: Callable[[], object], passes: int = 60) -> float:
    """The mean of several passes, in milliseconds of wall time: what the official validator's own option prints."""
    begun = time.perf_counter()
    for _ in range(passes):
        work()
    return (time.perf_counter() - begun) * 1000 / passes


def official(text: str, passes: int) -> float | None:
    """The official validator's warm time for the text in milliseconds, or None where it cannot be started."""
    from contract.peers import HOME

    if not (HOME / "target/classes/FhirJudge.class").exists():
        return None
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "bundle.json"
        file.write_text(text, "utf-8")
        options = ["-Xmx3g", f"-Dbench={passes}", "-Dorg.slf4j.simpleLogger.defaultLogLevel=error"]
        command = ["java", *options, "-cp", f"{HOME}/target/classes:{HOME}/lib/*", "FhirJudge", str(file)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    words = done.stderr.split()
    return float(words[words.index("ms") - 1]) if "ms" in words else None


def models(text: str) -> float:
    """Parsing the same bundle with fhir.resources, every entry as the model of its type."""
    from fhir.resources.R4B.bundle import Bundle

    return best(lambda: Bundle.model_validate_json(text), 7)


def command(*words: str) -> tuple[float, float]:
    """(wall, processor) seconds of a whole process of `waykeeper validate`, the best of five of each."""
    times = []
    for _ in range(5):
        before, begun = os_resource.getrusage(os_resource.RUSAGE_CHILDREN), time.perf_counter()
        subprocess.run([COMMAND, "validate", *words], check=True, capture_output=True)
        after = os_resource.getrusage(os_resource.RUSAGE_CHILDREN)
        spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        times.append((time.perf_counter() - begun, spent))
    return min(wall for wall, _ in times), min(spent for _, spent in times)


# Run by an interpreter of its own, so that the largest child is the largest process of this run and of no other.
PEAK = """
import resource, subprocess, sys, time
begun = time.perf_counter()
subprocess.run(sys.argv[1:], check=True, capture_output=True)
print(time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss // 1024)
"""


def ndjson(count: int) -> tuple[float, int]:
    """Seconds, and MiB of the largest of its processes, of the command for `count` resources on two processors."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "plan.ndjson"
        with file.open("w", encoding="utf-8") as out:
            for number in range(count):
                out.write(json.dumps(plan_entry(number, "Patient/p")) + "\n")
        words = [str(COMMAND), "validate", str(file), "--jobs", "2"]
        done = subprocess.run([sys.executable, "-c", PEAK, *words], check=True, capture_output=True, text=True)
    seconds, memory = done.stdout.split()
    return float(seconds), int(memory)


def bundles() -> list[tuple[str, dict[str, Any]]]:
    """What is measured: two bundles of the usual size, and a whole plan of the library, with larger entries."""
    golden = json.loads((ROOT / "sandbox_bundles/demo-left/plan.bundle.json").read_text("utf-8"))
    made = [(f"{entries} entries", plan_bundle(entries)) for entries in (61, 99)]
    return [*made, (f"a whole plan, {len(golden['entry'])} entries", golden)]


def main() -> int:
    """Run every measure and print it."""
    from waykeeper.validate import own_definitions, validate, validate_json

    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--no-java", action="store_true")
    options.add_argument("--lines", type=int, default=100_000)
    given = options.parse_args()
    out = sys.stdout.write
    own = [own_definitions()]
    for name, bundle in bundles():
        text = json.dumps(bundle)
        found = [f for f in validate(bundle, own) if f.severity == "error"]
        assert not found, found[:3]
        ours, ours_dict, theirs = (
            best(lambda t=text: validate_json(t, own)),
            best(lambda b=bundle: validate(b, own)),
            models(text),
        )
        out(f"{name} ({len(text) // 1024} KiB): text {ours:.2f} ms, dict {ours_dict:.2f} ms; ")
        out(f"fhir.resources parses in {theirs:.2f} ms ({theirs / ours:.1f} x ours)\n")
        java = None if given.no_java else official(text, 60 if len(text) < 200_000 else 5)
        if java is not None:
            same = mean(lambda t=text: validate_json(t, own))
            out(f"  official validator, warm, mean: {java:.1f} ms ({java / same:.1f} x ours, mean {same:.1f} ms)\n")
    for entries in (100, 1_000, 10_000):
        bundle = plan_bundle(entries)
        spent = best(lambda b=bundle: validate(b), 3)
        out(f"{entries} entries: {spent:.1f} ms, {spent / entries * 1000:.0f} us an entry\n")
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "task.json"
        file.write_text(json.dumps(plan_entry(4, "Patient/p")), "utf-8")
        plan = ROOT / "sandbox_bundles/demo-left/plan.bundle.json"
        for name, one in (("one task", file), ("a whole plan", plan)):
            wall, spent = command(str(one))
            out(f"cold start, waykeeper validate, {name}: {wall:.2f} s wall, {spent:.2f} s of the processor\n")
    for lines in (given.lines // 4, given.lines):
        seconds, memory = ndjson(lines)
        out(f"{lines} NDJSON resources, two processes: {seconds:.1f} s, the largest {memory} MiB\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
