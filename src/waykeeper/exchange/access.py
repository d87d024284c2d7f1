"""Credentials of each request: none, token, user and password, SMART Backend Services; messages never hold a secret."""

from __future__ import annotations

import base64
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

from waykeeper.exchange.connection import Anonymous, Basic, Bearer, Connection, Secret, Transport
from waykeeper.exchange.errors import unusable

DEFAULT = Bearer(Secret(env="WAYKEEPER_TOKEN"))
_VISIBLE = re.compile(r"[\x21-\x7e]+")


class Access(Protocol):
    """What signs requests."""

    def headers(self) -> dict[str, str]:
        """The headers of the next request. Raises CannotSendError where no credentials can be had."""

    def renew(self) -> bool:
        """After a 401: True where the next headers may be others."""


class Open:
    """No credentials."""

    def headers(self) -> dict[str, str]:
        """Nothing."""
        return {}

    def renew(self) -> bool:
        """There is nothing to renew."""
        return False


class Told:
    """Credentials that stand in the environment or a file."""

    def __init__(self, header: Callable[[], str]) -> None:
        """`header` reads them."""
        self._header = header
        self._sent = header()

    def headers(self) -> dict[str, str]:
        """As they were read."""
        return {"Authorization": self._sent} if self._sent else {}

    def renew(self) -> bool:
        """Read them again: whoever keeps the file may have renewed it."""
        before, self._sent = self._sent, self._header()
        return self._sent != before


def access_of(connection: Connection, transport: Transport, **options: Any) -> Access:
    """What signs the requests of a connection. Raises CannotSendError WKX105 where a secret is not where it should be.

    transport   one request as (method, url, body, headers), for the token of SMART Backend Services
    """
    auth = connection.auth
    if auth is None:
        auth = DEFAULT if os.environ.get(DEFAULT.token.env) else Anonymous()
    if isinstance(auth, Anonymous):
        return Open()
    if isinstance(auth, Bearer):
        token = auth.token
        return Told(lambda: f"Bearer {_secret(token, 'token')}")
    if isinstance(auth, Basic):
        known = auth
        return Told(lambda: _basic(known))
    from waykeeper.exchange.smart import SmartAccess

    return SmartAccess(connection, auth, transport, **options)


def given(token: str) -> Access:
    """A token that the caller holds."""
    return Told(lambda: f"Bearer {_clean(token, 'the token')}")


def _basic(auth: Basic) -> str:
    password = read_secret(auth.password, "password")
    return "Basic " + base64.b64encode(f"{auth.user}:{password}".encode()).decode()


def _secret(secret: Secret, what: str) -> str:
    return _clean(read_secret(secret, what), f"the {what} in {secret.env or secret.file}")


def read_secret(secret: Secret, what: str) -> str:
    """The text of a secret. Raises CannotSendError WKX105, which names the place only."""
    if secret.file:
        try:
            found = Path(secret.file).read_text("utf-8-sig").strip()
        except (OSError, ValueError):
            raise unusable(f"the file of the {what} cannot be read: {secret.file}") from None
    else:
        found = os.environ.get(secret.env, "").strip()
    if not found:
        where = f"the file {secret.file} is empty" if secret.file else f"{secret.env} is not set"
        raise unusable(f"no {what}: {where}")
    return found


def _clean(text: str, what: str) -> str:
    if not _VISIBLE.fullmatch(text):
        raise unusable(f"{what} holds a character that no header may have")
    return text
