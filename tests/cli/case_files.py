"""One case of tests/cases/cli: files are laid out, a command runs, and what it says and leaves is looked at.

    name     what is wrong
    run      the command line after `waykeeper`
    files    name -> text, or a mapping: json, ndjson, hex, repeat, gzip, library (with replace), folder, bundle_of
             (names in the library, one Bundle of all; exported_without: as a server gives it, without these types)
    stdin    text for standard input
    env      environment
    exit     the exit code, 2 where none is given
    says     a pattern, or several, each found on standard error
    lines    how many lines standard error has, 1 where none is given; 0 for any number
    stdout   a pattern that standard output matches; nothing is printed where none is given
    left     files that stand afterwards beside the given ones

COMPILE at the beginning of `run` is a whole compile of record.json into out.json; a later option outranks its own.
NOTE is a note about that patient by Ann, without item and word.
Placeholders in `run`: URL a server that holds the invented patient, CLOSED a port where nothing listens, BUSY one that
is in use.
"""

from __future__ import annotations

import gzip
import io
import json
import re
import shlex
import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from waykeeper.cli.main import main
from waykeeper.pathway.library import folder
from yaml_text import typed

COMPILE = (
    "compile total-ankle-replacement --clinic clinic-demo --patient record.json --surgery 2026-03-18T07:30 --side left"
    " --anaesthesia spinal --output out.json"
)
NOTE = "note --to URL --patient 'https://alder-quay.example/mrn|AQ-1001' --by Ann"
CASES = Path(__file__).parents[1] / "cases" / "cli"
LIBRARY = {"pathways": folder("pathways"), "bundles": folder("sandbox_bundles")}


@dataclass(frozen=True)
class Case:
    """One case as its file says it."""

    command: str
    said: Mapping[str, Any]

    def __str__(self) -> str:
        return f"{self.command}: {self.said['name']}"


def cases() -> list[Case]:
    """Every case of every file."""
    return [Case(file.stem, said) for file in sorted(CASES.glob("*.yaml")) for said in typed(file.read_text())]


def lay_out(said: Mapping[str, Any], place: Path) -> None:
    """The files of a case."""
    for name, content in (said.get("files") or {}).items():
        target = place / name
        target.parent.mkdir(parents=True, exist_ok=True)
        if isinstance(content, dict) and "folder" in content:
            target.mkdir()
        else:
            target.write_bytes(_content(content))


def _content(content: Any) -> bytes:
    if isinstance(content, str):
        return content.encode()
    if "json" in content:
        return json.dumps(content["json"]).encode()
    if "ndjson" in content:
        return b"".join(
            (one if isinstance(one, str) else json.dumps(one)).encode() + b"\n" for one in content["ndjson"]
        )
    if "repeat" in content:
        return (content["repeat"] * content["times"]).encode()
    if "hex" in content:
        return bytes.fromhex(content["hex"])
    if "gzip" in content:
        return gzip.compress(_content(content["gzip"]))[: content.get("cut")]
    if "bundle_of" in content:
        found = [e for name in content["bundle_of"] for e in json.loads(_of_library(name))["entry"]]
        entries = _exported(found, content["exported_without"]) if "exported_without" in content else found
        return json.dumps({"resourceType": "Bundle", "type": "collection", "entry": entries}).encode()
    text = _of_library(content["library"]).decode()
    for old, new in content.get("replace", {}).items():
        assert old in text, f"the library's {content['library']} has no {old!r} to replace"
        text = text.replace(old, new)
    return text.encode()


def _exported(entries: list[dict[str, Any]], without: Sequence[str]) -> list[dict[str, Any]]:
    """What a server would give: ids, and references by type and id."""
    text = json.dumps([{"resource": {**e["resource"], "id": e["fullUrl"].removeprefix("urn:uuid:")}} for e in entries])
    for entry in entries:
        literal = entry["fullUrl"].replace("urn:uuid:", f"{entry['resource']['resourceType']}/")
        text = text.replace(f'"{entry["fullUrl"]}"', f'"{literal}"')
    return [e for e in json.loads(text) if e["resource"]["resourceType"] not in without]


@cache
def _of_library(name: str) -> bytes:
    place, _, rest = name.partition("/")
    found = LIBRARY[place]
    for part in rest.split("/"):
        found = found / part
    return found.read_bytes()


@dataclass(frozen=True)
class Outcome:
    """What a command did."""

    code: int
    out: str
    err: str


def run(said: Mapping[str, Any], places: Mapping[str, str], monkeypatch: Any, capfdbinary: Any) -> Outcome:
    """Run a case in this process; both streams as the terminal would get them."""
    for name, value in (said.get("env") or {}).items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(_content(said.get("stdin", "")))))
    code = main(arguments(said, places))
    sys.stdout.flush()
    out, err = capfdbinary.readouterr()
    return Outcome(code, out.decode(), err.decode())


def arguments(said: Mapping[str, Any], places: Mapping[str, str]) -> list[str]:
    """The words of the command line."""
    line = str(said["run"]).replace("COMPILE", COMPILE).replace("NOTE", NOTE)
    return [_filled(word, places) for word in shlex.split(line)]


def _filled(word: str, places: Mapping[str, str]) -> str:
    for name, value in places.items():
        word = word.replace(name, value)
    return word


def judge(said: Mapping[str, Any], outcome: Outcome) -> None:
    """The exit code, the message, and that nothing else was said."""
    wanted = said.get("exit", 2)
    assert outcome.code == wanted, f"exit {outcome.code}, {wanted} is wanted; it said: {outcome.err or outcome.out}"
    patterns = said.get("says") or []
    for pattern in [patterns] if isinstance(patterns, str) else patterns:
        assert re.search(pattern, outcome.err), f"{pattern!r} is not in: {outcome.err}"
    assert "Traceback" not in outcome.err
    assert "WKC901" not in outcome.err, outcome.err
    lines = said.get("lines", 1)
    assert not lines or len(outcome.err.splitlines()) == lines, f"not {lines} lines: {outcome.err}"
    if "stdout" in said:
        assert re.search(said["stdout"], outcome.out), outcome.out
    else:
        assert outcome.out == "", f"standard output is not empty: {outcome.out[:300]}"


def private(place: Path) -> set[str]:
    """Names, birth dates and identifiers of the patients in the files of a case."""
    files = [file for file in place.rglob("*") if file.is_file() and file.suffix == ".json"]
    return {secret for file in files for secret in _secrets(file.read_bytes())}


@cache
def _secrets(content: bytes) -> frozenset[str]:
    try:
        return frozenset(_private(json.loads(content)))
    except (ValueError, RecursionError):
        return frozenset()


def _private(value: Any) -> Iterator[str]:
    if isinstance(value, list):
        for part in value:
            yield from _private(part)
    elif isinstance(value, dict):
        if value.get("resourceType") == "Patient":
            yield from (str(n[k]) for n in value.get("name", []) for k in ("family", "text") if k in n)
            yield from (str(i["value"]) for i in value.get("identifier", []) if "value" in i)
            yield from ([value["birthDate"]] if "birthDate" in value else [])
        else:
            for part in value.values():
                yield from _private(part)


def listing(place: Path) -> dict[str, bytes]:
    """Every file with its content."""
    return {str(f.relative_to(place)): f.read_bytes() for f in sorted(place.rglob("*")) if f.is_file()}
