"""`waykeeper demo`: the whole job for one invented patient, by the commands that anybody would type.

Every line that starts with `$` is run as it stands, through the same command line; nothing is prepared beforehand but
the invented clinic's own data.
"""

from __future__ import annotations

import contextlib
import io
import shlex
import shutil
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from waykeeper.exchange.files import folder_for
from waykeeper.findings import WaykeeperError, finding

PATIENT = "demo-left"
SHOWN_DECISIONS = 6  # lines of a long listing that the demo prints
Run = Callable[[list[str]], int]


def demo(output: str, run: Run) -> int:
    """Run the demo into a folder. `run` runs one command line and returns its exit code."""
    folder = folder_for(output)
    case, notes = _case()
    data = folder / "data"
    _lay_out(data)
    return _Demo(folder, data, case, notes, run).play()


def _case() -> tuple[dict[str, Any], list[dict[str, str]]]:
    import yaml

    from waykeeper.pathway.library import folder

    library = folder("sandbox_bundles")
    cases = yaml.load((library / "cases.yaml").read_text("utf-8"), Loader=yaml.BaseLoader)
    notes = yaml.load((library / "notes.yaml").read_text("utf-8"), Loader=yaml.BaseLoader)
    return cases[PATIENT], notes[PATIENT]


def _lay_out(data: Path) -> None:
    """The invented clinic's files as an engineer would find them: the record for the server, the bookings apart."""
    from waykeeper.pathway.library import folder

    shutil.rmtree(data, ignore_errors=True)
    for name, place in (("record.bundle.json", data / "record"), ("bookings.bundle.json", data / "bookings")):
        place.mkdir(parents=True)
        (place / name).write_bytes((folder("sandbox_bundles") / PATIENT / name).read_bytes())


class _Demo:
    """One run of the demo."""

    def __init__(
        self, folder: Path, data: Path, case: Mapping[str, str], notes: list[dict[str, str]], run: Run
    ) -> None:
        self.folder, self.data, self.case, self.notes, self.run = folder, data, case, notes, run
        self.plan = str(folder / "plan.bundle.json")

    def play(self) -> int:
        from waykeeper.sandbox import running

        case = self.case
        self.say("1. The pathway is checked and compiled for an invented patient, Maren Wintergale.")
        self.do("check", case["pathway"])
        self.do(
            "compile", case["pathway"], "--clinic", case["clinic"],
            "--patient", str(self.data / "record" / "record.bundle.json"),
            "--surgery", case["surgery"], "--side", case["side"], "--anaesthesia", case["anaesthesia"],
            "--output", self.plan,
        )  # fmt: skip
        self.do("explain", "visit/six-week", "--in", self.plan)
        self.say("2. The bundle is validated as FHIR R4.")
        self.do("validate", self.plan)
        self.say("3. A FHIR server is started that already holds her record. The plan is pushed, and pushed again.")
        self.show("waykeeper", "sandbox", "--port", "0", "--load", str(self.data / "record"))
        with running(load=self.data / "record") as url:
            print(f"READY {url}")
            self.do("push", self.plan, "--to", url, shorten=True)
            self.do("push", self.plan, "--to", url, shorten=True)
            self.live(url)
        self.say(f"Left in {self.folder}: " + ", ".join(sorted(f.name for f in self.folder.glob("*.*"))))
        return 0

    def live(self, url: str) -> None:
        """What happens on the server: people book, attend, miss and record; then the reports."""
        patient = self.case["patient"]
        before = [n for n in self.notes if n["on"] < self.case["surgery"][:10]]
        self.say(f"4. Until surgery the scheduler books, and people record what they do: {len(before)} notes.")
        self.book(url, before=True)
        self.record(before, url)
        self.say("5. The plan is compiled with what they recorded, and pushed: answered holds get their days.")
        self.do(
            "compile", self.case["pathway"], "--clinic", self.case["clinic"],
            "--from", url, "--patient-identifier", patient,
            "--surgery", self.case["surgery"], "--side", self.case["side"], "--anaesthesia", self.case["anaesthesia"],
            "--output", self.plan,
        )  # fmt: skip
        self.do("push", self.plan, "--to", url, shorten=True)
        self.say("6. The patient's sheet and calendar, as on the day of her last telephone call before surgery.")
        self.do(
            "sheet", "--from", url, "--patient", patient, "--as-of", "2026-03-16",
            "--html", str(self.folder / "sheet.html"),
        )  # fmt: skip
        self.do(
            "calendar", "--from", url, "--patient", patient, "--as-of", "2026-03-16",
            "--ics", str(self.folder / "calendar.ics"),
        )  # fmt: skip
        self.say("7. The clinic's scheduler, who knows nothing of Waykeeper, books in the same server.")
        self.book(url, before=False)
        self.do("push", self.plan, "--to", url, shorten=True)
        self.say("Their bookings stand; our own proposals for those visits gave way. People record on:")
        self.record([n for n in self.notes if n not in before], url)
        self.say("The day of discharge and two answers are known now: the plan is made again with them (move).")
        why = ("--by", "Ruth Alderman, RN", "--reason", "discharged")
        self.do("move", "--from", url, "--patient", patient, *why, "--as-of", "2026-03-20", shorten=True)
        self.say(f"8. On {self.case['as_of']} the coordinator asks: who missed what, and what do I do this morning?")
        self.do(
            "gaps", "--from", url, "--as-of", self.case["as_of"],
            "--html", str(self.folder / "gaps.html"), "--csv", str(self.folder / "gaps.csv"),
            "--json", str(self.folder / "gaps.json"),
        )  # fmt: skip

    def book(self, url: str, *, before: bool) -> None:
        """The scheduler's transaction, sent as any client sends one: what lies before surgery, or the rest."""
        from waykeeper.exchange import Server
        from waykeeper.exchange.files import read_json

        path = self.data / "bookings" / "bookings.bundle.json"
        document = read_json(str(path))
        surgery = self.case["surgery"][:10]
        dated = [(_day(e["resource"]), e) for e in document["entry"]]  # without a day: the Patient, created once
        entries = [e for day, e in dated if not day or (day < surgery) is before]
        Server(url).bundle({**document, "entry": entries})
        print(f"  {len(entries)} resources of the clinic's own written, from {path}")

    def record(self, notes: list[dict[str, str]], url: str) -> None:
        """Write notes; the first and one prescriber's answer are shown."""
        answer = next((n for n in notes if n["what"] == "answered"), None)
        for note in notes:
            self.do(*self.note(note, url), quiet=note is not notes[0] and note is not answer)

    def note(self, note: Mapping[str, str], url: str) -> list[str]:
        """One line of notes.yaml as a command."""
        said = ["note", note["item"], note["what"], "--to", url, "--patient", self.case["patient"]]
        said += ["--by", note["by"], "--on", note["on"]]
        for name in ("days", "decision", "text"):
            said += [f"--{name}", note[name]] if name in note else []
        return said

    def say(self, text: str) -> None:
        """A heading."""
        print(f"\n{text}\n", flush=True)

    def show(self, *command: str) -> None:
        """A command as it would be typed."""
        print(f"$ {shlex.join(command)}", flush=True)

    def do(self, *arguments: str, shorten: bool = False, quiet: bool = False) -> None:
        """Show and run one command. Raises WaykeeperError where it fails: a demo that hides a failure is a lie."""
        if not quiet:
            self.show("waykeeper", *arguments)
        held = io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True)
        caught = shorten or quiet
        with contextlib.ExitStack() as stack:
            if caught:
                stack.enter_context(contextlib.redirect_stdout(held))
                stack.enter_context(contextlib.redirect_stderr(held))
            code = self.run(list(arguments))
        said = held.buffer.getvalue().decode()
        if code:
            print(said, file=sys.stderr)
            raise WaykeeperError(finding("WKC901", f"the demo's command {arguments[0]!r} ended with exit code {code}"))
        if shorten and not quiet:
            _shortened(said)


def _day(resource: Mapping[str, Any]) -> str:
    """The day of a booking, a visit or an operation."""
    period = resource.get("period") or resource.get("performedPeriod") or {}
    return str(resource.get("start") or resource.get("performedDateTime") or period.get("start") or "")[:10]


def _shortened(text: str) -> None:
    """The first lines of a long listing, how many were left out, and its last lines."""
    lines = text.splitlines()
    left = len(lines) - 2 * SHOWN_DECISIONS
    if left > 1:
        lines = [*lines[:SHOWN_DECISIONS], f"  ... {left} lines more ...", *lines[-SHOWN_DECISIONS:]]
    print("\n".join(lines))
