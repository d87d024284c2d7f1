"""An authorisation server on loopback (SMART Backend Services), and a FHIR server that wants its tokens.

It checks what the standard tells it to check: signature, algorithm, issuer, subject, audience, lifetime, that an
assertion is used once.
"""

from __future__ import annotations

import json
import threading
import uuid
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs

import jwt
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

ASSERTION = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
MAKERS = {
    "RS384": lambda: rsa.generate_private_key(65537, 2048),
    "ES384": lambda: ec.generate_private_key(ec.SECP384R1()),
}


def new_key(algorithm: str, key_id: str = "k1"):
    """(private JWK, public JWK, PEM) of a new key."""
    private = MAKERS[algorithm]()
    kind = jwt.algorithms.RSAAlgorithm if algorithm == "RS384" else jwt.algorithms.ECAlgorithm
    told = {"kid": key_id, "alg": algorithm}
    own, public = kind.to_jwk(private, as_dict=True), kind.to_jwk(private.public_key(), as_dict=True)
    return own | told, public | told, as_pem(private)


def as_pem(private):
    """A private key as PEM without a password."""
    return private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()).decode()


@dataclass
class Desk:
    """What the server knows and does; tests change it."""

    base: str = ""
    public: list = field(default_factory=list)
    client_id: str = "waykeeper-test"
    expires_in: object = 300
    scope: str | None = None  # None: as asked
    methods: tuple[str, ...] = ("private_key_jwt",)
    algorithms: tuple[str, ...] = ("RS384", "ES384")
    token_answer: tuple[int, bytes] | None = None  # instead of all checks
    discovery: bool = True
    leeway: int = 0  # seconds that its clock may differ
    token_path: str = "/auth/token"
    tokens: list[str] = field(default_factory=list)  # every token given, the last one holds
    used: set[str] = field(default_factory=set)
    asked: list[dict] = field(default_factory=list)
    seen: list[tuple[str, str]] = field(default_factory=list)  # path, Authorization

    def configuration(self):
        """The answer of .well-known/smart-configuration."""
        return {
            "token_endpoint": self.base.removesuffix("/fhir") + self.token_path,
            "token_endpoint_auth_methods_supported": list(self.methods),
            "token_endpoint_auth_signing_alg_values_supported": list(self.algorithms),
        }

    def token(self, form):
        """(status, document) for the form of a token request."""
        asked = {name: values[0] for name, values in form.items()}
        self.asked.append(asked)
        if self.token_answer:
            return self.token_answer
        if asked.get("grant_type") != "client_credentials" or asked.get("client_assertion_type") != ASSERTION:
            return 400, {"error": "unsupported_grant_type"}
        try:
            head = jwt.get_unverified_header(asked["client_assertion"])
            known = next(k for k in self.public if k["kid"] == head["kid"])
            claims = jwt.decode(
                asked["client_assertion"], jwt.PyJWK(known).key, algorithms=[known["alg"]],
                audience=self.configuration()["token_endpoint"], issuer=self.client_id, leeway=self.leeway,
                options={"require": ["exp", "iss", "sub", "aud", "jti"]},
            )  # fmt: skip
            assert claims["sub"] == self.client_id and head["typ"] == "JWT"
            assert claims["exp"] - claims["iat"] <= 300 and claims["jti"] not in self.used
            self.used.add(claims["jti"])
        except Exception as bad:
            return 400, {"error": "invalid_client", "error_description": type(bad).__name__}
        self.tokens.append(f"secret-{uuid.uuid4().hex}")
        scope = asked["scope"] if self.scope is None else self.scope
        made = {"access_token": self.tokens[-1], "token_type": "bearer", "scope": scope}
        return 200, made | ({"expires_in": self.expires_in} if self.expires_in is not None else {})


@contextmanager
def desk(*public):
    """A Desk that listens on loopback; its FHIR base answers any GET with a Patient where the last token is shown."""
    made = Desk(public=list(public))

    class Handler(BaseHTTPRequestHandler):
        protocol_version, disable_nagle_algorithm = "HTTP/1.1", True

        def log_message(self, *_):
            """Say nothing."""

        def _say(self, status, document):
            data = document if isinstance(document, bytes) else json.dumps(document).encode()
            self.send_response(status)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(data)))
            self.end_headers()
            self.wfile.write(data)

        def do_GET(self):
            made.seen.append((self.path, self.headers.get("Authorization", "")))
            if self.path == "/fhir/.well-known/smart-configuration":
                self._say(200, made.configuration()) if made.discovery else self._say(404, {})
                return
            self._fhir({"resourceType": "Patient", "id": "1"})

        def _fhir(self, document):
            """The document where the last token is shown, else a refusal."""
            good = bool(made.tokens) and self.headers.get("Authorization") == f"Bearer {made.tokens[-1]}"
            outcome = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "login"}]}
            self._say(200, document) if good else self._say(401, outcome)

        def do_POST(self):
            body = self.rfile.read(int(self.headers.get("Content-Length") or 0)).decode()
            if self.path.startswith("/fhir"):
                made.seen.append((self.path, self.headers.get("Authorization", "")))
                self._fhir({"resourceType": "Bundle", "type": "searchset", "entry": []})
                return
            self._say(*made.token(parse_qs(body)))

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as listening:
        listening.daemon_threads = True
        thread = threading.Thread(target=listening.serve_forever, args=(0.01,), daemon=True)
        thread.start()
        made.base = f"http://127.0.0.1:{listening.server_port}/fhir"
        try:
            yield made
        finally:
            listening.shutdown()
            thread.join(10)
