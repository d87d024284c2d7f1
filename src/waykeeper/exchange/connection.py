"""How a server is reached and how we sign in there: values only, a secret is named by its place and never held."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import requests

Holds = Literal["test", "patients"]
Transport = Callable[[str, str, bytes | None, Mapping[str, str]], "requests.Response"]  # method, url, body, headers
SCOPES = "system/*.cruds"  # SMART App Launch 2: create, read, update, delete, search of every type


@dataclass(frozen=True, slots=True)
class Secret:
    """Where a secret is found: in an environment variable or in a file."""

    env: str = ""
    file: str = ""


@dataclass(frozen=True, slots=True)
class Anonymous:
    """No credentials are sent, whatever the environment holds."""


@dataclass(frozen=True, slots=True)
class Bearer:
    """A token that somebody else renews; its file is read again after a 401."""

    token: Secret


@dataclass(frozen=True, slots=True)
class Basic:
    """User name and password (RFC 7617)."""

    user: str
    password: Secret


@dataclass(frozen=True, slots=True)
class SmartBackend:
    """SMART Backend Services: a client signs its own assertion with its private key.

    key_file    JWK, JWK Set (RFC 7517) or PEM with the private key: RSA signs RS384, P-384 signs ES384
    key_id      which key of a set, and the `kid` that is sent; that of the key by default
    token_url   where tokens are given; found by .well-known/smart-configuration where it is empty
    """

    client_id: str
    key_file: str
    key_id: str = ""
    scopes: str = SCOPES
    token_url: str = ""


Auth = Anonymous | Bearer | Basic | SmartBackend


@dataclass(frozen=True, slots=True)
class Connection:
    """One FHIR server with everything that is needed to reach it.

    holds                what it may hold: "test" refuses patients without the test-data label
    name                 its name in the settings, "" where there is none
    proxy                address of a proxy; without it those of the environment hold (HTTPS_PROXY, NO_PROXY)
    ca_bundle            PEM of the authorities that may sign its certificate
    client_certificate   PEM of ours, with its key in it or in `client_key`
    allow_http           let patient data travel unencrypted to another machine
    calls_itself         the address in its own links, where it is reached by another; nothing is sent there
    auth                 None: the token in WAYKEEPER_TOKEN where there is one
    """

    url: str
    holds: Holds = "test"
    name: str = ""
    proxy: str = ""
    ca_bundle: str = ""
    client_certificate: str = ""
    client_key: str = ""
    allow_http: bool = False
    auth: Auth | None = None
    calls_itself: str = ""

    def __str__(self) -> str:
        """Its address."""
        return self.url


class ServerUrl(str):
    """The address of a connection that does not forget how it is reached; everywhere else it is a text."""

    __slots__ = ("connection",)
    connection: Connection

    def __new__(cls, connection: Connection) -> ServerUrl:
        """The address of a connection."""
        made = super().__new__(cls, connection.url)
        made.connection = connection
        return made


Address = str | Connection


def as_connection(address: Address, holds: Holds = "test", *, allow_http: bool = False) -> Connection:
    """A connection as it is; an address with what is told beside it."""
    if isinstance(address, Connection):
        return address
    return address.connection if isinstance(address, ServerUrl) else Connection(address, holds, allow_http=allow_http)


def with_its_scheme(url: str) -> str:
    """An address with its scheme in small letters, as everybody else writes it (RFC 3986, 3.1)."""
    scheme, mark, rest = url.partition("://")
    return f"{scheme.lower()}{mark}{rest}"
