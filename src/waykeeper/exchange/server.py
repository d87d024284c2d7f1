"""A FHIR server over HTTP: requests, paging, retries; no decisions."""

from __future__ import annotations

import contextlib
import json
import os
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from typing import Any, Literal
from urllib.parse import urlencode, urljoin, urlsplit

import requests
from requests.adapters import HTTPAdapter
from urllib3.util.retry import Retry

from waykeeper.exchange.errors import BadAnswerError, CannotSendError, NoAnswerError, refusal
from waykeeper.findings import finding

Held = tuple[str, dict[str, Any]]
Pairs = Sequence[tuple[str, str]]
FHIR_JSON = "application/fhir+json"
LONGEST_WAIT = 30.0  # seconds of a Retry-After that are obeyed
ATTEMPTS = 4
MOST_PAGES = 2000
PAGE = "200"
LOOPBACK = ("127.0.0.1", "localhost", "::1")
WAIT_AND_AGAIN = (429, 503)


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer that could be read: status, the version in its ETag ("" without), the JSON document."""

    status: int
    version: str
    document: Any


class _CappedRetry(Retry):
    """As urllib3's, but a Retry-After of hours is cut to what a person waits for."""

    def get_retry_after(self, response: Any) -> float | None:
        """Seconds to wait, capped."""
        said = super().get_retry_after(response)
        return None if said is None else min(float(said), LONGEST_WAIT)


class Server:
    """One FHIR server.

    kind     what it may hold: "test" refuses patients without the test-data label
    timeout  seconds to connect and to wait for an answer
    """

    def __init__(
        self,
        url: str,
        *,
        kind: Literal["test", "patients"] = "test",
        timeout: tuple[float, float] = (10, 120),
        allow_http: bool = False,
        token: str = "",
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        """Open a session; nothing is sent yet. Raises CannotSendError for an address that cannot or may not be used."""
        self.base, self.kind = url.rstrip("/"), kind
        parts = urlsplit(self.base)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise CannotSendError(finding("WKX101", f"{url!r} is no address of a server"))
        if parts.username or parts.password:
            raise CannotSendError(finding("WKX101", "the address holds credentials"))
        if parts.scheme == "http" and parts.hostname not in LOOPBACK and not allow_http:
            raise CannotSendError(finding("WKX102", f"{parts.hostname} would be reached without encryption"))
        self._origin = (parts.scheme, parts.netloc)
        self._timeout, self._sleep = timeout, sleep
        self._token = token or os.environ.get("WAYKEEPER_TOKEN", "")
        self._session = requests.Session()
        retry = _CappedRetry(
            total=ATTEMPTS - 1, read=1, status_forcelist=(429, 502, 503, 504), allowed_methods=("GET",),
            backoff_factor=0.3, backoff_jitter=0.2, raise_on_status=False,
        )  # fmt: skip
        for scheme in ("http://", "https://"):
            self._session.mount(scheme, HTTPAdapter(max_retries=retry))

    def __enter__(self) -> Server:
        """Itself; closed at the end of the block."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the session."""
        self._session.close()

    # one request

    def send(
        self, method: str, path: str, body: Any = None, *, headers: Mapping[str, str] | None = None, form: bool = False
    ) -> Answer:
        """One request to a path below the base, or to a full url of this server.

        Raises NoAnswerError, BadAnswerError (not JSON, another host); a refusal is an Answer with its status.
        """
        url = path if "://" in path else f"{self.base}/{path}" if path else self.base
        sent = {"Accept": FHIR_JSON, "Cache-Control": "no-cache", **(headers or {})}
        data: bytes | None = None
        if form:
            sent["Content-Type"] = "application/x-www-form-urlencoded"
            data = urlencode(body).encode()
        elif body is not None:
            sent.setdefault("Content-Type", FHIR_JSON)
            data = json.dumps(body, ensure_ascii=False, separators=(",", ":")).encode()
        if self._token:
            sent["Authorization"] = f"Bearer {self._token}"
        response = self._exchange(method, url, data, sent)
        if 300 <= response.status_code < 400 and response.status_code != 304:
            raise BadAnswerError(finding("WKX210", f"{method} is redirected to another address"), response.status_code)
        version = version_of(response.headers.get("ETag", ""))
        return Answer(response.status_code, version, _document(response, f"{method} {_shown(path)}"))

    def _exchange(self, method: str, url: str, data: bytes | None, headers: Mapping[str, str]) -> requests.Response:
        try:
            return self._session.request(
                method, url, data=data, headers=dict(headers), timeout=self._timeout, allow_redirects=False
            )
        except requests.exceptions.ConnectTimeout:
            raise CannotSendError(finding("WKX103", f"{self._host} did not accept a connection in time")) from None
        except requests.exceptions.SSLError:
            raise CannotSendError(finding("WKX104", f"the certificate of {self._host} cannot be trusted")) from None
        except requests.exceptions.ConnectionError as error:
            if _never_sent(error):
                raise CannotSendError(finding("WKX103", f"{self._host} cannot be reached")) from None
            raise NoAnswerError(
                finding("WKX301", f"the connection to {self._host} broke before an answer came")
            ) from None
        except (requests.exceptions.Timeout, requests.exceptions.ChunkedEncodingError):
            raise NoAnswerError(finding("WKX301", f"{self._host} did not answer in time")) from None
        except requests.exceptions.RequestException as error:
            raise BadAnswerError(finding("WKX211", f"{self._host}: {type(error).__name__}")) from None

    @property
    def _host(self) -> str:
        return self._origin[1]

    # what FHIR offers

    def read(self, reference: str) -> dict[str, Any] | None:
        """The resource of a reference, None where there is none. Raises BadAnswerError."""
        answer = self.send("GET", reference)
        if answer.status in (404, 410):
            return None
        return _resource(answer, f"GET {_shown(reference)}")

    def search(self, kind: str, params: Pairs, *, private: bool = False) -> list[Held]:
        """Every match over all pages, each once, in the server's order.

        private   send the parameters in a body, because they name a patient. Raises BadAnswerError, NoAnswerError.
        """
        pairs = [*params, ("_count", PAGE)]
        what = f"search of {kind}"
        if private:
            answer = self.send("POST", f"{kind}/_search", pairs, form=True)
        else:
            answer = self.send("GET", f"{kind}?{urlencode(pairs)}")
        return _matches(self._pages(answer, what))

    def searches(self, wanted: Sequence[tuple[str, Pairs]]) -> list[Held]:
        """Several searches in one batch, each over all its pages; one after the other where the server has no batch.

        Raises BadAnswerError, NoAnswerError.
        """
        urls = [f"{kind}?{urlencode([*params, ('_count', PAGE)])}" for kind, params in wanted]
        entries = [{"request": {"method": "GET", "url": url}} for url in urls]
        try:
            answers = self.bundle({"resourceType": "Bundle", "type": "batch", "entry": entries})
        except BadAnswerError as refused:
            if refused.status not in (400, 404, 405, 422, 501):
                raise
            return [pair for kind, params in wanted for pair in self.search(kind, params)]
        found: dict[str, dict[str, Any]] = {}
        for (kind, _), entry in zip(wanted, answers, strict=True):
            said = entry.get("response") or {}
            status = int(str(said.get("status") or "0")[:3])
            document = entry.get("resource") or said.get("outcome")
            found |= dict(_matches(self._pages(Answer(status, "", document), f"search of {kind}")))
        return list(found.items())

    def _pages(self, answer: Answer, what: str) -> Iterator[dict[str, Any]]:
        seen: set[str] = set()
        for _ in range(MOST_PAGES):
            page = _resource(answer, what)
            if page.get("resourceType") != "Bundle":
                raise BadAnswerError(finding("WKX211", f"{what}: the answer is no Bundle"), answer.status)
            yield page
            link = next((str(k.get("url")) for k in page.get("link") or [] if k.get("relation") == "next"), "")
            if not link:
                return
            url = urljoin(self.base + "/", link)
            if url in seen:
                raise BadAnswerError(finding("WKX212", f"{what}: the pages go in a circle"), answer.status)
            if urlsplit(url)[:2] != self._origin:
                raise BadAnswerError(finding("WKX210", f"{what}: the next page lies on another host"), answer.status)
            seen.add(url)
            answer = self.send("GET", url)
        raise BadAnswerError(finding("WKX212", f"{what}: more than {MOST_PAGES} pages"))

    def bundle(self, document: Mapping[str, Any]) -> list[dict[str, Any]]:
        """Post a transaction or batch; the response entries, as many as were sent.

        Waits and tries again where the server asks for it (429, 503). Raises BadAnswerError, NoAnswerError.
        """
        what = str(document.get("type"))
        for attempt in range(ATTEMPTS):
            answer = self.send("POST", "", document, headers={"Prefer": "return=minimal"})
            if answer.status not in WAIT_AND_AGAIN or attempt == ATTEMPTS - 1:
                break
            self._sleep(_pause(answer, attempt))
        found = _resource(answer, what).get("entry") or []
        if len(found) != len(document["entry"]):
            sent = len(document["entry"])
            raise BadAnswerError(
                finding("WKX213", f"{what}: {sent} entries sent, {len(found)} answered"), answer.status
            )
        return [dict(e) for e in found]


def _matches(pages: Iterator[dict[str, Any]]) -> list[Held]:
    """What the pages hold, each resource once; outcomes are no matches."""
    found: dict[str, dict[str, Any]] = {}
    for page in pages:
        for entry in page.get("entry") or []:
            resource = entry.get("resource") or {}
            if (entry.get("search") or {}).get("mode") != "outcome" and resource.get("id"):
                found.setdefault(f"{resource['resourceType']}/{resource['id']}", resource)
    return list(found.items())


def version_of(etag: str) -> str:
    """The version in an ETag, however it is written: `W/"1"`, `"1"` or `1`."""
    return etag.strip().removeprefix("W/").strip('"')


def _shown(path: str) -> str:
    """A path without its query: it may name a patient."""
    return urlsplit(path).path if "://" in path else path.partition("?")[0] or "the base"


def _document(response: requests.Response, what: str) -> Any:
    kind = response.headers.get("Content-Type", "").partition(";")[0].strip().lower()
    if not response.content:
        return None
    if not kind.endswith("json"):
        said = f"{what}: {response.status_code}, answered with {kind or 'no content type'} instead of JSON"
        raise BadAnswerError(finding("WKX211", said), response.status_code)
    try:
        document = json.loads(response.content)
    except ValueError:
        said = f"{what}: {response.status_code}, the answer is no whole JSON document"
        raise BadAnswerError(finding("WKX211", said), response.status_code) from None
    if isinstance(document, dict) and response.status_code in WAIT_AND_AGAIN:
        document["_retry_after"] = response.headers.get("Retry-After", "")
    return document


def _resource(answer: Answer, what: str) -> dict[str, Any]:
    if answer.status >= 400:
        raise refusal(answer.status, what, answer.document)
    if not isinstance(answer.document, dict):
        raise BadAnswerError(finding("WKX211", f"{what}: {answer.status} without a resource"), answer.status)
    return answer.document


def _pause(answer: Answer, attempt: int) -> float:
    """Seconds to wait: what Retry-After says (seconds or a date), capped; else a growing pause."""
    said = str((answer.document or {}).get("_retry_after", "")) if isinstance(answer.document, dict) else ""
    if said.isdigit():
        return min(float(said), LONGEST_WAIT)
    with contextlib.suppress(ValueError, TypeError):
        return min(max(parsedate_to_datetime(said).timestamp() - time.time(), 0.0), LONGEST_WAIT)
    return float(0.5 * 2**attempt)


def _never_sent(error: requests.exceptions.ConnectionError) -> bool:
    text = repr(error)
    return any(word in text for word in ("NewConnectionError", "NameResolutionError", "Connection refused"))
