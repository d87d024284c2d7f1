"""Settings of the command line: flag > environment > file > default.

The file is `waykeeper.toml` in the current folder, else `[tool.waykeeper]` of its `pyproject.toml`:

    clinic = "clinic.yaml"          # WAYKEEPER_CLINIC     compile
    to = "ward"                     # WAYKEEPER_TO         push, note
    from = ["ward"]                 # WAYKEEPER_FROM       gaps; sheet and calendar without a bundle
    language = "en"                 # WAYKEEPER_LANGUAGE   sheet, calendar, where the patient's record names none
    format = "text"                 # WAYKEEPER_FORMAT     text or json

    [servers.ward]
    url = "https://fhir.example.org/r4"
    holds = "patients"              # "test" (the default) refuses patients without the test-data label

Secrets are never in it: the token of a server comes from WAYKEEPER_TOKEN.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, NoReturn

WORDS = ("clinic", "to", "from", "language", "format")
ALLOWED = {"language": ("en", "es"), "format": ("text", "json")}
SERVER_KEYS = ("url", "holds")
HOLDS = ("test", "patients")
SECRET = re.compile(r"token|password|secret|credential|api_?key", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class ServerEntry:
    """A FHIR server with a name, and what it may hold."""

    url: str
    holds: Literal["test", "patients"] = "test"


@dataclass(frozen=True, slots=True)
class Settings:
    """What environment and file say; "" or nothing where they do not."""

    clinic: str = ""
    to: str = ""
    from_: tuple[str, ...] = ()
    language: str = ""
    format: str = ""
    servers: Mapping[str, ServerEntry] = field(default_factory=dict)

    def defaults(self) -> dict[str, dict[str, Any]]:
        """Command -> parameter -> value, for the options whose default comes from here."""
        commands = ("compile", "push", "note", "gaps", "check", "validate")
        made: dict[str, dict[str, Any]] = {command: {} for command in commands}
        if self.clinic:
            made["compile"]["clinic"] = self.clinic
        if self.to:
            made["push"]["to"] = made["note"]["to"] = self.to
        if self.from_:
            made["gaps"]["from_"] = list(self.from_)
        if self.format:
            for command in ("check", "validate", "push", "gaps"):
                made[command]["format_"] = self.format
        return made

    def server(self, text: str, option: str) -> ServerEntry:
        """A server by its name or its address. Raises WaykeeperError WKC202."""
        if text in self.servers:
            return self.servers[text]
        if text.startswith(("http://", "https://")):
            known = [entry for entry in self.servers.values() if entry.url.rstrip("/") == text.rstrip("/")]
            return known[0] if known else ServerEntry(text)
        shown = repr(text) if "@" not in text else "an address with an @"
        from waykeeper.findings import WaykeeperError, did_you_mean, finding

        remedy = did_you_mean(text, self.servers) if self.servers else "Write the FHIR base address: https://host/path."
        details = f"{option} is {shown}, which is neither an address nor a server of waykeeper.toml"
        raise WaykeeperError(finding("WKC202", details, help=remedy))


def read_settings(folder: Path | None = None, environment: Mapping[str, str] | None = None) -> Settings:
    """The settings of a folder and an environment. Raises WaykeeperError WKC204, naming file and line."""
    file, text, table = _table(folder or Path())
    said = _Said(file, text)
    servers = said.servers(table.pop("servers", {}))
    words = said.words(table)
    for name in WORDS:
        value = (os.environ if environment is None else environment).get(f"WAYKEEPER_{name.upper()}", "")
        if value:
            _Said("", "").allowed(name, value, f"WAYKEEPER_{name.upper()}")
            words[name] = value.split() if name == "from" else value
    from_ = words.pop("from", ())
    sources = (from_,) if isinstance(from_, str) else tuple(from_)
    return Settings(**words, from_=sources, servers=servers)


def _table(folder: Path) -> tuple[str, str, dict[str, Any]]:
    """The file's name, its text, and the table that is ours."""
    own, project = folder / "waykeeper.toml", folder / "pyproject.toml"
    if own.is_file():
        text = _text(own)
        return str(own), text, _parsed(own, text)
    if project.is_file():
        text = _text(project)
        if "waykeeper" in text:
            table = _parsed(project, text).get("tool", {})
            ours = table.get("waykeeper", {}) if isinstance(table, dict) else {}
            if not isinstance(ours, dict):
                _Said(str(project), text).wrong("waykeeper", "tool.waykeeper must be a table")
            return str(project), text, ours
    return "", "", {}


def _text(file: Path) -> str:
    try:
        return file.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError):
        raise _unusable("the file cannot be read as UTF-8", str(file)) from None


def _parsed(file: Path, text: str) -> dict[str, Any]:
    import tomllib

    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
        line, column = (int(place[1]), int(place[2])) if place else (0, 0)
        raise _unusable(f"not TOML: {str(error).partition(' (at')[0].lower()}", str(file), line, column) from None


def _unusable(details: str, file: str, line: int = 0, column: int = 0, remedy: str = "") -> Exception:
    from waykeeper.findings import Position, WaykeeperError, finding

    return WaykeeperError(finding("WKC204", details, Position(file, line, column), remedy))


def _nearest(word: str, known: Iterable[str]) -> str:
    from waykeeper.findings import did_you_mean

    return did_you_mean(word, known)


@dataclass(frozen=True, slots=True)
class _Said:
    """What a file says, checked key by key."""

    file: str
    text: str

    def words(self, table: Mapping[str, Any]) -> dict[str, Any]:
        for name, value in table.items():
            if name not in WORDS:
                self._unknown(name, (*WORDS, "servers"))
            texts = value if name == "from" and isinstance(value, list) else [value]
            if not texts or not all(isinstance(one, str) and one for one in texts):
                self.wrong(name, f"{name} must be a text")
            for one in texts:
                self.allowed(name, one, name)
        return dict(table)

    def allowed(self, name: str, value: str, shown: str) -> None:
        known = ALLOWED.get(name)
        if known and value not in known:
            self.wrong(name, f"{shown} is {value!r}", _nearest(value, known))

    def servers(self, table: Any) -> dict[str, ServerEntry]:
        if not isinstance(table, dict) or not all(isinstance(entry, dict) for entry in table.values()):
            self.wrong("servers", "servers must be tables", 'Write [servers.NAME] and below it url = "https://..."')
        return {name: self._server(name, entry) for name, entry in table.items()}

    def _server(self, name: str, entry: Mapping[str, Any]) -> ServerEntry:
        for key in entry:
            if key not in SERVER_KEYS:
                self._unknown(key, SERVER_KEYS)
        url, holds = entry.get("url", ""), entry.get("holds", "test")
        if not isinstance(url, str) or not url.startswith(("http://", "https://")):
            self.wrong("url", f"server {name!r} has no url that begins with https://")
        if holds not in HOLDS:
            self.wrong("holds", f"server {name!r} holds {holds!r}", _nearest(str(holds), HOLDS))
        return ServerEntry(url, holds)

    def _unknown(self, name: str, known: tuple[str, ...]) -> NoReturn:
        if SECRET.search(name):
            self.wrong(name, f"{name} is a secret", "Secrets come from the environment: WAYKEEPER_TOKEN.")
        self.wrong(name, f"unknown key {name!r}", _nearest(name, known))

    def wrong(self, name: str, details: str, remedy: str = "") -> NoReturn:
        """Raises WaykeeperError WKC204 at the line of a key."""
        line = self._line(name)
        raise _unusable(details, self.file, line, 1 if line else 0, remedy)

    def _line(self, name: str) -> int:
        lines = self.text.splitlines()
        pattern = re.compile(rf'^\s*\[?[\w."]*?"?{re.escape(name)}"?\s*[=.\]]')
        return next((n for n, line in enumerate(lines, 1) if pattern.match(line)), 0)
