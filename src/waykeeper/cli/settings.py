"""Settings of the command line: flag > environment > file > default.

The file is `waykeeper.toml` in the current folder, else `[tool.waykeeper]` of its `pyproject.toml`:

    clinic = "clinic.yaml"          # WAYKEEPER_CLINIC     compile; whose number --patient is where it names no system
    to = "ward"                     # WAYKEEPER_TO         push, note, server
    from = ["ward"]                 # WAYKEEPER_FROM       gaps; sheet and calendar without a bundle
    language = "en"                 # WAYKEEPER_LANGUAGE   sheet, calendar, where the patient's record names none
    format = "text"                 # WAYKEEPER_FORMAT     text or json

    [servers.ward]
    url = "https://fhir.example.org/r4"
    holds = "patients"              # "test" (the default) refuses patients without the test-data label
    proxy = "http://proxy.example.org:3128"
    ca_bundle = "hospital-ca.pem"   # who may sign its certificate
    client_certificate = "our.pem"  # ours, with its key in it or as client_key
    allow_http = false              # true: patient data may travel unencrypted
    calls_itself = "http://fhir.internal:8080/r4"   # in its links, where a proxy gives it another name; see WKX210
    auth = "smart"                  # none, bearer, basic or smart; without it WAYKEEPER_TOKEN is sent where it is set
    client_id = "waykeeper"         # smart (SMART Backend Services); also key_id, scopes, token_url
    key_file = "key.jwks.json"      # JWK, JWK Set or PEM: RSA (RS384) or P-384 (ES384)
    # auth = "bearer":  token_env = "WARD_TOKEN"  or  token_file = "token"
    # auth = "basic":   user = "ward", and  password_env = "WARD_PASSWORD"  or  password_file = "password"

Paths count from the folder of the file. Secrets are never in it, only the names of their places.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import takewhile
from pathlib import Path
from typing import Any, Literal, NoReturn

WORDS = ("clinic", "to", "from", "language", "format")
ALLOWED = {"language": ("en", "es"), "format": ("text", "json")}
HOLDS = ("test", "patients")
# auth -> the keys that it needs (one of each group), then those that it may have
AUTHS: Mapping[str, tuple[tuple[tuple[str, ...], ...], tuple[str, ...]]] = {
    "none": ((), ()),
    "bearer": ((("token_env", "token_file"),), ()),
    "basic": ((("user",), ("password_env", "password_file")), ()),
    "smart": ((("client_id",), ("key_file",)), ("key_id", "scopes", "token_url")),
}


def _keys_of(kind: str) -> tuple[str, ...]:
    """The keys that go with a kind of sign-in; none with none."""
    needed, more = AUTHS.get(kind, ((), ()))
    return (*(key for group in needed for key in group), *more)


AUTH_KEYS = tuple(key for kind in AUTHS for key in _keys_of(kind))
PATHS = ("ca_bundle", "client_certificate", "client_key")
SERVER_KEYS = ("url", "holds", "proxy", *PATHS, "allow_http", "calls_itself", "auth", *AUTH_KEYS)
# key with an address -> where the credentials go that somebody wrote into it
CREDENTIALS: Mapping[str, str] = {
    "url": 'Write auth = "basic" and user.',
    "proxy": "Leave proxy out here: HTTPS_PROXY of the environment may hold them.",
    "token_url": "Leave them out: the assertion is signed with the key of key_file.",
}
ADDRESS = "Write the base address that stands in the server's own links."
VARIABLE = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
SECRET = re.compile(r"token|password|secret|credential|api_?key", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class ServerEntry:
    """A FHIR server and what it may hold; the url of one that the settings name knows how it is reached."""

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
        commands = ("compile", "push", "note", "gaps", "check", "validate", "server", "export")
        made: dict[str, dict[str, Any]] = {command: {} for command in commands}
        if self.clinic:
            made["compile"]["clinic"] = self.clinic
        if self.to:
            made["push"]["to"] = made["note"]["to"] = made["server"]["url"] = self.to
        if self.from_:
            made["gaps"]["from_"] = list(self.from_)
        if self.format:
            for command in ("check", "validate", "push", "gaps", "server", "export"):
                made[command]["format_"] = self.format
        return made

    def server(self, text: str, option: str) -> ServerEntry:
        """A server by its name or its address. Raises WaykeeperError WKC202."""
        from waykeeper.exchange.connection import with_its_scheme
        from waykeeper.verbs.words import is_url

        if text in self.servers:
            return self.servers[text]
        if is_url(text):
            url = with_its_scheme(text)
            known = [entry for entry in self.servers.values() if entry.url.rstrip("/") == url.rstrip("/")]
            return known[0] if known else ServerEntry(url)
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


_OURS = re.compile(r"\s*\[\s*tool\.waykeeper\b")


@dataclass(frozen=True, slots=True)
class _Said:
    """What a file says, checked key by key; `server` is the one whose keys are read."""

    file: str
    text: str
    server: str = ""

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
        return {name: replace(self, server=name)._server(name, entry) for name, entry in table.items()}

    def _server(self, name: str, entry: Mapping[str, Any]) -> ServerEntry:
        from waykeeper.exchange.connection import Connection, ServerUrl
        from waykeeper.verbs.words import is_url

        for key, value in entry.items():
            if key not in SERVER_KEYS:
                self._unknown(key, SERVER_KEYS)
            if key == "allow_http" and not isinstance(value, bool):
                self.wrong(key, "allow_http must be true or false")
            if key != "allow_http" and (not isinstance(value, str) or not value):
                self.wrong(key, f"{key} of server {name!r} must be a text")
        url, holds = entry.get("url", ""), entry.get("holds", "test")
        if not is_url(url):
            self.wrong("url", f"server {name!r} has no url that begins with https://")
        for key, remedy in CREDENTIALS.items():
            if "@" in entry.get(key, ""):
                self.wrong(key, f"the {key} of server {name!r} holds credentials", remedy)
        if "calls_itself" in entry and not is_url(entry["calls_itself"]):
            self.wrong("calls_itself", f"calls_itself of server {name!r} is no address that begins with http", ADDRESS)
        if holds not in HOLDS:
            self.wrong("holds", f"server {name!r} holds {holds!r}", _nearest(str(holds), HOLDS))
        if "client_key" in entry and "client_certificate" not in entry:
            self.wrong("client_key", "client_key needs client_certificate")
        ca_bundle, certificate, key = (self._path(entry, one) for one in PATHS)
        made = Connection(
            url, holds, name, entry.get("proxy", ""), ca_bundle, certificate, key,
            allow_http=entry.get("allow_http", False), auth=self._auth(name, entry),
            calls_itself=entry.get("calls_itself", ""),
        )  # fmt: skip
        return ServerEntry(ServerUrl(made), holds)

    def _path(self, entry: Mapping[str, Any], key: str) -> str:
        return str(Path(self.file).parent / entry[key]) if entry.get(key) else ""

    def _auth(self, name: str, entry: Mapping[str, Any]) -> Any:
        """How to sign in: a value of exchange.connection, None where nothing is said."""
        from waykeeper.exchange.connection import SCOPES, Anonymous, Basic, Bearer, Secret, SmartBackend

        kind = entry.get("auth", "")
        self._fits(name, kind, entry)
        places = {key: entry.get(key, "") for key in ("token_env", "password_env")}
        for key, value in places.items():
            if value and not VARIABLE.fullmatch(value):
                remedy = "Give the name of an environment variable, the secret itself is never in this file."
                self.wrong(key, f"{key} is no name of an environment variable", remedy)
        if kind == "none":
            return Anonymous()
        if kind == "bearer":
            return Bearer(Secret(places["token_env"], self._path(entry, "token_file")))
        if kind == "basic":
            return Basic(entry["user"], Secret(places["password_env"], self._path(entry, "password_file")))
        if kind == "smart":
            key, scopes = entry.get("key_id", ""), entry.get("scopes", SCOPES)
            file = self._path(entry, "key_file")
            return SmartBackend(entry["client_id"], file, key, scopes, entry.get("token_url", ""))
        return None

    def _fits(self, name: str, kind: str, entry: Mapping[str, Any]) -> None:
        """The keys of a kind of sign-in are there, and no others."""
        if kind and kind not in AUTHS:
            self.wrong("auth", f"server {name!r} has auth = {kind!r}", _nearest(kind, AUTHS))
        for key in AUTH_KEYS:
            if key in entry and key not in _keys_of(kind):
                owner = next(one for one in AUTHS if key in _keys_of(one))
                self.wrong(key, f"{key} of server {name!r} goes with auth = {owner!r}, this one has {kind or 'none'!r}")
        for group in AUTHS[kind][0] if kind else ():
            given = [key for key in group if key in entry]
            if len(given) != 1:
                found = "both are given" if given else "none is given"
                said = f"one of {' and '.join(group)} is needed, {found}" if group[1:] else f"{group[0]} is missing"
                self.wrong("auth", f"server {name!r} with auth = {kind!r}: {said}")

    def _unknown(self, name: str, known: tuple[str, ...]) -> NoReturn:
        if SECRET.search(name):
            remedy = "Secrets come from the environment or a file: token_env, token_file, password_env, password_file."
            self.wrong(name, f"{name} is a secret", remedy)
        self.wrong(name, f"unknown key {name!r}", _nearest(name, known))

    def wrong(self, name: str, details: str, remedy: str = "") -> NoReturn:
        """Raises WaykeeperError WKC204 at the line of a key."""
        line = self._line(name)
        raise _unusable(details, self.file, line, 1 if line else 0, remedy)

    def _line(self, name: str) -> int:
        """The line of a key; of a key that a server lacks that of its heading; 0 where neither stands there."""
        lines = list(enumerate(self.text.splitlines(), 1))
        ours = next((n for n, line in lines if _OURS.match(line)), 1)  # in pyproject.toml others have such keys too
        lines = lines[ours - 1 :]
        heading = 0
        if self.server:  # several servers have the same keys
            table = re.compile(rf"""^\s*\[.*servers"?\.["']?{re.escape(self.server)}["']?\s*\]""")
            heading = next((n for n, line in lines if table.match(line)), 0)
            if heading:
                below = (one for one in lines if one[0] > heading)
                lines = list(takewhile(lambda one: not one[1].lstrip().startswith("["), below))
        pattern = re.compile(rf'^\s*\[?[\w."]*?"?{re.escape(name)}"?\s*[=.\]]')
        return next((n for n, line in lines if pattern.match(line)), heading)
