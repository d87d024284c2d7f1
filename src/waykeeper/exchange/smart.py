"""SMART Backend Services (SMART App Launch 2.2): a signed assertion for a short-lived token, renewed in time."""

from __future__ import annotations

import json
import time
import uuid
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urlsplit

from waykeeper.exchange.connection import Connection, SmartBackend, Transport
from waykeeper.exchange.errors import CannotSendError, NoAnswerError, unusable
from waykeeper.exchange.kinds import EVIDENCE, OURS
from waykeeper.findings import WaykeeperError, did_you_mean, finding

ASSERTION = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
LIFETIME = 240  # seconds of an assertion; the standard allows 300, a clock may be wrong by some
EARLY = 30.0  # a token is renewed so many seconds before its end, or at nine tenths of a short life
ASSUMED = 300.0  # seconds of a token whose answer does not say
CURVES = {"P-384": "ES384"}
LOOPBACK = ("127.0.0.1", "localhost", "::1")
V1 = {"read": "rs", "write": "cud", "*": "cruds"}  # scopes of SMART 1


@dataclass(frozen=True, slots=True)
class Key:
    """A private key with the algorithm that it signs by."""

    private: Any
    algorithm: str
    key_id: str


class SmartAccess:
    """Tokens of one server; a token is asked for at the first request and before it ends."""

    def __init__(
        self, connection: Connection, client: SmartBackend, transport: Transport,
        *, now: Callable[[], float] = time.time,
    ) -> None:  # fmt: skip
        """Read the key. Raises CannotSendError WKX105 where it cannot be used."""
        self._connection, self._client, self._transport, self._now = connection, client, transport, now
        self._key = read_key(client.key_file, client.key_id)
        self._endpoint = client.token_url
        self._token, self._until = "", 0.0

    def headers(self) -> dict[str, str]:
        """The token, a new one where it ends soon. Raises CannotSendError WKX106."""
        if not self._token or self._now() >= self._until:
            self._fetch()
        return {"Authorization": f"Bearer {self._token}"}

    def renew(self) -> bool:
        """The next request gets a new token."""
        self._token = ""
        return True

    def _fetch(self) -> None:
        if not self._endpoint:
            self._endpoint = self._discovered()
        self._check_address(self._endpoint)
        form = {
            "grant_type": "client_credentials",
            "scope": self._client.scopes,
            "client_assertion_type": ASSERTION,
            "client_assertion": self._assertion(),
        }
        headers = {"Content-Type": "application/x-www-form-urlencoded", "Accept": "application/json"}
        status, document = self._ask("POST", self._endpoint, urlencode(form).encode(), headers)
        if status != 200:
            raise refused(f"no token was given: {status}{_said(document)}")
        self._take(document)

    def _take(self, document: Mapping[str, Any]) -> None:
        token, kind = document.get("access_token"), str(document.get("token_type", "bearer"))
        if not isinstance(token, str) or not token.isascii() or not token.isprintable() or kind.lower() != "bearer":
            raise refused("the answer of the authorisation server holds no bearer token")
        lacking = missing_scopes(self._client.scopes, str(document.get("scope") or self._client.scopes))
        if lacking:
            raise refused(f"fewer rights were given than asked for, these lack: {' '.join(lacking)}")
        seconds = _seconds(document.get("expires_in", ASSUMED))
        self._token, self._until = token, self._now() + max(seconds - EARLY, seconds * 0.9 if seconds < EARLY else 0.0)

    def _assertion(self) -> str:
        import jwt

        now = int(self._now())
        claims = {
            "iss": self._client.client_id, "sub": self._client.client_id, "aud": self._endpoint,
            "iat": now, "exp": now + LIFETIME, "jti": str(uuid.uuid4()),
        }  # fmt: skip
        headers = {"kid": self._key.key_id}
        return jwt.encode(claims, self._key.private, algorithm=self._key.algorithm, headers=headers)

    def _discovered(self) -> str:
        url = f"{self._connection.url.rstrip('/')}/.well-known/smart-configuration"
        status, found = self._ask("GET", url, None, {"Accept": "application/json"})
        endpoint = found.get("token_endpoint")
        if status != 200 or not isinstance(endpoint, str):
            raise refused(
                f"the server does not say where tokens are given: {status} at .well-known/smart-configuration",
                "Write token_url into the settings of this server, or another kind of auth.",
            )
        methods = found.get("token_endpoint_auth_methods_supported") or ["private_key_jwt"]
        algorithms = found.get("token_endpoint_auth_signing_alg_values_supported") or [self._key.algorithm]
        if "private_key_jwt" not in methods:
            raise refused(f"the server takes {', '.join(map(str, methods))}, no signed assertions (private_key_jwt)")
        if self._key.algorithm not in algorithms:
            raise refused(f"the server takes {', '.join(map(str, algorithms))}, this key signs {self._key.algorithm}")
        return endpoint

    def _check_address(self, url: str) -> None:
        parts = urlsplit(url)
        safe = parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in LOOPBACK)
        if not safe and not (parts.scheme == "http" and self._connection.allow_http):
            raise refused(f"the token address is {parts.scheme}://{parts.netloc}, credentials travel by https only")

    def _ask(self, method: str, url: str, body: bytes | None, headers: Mapping[str, str]) -> tuple[int, dict[str, Any]]:
        try:
            response = self._transport(method, url, body, headers)
        except NoAnswerError:
            raise refused(f"the authorisation server {urlsplit(url).netloc} gave no answer") from None
        except WaykeeperError as error:
            raise refused(f"sign-in: {error.findings[0].details}") from None
        try:
            document = json.loads(response.content)
        except ValueError:
            document = None
        return response.status_code, document if isinstance(document, dict) else {}


def _seconds(life: Any) -> float:
    """How long a token lives, as the answer says it; of no number in the range of a clock as if it said nothing."""
    try:
        seconds = float(life)
    except (TypeError, ValueError, OverflowError):
        return ASSUMED
    return seconds if isfinite(seconds) else ASSUMED


def refused(details: str, remedy: str = "") -> CannotSendError:
    """A sign-in that failed, as an exception: nothing was sent to the FHIR server."""
    return CannotSendError(finding("WKX106", details, help=remedy))


def _said(document: Mapping[str, Any]) -> str:
    """What an OAuth error says (RFC 6749 5.2)."""
    parts = [str(document[k]) for k in ("error", "error_description") if document.get(k)]
    return f", {': '.join(parts)[:300]}" if parts else ""


# keys


def read_key(path: str, wanted: str = "") -> Key:
    """The private key of a file: JWK, JWK Set or PEM. Raises CannotSendError WKX105."""
    try:
        import jwt  # noqa: F401 - is it there
    except ImportError:
        raise unusable("SMART Backend Services need PyJWT", "Install it: pip install 'waykeeper[smart]'.") from None
    try:
        text = Path(path).read_text("utf-8-sig")
    except (OSError, ValueError):
        raise unusable(f"the key file cannot be read: {path}") from None
    return _of_pem(text, path, wanted) if "-----BEGIN" in text else _of_jwks(text, path, wanted)


def _of_jwks(text: str, path: str, wanted: str) -> Key:
    try:
        document = json.loads(text)
    except ValueError:
        raise unusable(f"the key file is neither JSON (JWK, JWK Set) nor PEM: {path}") from None
    found = document.get("keys", [document]) if isinstance(document, dict) else []
    keys = [k for k in found if isinstance(k, dict) and k.get("d") and _algorithm(k)]
    if not keys:
        raise unusable(f"the key file holds no private key that signs RS384 or ES384 (RSA, P-384): {path}")
    chosen = [k for k in keys if not wanted or k.get("kid", wanted) == wanted]
    if not chosen:
        hint = did_you_mean(wanted, [str(k.get("kid", "")) for k in keys])
        raise unusable(f"the key file holds no private key {wanted!r}: {path}", hint)
    return _loaded({"kid": wanted, **chosen[0]}, path)


def _algorithm(jwk: Mapping[str, Any]) -> str:
    if jwk.get("kty") == "RSA" and jwk.get("alg", "RS384") == "RS384":
        return "RS384"
    return CURVES.get(str(jwk.get("crv")), "") if jwk.get("kty") == "EC" and jwk.get("alg", "ES384") == "ES384" else ""


def _loaded(jwk: dict[str, Any], path: str) -> Key:
    import jwt

    algorithm = _algorithm(jwk)
    try:
        private = jwt.PyJWK(jwk, algorithm=algorithm).key
    except Exception:  # whatever the library stumbles over may quote the key
        raise unusable(f"the key file holds a damaged key: {path}") from None
    return _fit(Key(private, algorithm, str(jwk.get("kid") or "")), path)


def _of_pem(text: str, path: str, wanted: str) -> Key:
    from cryptography.hazmat.primitives.asymmetric import ec, rsa
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        private = load_pem_private_key(text.encode(), None)
    except Exception:  # as above
        raise unusable(f"the key file holds no private key that can be read without a password: {path}") from None
    if isinstance(private, rsa.RSAPrivateKey):
        return _fit(Key(private, "RS384", wanted), path)
    if isinstance(private, ec.EllipticCurvePrivateKey) and isinstance(private.curve, ec.SECP384R1):
        return _fit(Key(private, "ES384", wanted), path)
    raise unusable(f"the key file holds no key that signs RS384 or ES384 (RSA, P-384): {path}")


def _fit(key: Key, path: str) -> Key:
    """The key, where it is long enough and has the name under which its public half is registered (`kid`)."""
    if not key.key_id:
        remedy = "Write key_id, the name under which our public key is registered."
        raise unusable(f"the key has no kid: {path}", remedy)
    if key.algorithm == "RS384" and key.private.key_size < 2048:
        raise unusable(f"the RSA key has {key.private.key_size} bits, 2048 are needed (RFC 7518 3.3): {path}")
    return key


# scopes


def missing_scopes(asked: str, granted: str) -> list[str]:
    """The asked scopes that the granted ones do not cover, those of SMART 1 (`read`, `write`) understood too."""
    given = [_scope(one) for one in granted.split()]
    return [one for one in asked.split() if not _covered(_scope(one), given, one, granted.split())]


def _covered(
    wanted: tuple[str, str, str] | None, given: Iterable[tuple[str, str, str] | None], text: str, texts: Iterable[str]
) -> bool:
    if wanted is None:
        return text in texts
    level, kind, rights = wanted
    held = {r for one in given if one and one[0] == level and one[1] in (kind, "*") for r in one[2]}
    return set(rights) <= held or (kind == "*" and _by_type(level, rights, given))


def _by_type(level: str, rights: str, given: Iterable[tuple[str, str, str] | None]) -> bool:
    """A server may answer a wildcard by naming every type: those that Waykeeper reads and writes are enough."""
    held: dict[str, set[str]] = {}
    for one in given:
        if one and one[0] == level:
            held.setdefault(one[1], set()).update(one[2])
    everywhere = held.get("*", set())
    return all(set(rights) - {"d"} <= held.get(k, set()) | everywhere for k in ("Patient", *OURS, *EVIDENCE))


def _scope(text: str) -> tuple[str, str, str] | None:
    """(level, type, rights of `cruds`) of `system/Task.rs`; None for a scope of another kind."""
    level, slash, rest = text.partition("/")
    kind, dot, rights = rest.partition("?")[0].partition(".")
    return (level, kind, V1.get(rights, rights)) if slash and dot else None
