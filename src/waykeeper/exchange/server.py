"""A FHIR server over HTTP: requests, paging, retries; no decisions."""

from __future__ import annotations

import contextlib
import logging
import time
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from email.utils import parsedate_to_datetime
from itertools import chain
from pathlib import Path
from typing import Any, Literal
from urllib.parse import urlencode, urljoin, urlsplit

import requests
from requests.adapters import HTTPAdapter
from urllib3.util.retry import Retry

from waykeeper.counting import counted
from waykeeper.exchange.access import Access, access_of, given
from waykeeper.exchange.connection import Address, Connection, as_connection, with_its_scheme
from waykeeper.exchange.errors import (
    BadAnswerError,
    CannotSendError,
    DroppedError,
    EntryRefusedError,
    NoAnswerError,
    refusal,
    unusable,
)
from waykeeper.exchange.matches import as_page, matches, torn
from waykeeper.exchange.own_names import ABSOLUTE, named, relative_to
from waykeeper.exchange.statement import Statement, statement_of
from waykeeper.exchange.wire_json import dumps, loads
from waykeeper.findings import Finding, WaykeeperError, finding

Held = tuple[str, dict[str, Any]]
Pairs = Sequence[tuple[str, str]]
FHIR_JSON = "application/fhir+json"
FORM = "application/x-www-form-urlencoded; charset=UTF-8"  # not named it is Latin-1 to some servers
LONGEST_WAIT = 30.0  # seconds of a Retry-After that are obeyed
ATTEMPTS = 4
MOST_PAGES = 2000
PAGE = "200"
LOOPBACK = ("127.0.0.1", "localhost", "::1")
DIRECT = {"http": "", "https": ""}  # no proxy: what stays on this machine must not leave it on a detour
WAIT_AND_AGAIN = (429, 503)  # the server says that it did nothing
NOT_OFFERED = (400, 403, 404, 405, 501)  # how a server refuses a type, or a search that it does not offer
STRICT = {"Prefer": "handling=strict"}  # a parameter that the server does not know is an error, not left out
NOTHING_THERE = (404, 410)
NO_BATCH = (400, 404, 405, 413, 415, 422, 501)  # refusals after which each search is sent by itself
# "Accepted" says nothing of whether it will be done (RFC 9110, 15.3.3). We never ask for it (`respond-async`), and
# where the outcome is to be asked for differs between the releases of FHIR, so what stands afterwards is read instead.
ACCEPTED = 202
QUEUED = "202, the server has taken it and does not say whether it is carried out"
QUEUED_HELP = (
    "Wait until the server has worked it off, then run it again: what was written is found, nothing is written twice."
)
AFTER_ALL = "Run it again: what was written is found, and nothing is written twice."
ASK_AGAIN = (408, 429, 502, 503, 504)  # where a request only reads
_log = logging.getLogger("waykeeper.exchange")


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer that could be read: status, the version in its ETag ("" without), the JSON document.

    kind          the content type of a refusal that is no JSON, and so has no document
    retry_after   what the header says
    """

    status: int
    version: str
    document: Any
    kind: str = ""
    retry_after: str = ""
    headers: Mapping[str, str] | None = None


class Server:
    """One FHIR server.

    kind     what it may hold: "test" refuses patients without the test-data label
    timeout  seconds to connect and to wait for an answer
    """

    def __init__(
        self,
        to: Address,
        *,
        kind: Literal["test", "patients"] = "test",
        timeout: tuple[float, float] = (10, 120),
        allow_http: bool = False,
        token: str = "",
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        """Open a session; nothing is sent yet. What a Connection says outranks `kind` and `allow_http`.

        Raises CannotSendError for an address that cannot or may not be used, for credentials that are not there.
        """
        connection = as_connection(to, kind, allow_http=allow_http)
        self.base, self.kind = _base_of(connection.url), connection.holds
        self.proven: object = None  # what the first resource written to it has shown, see trial.py
        self._allow_http = connection.allow_http
        self._origin = _origin_of(self.base, self._allow_http)
        self._timeout, self._sleep = timeout, sleep
        self._statement: Statement | None = None  # once it was asked for
        told = connection.calls_itself.rstrip("/")
        # what it calls itself where it makes references absolute, or says where something is
        self._names = frozenset({self.base, told} if told else {self.base})
        self._stated: frozenset[str] | None = None  # what its CapabilityStatement says of that, once it was asked for
        self._session = requests.Session()
        self._session.auth = _as_it_is  # else requests would sign with what a .netrc holds
        # A connection that was never made is tried again for any method; all else is decided in `send`.
        never_made = Retry(total=None, connect=2, read=0, redirect=0, status=0, other=0, backoff_factor=0.2)
        for scheme in ("http://", "https://"):
            self._session.mount(scheme, HTTPAdapter(max_retries=never_made))
        self._settings = _settings(connection, self._origin)
        self._access: Access = given(token) if token else access_of(connection, self._exchange)

    def __enter__(self) -> Server:
        """Itself; closed at the end of the block."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the session."""
        self._session.close()

    def pause(self, seconds: float) -> None:
        """Wait, never longer than a person would."""
        self._sleep(min(seconds, LONGEST_WAIT))

    # one request

    def send(
        self, method: str, path: str, body: Any = None, *, headers: Mapping[str, str] | None = None,
        form: bool = False, repeatable: bool = False,
    ) -> Answer:  # fmt: skip
        """One request to a path below the base, or to a full url of this server.

        repeatable   it only reads although it is a POST: it may be asked again where no answer came

        A GET, a search in a form and what is repeatable are tried again where the server is busy or the connection
        broke. Raises NoAnswerError (also where a change was only taken, 202), BadAnswerError (not JSON, another
        host); a refusal is an Answer with its status.
        """
        url = self._url(path)
        sent = {"Accept": FHIR_JSON, "Cache-Control": "no-cache", **(headers or {})}
        data: bytes | None = None
        if form:
            sent["Content-Type"] = FORM
            data = urlencode(body).encode()
        elif body is not None:
            sent.setdefault("Content-Type", FHIR_JSON)
            data = dumps(body)
        what = f"{method} {_shown(path)}"
        reads = method == "GET" or form or repeatable
        for attempt in range(ATTEMPTS):
            try:
                response = self.signed(method, url, data, sent)
                if response.status_code == ACCEPTED and not reads and method != "DELETE":
                    raise NoAnswerError(finding("WKX301", f"{what}: {QUEUED}", help=QUEUED_HELP))
                answer = self._at_home(response, what)
            except BadAnswerError as odd:
                raise odd if reads else _perhaps_done(odd) from None
            except NoAnswerError:
                if not reads or attempt:
                    raise
                continue
            if not reads or answer.status not in ASK_AGAIN or attempt == ATTEMPTS - 1:
                break
            self._sleep(pause_of(answer, attempt))
        return answer

    def _at_home(self, response: requests.Response, what: str) -> Answer:
        """The answer, with references to this very server relative, however it calls itself and writes them."""
        answer = read_answer(response, what)
        if wrong := torn(answer.document):
            raise BadAnswerError(finding("WKX211", f"{what}: {wrong}"), answer.status)
        if not response.content or not ABSOLUTE.search(response.content):
            return answer
        self._names |= named(answer.document)
        return replace(answer, document=relative_to(self._names, answer.document))

    def _url(self, path: str) -> str:
        url = path if "://" in path else f"{self.base}/{path}" if path else self.base
        if not self.is_here(url):
            raise BadAnswerError(finding("WKX210", "a link of the server leads to another host"))
        return url

    def is_here(self, url: str) -> bool:
        """True for an address of this very server: only there credentials are sent."""
        return _scheme_and_host(url) == self._origin

    def signed(
        self, method: str, url: str, data: bytes | None, headers: Mapping[str, str], *, stream: bool = False
    ) -> requests.Response:
        """One request with credentials, which are renewed once where the server refuses them (401).

        Raises NoAnswerError, BadAnswerError (a redirection: credentials and patient data stay here), CannotSendError.
        """
        response = self._exchange(method, url, data, {**headers, **self._access.headers()}, stream=stream)
        if response.status_code == 401 and self._access.renew():
            response.close()
            response = self._exchange(method, url, data, {**headers, **self._access.headers()}, stream=stream)
        if 300 <= response.status_code < 400 and response.status_code != 304:
            there = self._moved_to(url, response.headers.get("Location", ""))
            raise BadAnswerError(finding("WKX210", f"{method} is redirected to {there}"), response.status_code)
        return response

    def _moved_to(self, url: str, location: str) -> str:
        """Where a redirection leads, as the base address to give; without what follows it, which may name a patient."""
        there = urljoin(url, location)
        below = urlsplit(url).path.removeprefix(urlsplit(self.base).path)
        scheme, host, path = urlsplit(there)[:3]
        if not location or not host:
            return "another address"
        return f"{scheme}://{host}{path.removesuffix(below)}" if path.endswith(below) else f"{scheme}://{host}"

    def unsigned(self, url: str, headers: Mapping[str, str]) -> requests.Response:
        """GET without credentials, streamed: a file that the server keeps elsewhere. Raises as `signed`."""
        _origin_of(url, self._allow_http)
        return self._exchange("GET", url, None, headers, stream=True, ours=False)

    def _exchange(
        self, method: str, url: str, data: bytes | None, headers: Mapping[str, str], *, stream: bool = False,
        ours: bool = True,
    ) -> requests.Response:  # fmt: skip
        """One request. `ours`: to the server or to where it gives tokens; only there our certificate is shown."""
        number = uuid.uuid4().hex[:12]
        begun = time.monotonic()
        host = urlsplit(url).netloc
        try:
            response = self._session.request(
                method, url, data=data, headers={**headers, "X-Request-Id": number}, timeout=self._timeout,
                allow_redirects=False, stream=stream, **(self._settings if ours else _uncertified(self._settings)),
            )  # fmt: skip
        except requests.exceptions.RequestException as error:
            _log.debug("%s %s: %s, request %s", method, _kind_in(url), type(error).__name__, number)
            raise broken(error, host) from None
        except ValueError:  # the library looks at where a redirection leads, also where it does not go there
            raise BadAnswerError(finding("WKX210", f"{method} is redirected to what is no address")) from None
        took = (time.monotonic() - begun) * 1000
        _log.debug("%s %s: %d in %.0f ms, request %s", method, _kind_in(url), response.status_code, took, number)
        return response

    # what FHIR offers

    def read(self, reference: str) -> dict[str, Any] | None:
        """The resource of a reference, None where there is none. Raises BadAnswerError."""
        answer = self.send("GET", reference)
        if answer.status in (404, 410):
            return None
        return _resource(answer, f"GET {_shown(reference)}")

    def search(
        self, kind: str, params: Pairs, *, private: bool = False, lacking: list[Finding] | None = None
    ) -> list[Held]:
        """Every match over all pages, each once, in the server's order.

        private    send the parameters in a body, because they name a patient
        lacking    gets what the server says that it did not give, and what it gave and nobody can read, which is left
                   out; without a list each is a failure

        Raises BadAnswerError, NoAnswerError.
        """
        if private:
            answer = self.send("POST", f"{kind}/_search", _by_pages(params), form=True, headers=STRICT)
        else:
            answer = self.send("GET", _query(kind, params), headers=STRICT)
        what = f"search of {kind}"
        return list(matches(self._pages(answer, what), what, lacking=lacking).items())

    def searches(
        self, wanted: Sequence[tuple[str, Pairs]], *, told: bool = False, lacking: list[Finding] | None = None
    ) -> list[Held]:
        """Several searches in one batch, each over all its pages; one after the other where the server has no batch.

        told       a type that the server does not offer is no failure, and what it says beside the matches is kept:
                   both stand among them as OperationOutcome, for whoever reads them to show
        lacking    as for `search`

        Raises BadAnswerError, NoAnswerError.
        """
        urls = [_query(kind, params) for kind, params in wanted]
        entries = [{"request": {"method": "GET", "url": url}} for url in urls]
        try:
            answers = self.bundle({"resourceType": "Bundle", "type": "batch", "entry": entries})
        except BadAnswerError as refused:
            if refused.status not in NO_BATCH:
                raise
            each = [(self.send("GET", url, headers=STRICT), None) for url in urls]
        else:
            each = [_answered(entry) for entry in answers]
        found: dict[str, dict[str, Any]] = {}
        absent = []
        for (kind, _), (answer, beside) in zip(wanted, each, strict=True):
            if told and answer.status in NOT_OFFERED and not self._declares(kind):
                absent.append(kind)
            else:
                what = f"search of {kind}"
                pages = chain(self._pages(answer, what), as_page(beside))
                found |= matches(pages, what, told=told, lacking=lacking)
        if absent:
            found[f"OperationOutcome/{uuid.uuid4()}"] = not_offered(absent)
        return list(found.items())

    def statement(self) -> Statement | None:
        """What its CapabilityStatement says, None where it has none; asked for once. Raises BadAnswerError."""
        if self._statement is None:
            self._statement = statement_of(self.read("metadata"))
        return self._statement

    def _declares(self, kind: str) -> bool:
        """False where the CapabilityStatement lists types, and not this one."""
        said = self.statement()
        return said is None or said.lists(kind)

    def elsewhere(self, reference: str) -> bool:
        """True for the address of something on another server: here the same type and id is another resource."""
        return "://" in reference and not reference.startswith(f"{self.base}/")

    def absent(self, references: Sequence[str]) -> list[str]:
        """Which of these the server does not hold; of a conditional reference, where nothing meets the condition.

        Raises BadAnswerError, NoAnswerError.
        """
        return [ref for ref, status, found in self._looked_up(references) if status >= 300 or not _there(found, ref)]

    def gone(self, references: Sequence[str]) -> list[str]:
        """Those of which the server says that it has nothing, or nothing any more; what may not be read is not gone.

        Raises BadAnswerError, NoAnswerError.
        """
        return [ref for ref, status, _ in self._looked_up(references) if status in NOTHING_THERE]

    def _looked_up(self, references: Sequence[str]) -> list[tuple[str, int, Any]]:
        """Each reference with the status and the resource of its answer."""
        if not references:
            return []
        entries = [{"request": {"method": "GET", "url": ref}} for ref in references]
        try:
            answers = self.bundle({"resourceType": "Bundle", "type": "batch", "entry": entries})
        except BadAnswerError as refused:
            if refused.status not in NO_BATCH:
                raise
            alone = [(ref, self.send("GET", ref)) for ref in references]
            return [(ref, one.status, one.document) for ref, one in alone]
        return [(ref, status_of(a), a.get("resource")) for ref, a in zip(references, answers, strict=True)]

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
            self._names |= named(page)
            url = self.by_our_address(_joined(self.base + "/", link), f"{what}: the next page lies")
            if url in seen:
                raise BadAnswerError(finding("WKX212", f"{what}: the pages go in a circle"), answer.status)
            seen.add(url)
            answer = self.send("GET", url)
        raise BadAnswerError(finding("WKX212", f"{what}: more than {MOST_PAGES} pages"))

    def by_our_address(self, url: str, what: str) -> str:
        """A link of the server by the address at which it is reached, also where it calls itself otherwise.

        Nothing is ever sent to the other address. Raises BadAnswerError WKX210, beginning with `what`, for one of whose
        address nobody says that it is this server: not its matches, its CapabilityStatement or the settings.
        """
        ours = _under(self._names, url, self.base)
        if not self.is_here(ours):
            ours = _under(self._stated_names(), url, self.base)
        if self.is_here(ours):
            return ours
        there = "://".join(_scheme_and_host(url)).removesuffix("://") or "at what is no address"
        raise BadAnswerError(finding("WKX210", f"{what} on another host, {there}"))

    def _stated_names(self) -> frozenset[str]:
        """The address that the CapabilityStatement gives; nothing where there is none, or no such statement."""
        if self._stated is None:
            self._stated = frozenset()
            with contextlib.suppress(WaykeeperError):
                said = self.statement()
                self._stated = frozenset({said.url}) if said is not None and said.url else self._stated
        return self._stated

    def bundle(self, document: Mapping[str, Any]) -> list[dict[str, Any]]:
        """Post a transaction or batch; the response entries, as many as were sent.

        Waits and tries again where the server asks for it (429, 503), for the whole or for entries of a batch that
        only reads. Raises EntryRefusedError for a refusal inside a transaction that was answered as a success,
        BadAnswerError, NoAnswerError.
        """
        reads = all(e["request"]["method"] == "GET" for e in document["entry"])
        found, answer = self._posted(document, reads)
        if document.get("type") == "transaction":
            for entry in found:
                if status_of(entry) >= 400:
                    outcome = (entry.get("response") or {}).get("outcome")
                    refused = refusal(status_of(entry), "transaction, an entry of it", outcome)
                    raise EntryRefusedError(refused.findings, status_of(entry), pause_of(answer, 0))
            return found
        for attempt in range(ATTEMPTS - 1):
            late = [n for n, entry in enumerate(found) if reads and status_of(entry) in WAIT_AND_AGAIN]
            if not late:
                break
            self._sleep(pause_of(answer, attempt))
            some, answer = self._posted({**document, "entry": [document["entry"][n] for n in late]}, reads)
            for n, entry in zip(late, some, strict=True):
                found[n] = entry
        return found

    def _posted(self, document: Mapping[str, Any], reads: bool) -> tuple[list[dict[str, Any]], Answer]:
        what = f"{document.get('type')} of {counted(len(document['entry']), 'entry', 'entries')}"
        for attempt in range(ATTEMPTS):
            answer = self.send("POST", "", document, headers={"Prefer": "return=minimal"}, repeatable=reads)
            if reads or answer.status not in WAIT_AND_AGAIN or attempt == ATTEMPTS - 1:
                break
            self._sleep(pause_of(answer, attempt))
        try:
            found = _resource(answer, what).get("entry") or []
        except BadAnswerError as odd:
            raise odd if reads else _perhaps_done(odd) from None
        if len(found) != len(document["entry"]):
            raise DroppedError(finding("WKX213", f"{what}: {len(found)} answered"), answer.status)
        return [dict(e) for e in found], answer


def _perhaps_done(odd: BadAnswerError) -> BadAnswerError:
    """What was said about an answer to a change; where nobody can read its success, that it may stand."""
    if not 200 <= odd.status < 300:
        return odd
    return odd.about(
        [replace(f, details=f"{f.details}; what was sent may have been carried out", help=f"{AFTER_ALL} {f.help}")
         for f in odd.findings]
    )  # fmt: skip


def _as_it_is(request: requests.PreparedRequest) -> requests.PreparedRequest:
    return request


def _base_of(url: str) -> str:
    """A base address, its scheme in small letters. Raises CannotSendError where more stands behind it than a path."""
    if "?" in url or "#" in url:  # the address is not repeated: it may hold a secret
        sign = "?" if "?" in url else "#"
        raise CannotSendError(
            finding("WKX101", f"the address has a part behind {sign!r}, a base address ends before it")
        )
    return with_its_scheme(url).rstrip("/")


def _origin_of(url: str, allow_http: bool) -> tuple[str, str]:
    """Scheme and host. Raises CannotSendError for an address that cannot or may not be used."""
    try:
        parts = urlsplit(url)
        usable = parts.scheme in ("http", "https") and bool(parts.hostname) and (parts.port or 1) > 0
    except ValueError:
        usable = False
    if not usable:
        shown = repr(url) if "@" not in url else "an address with an @"
        raise CannotSendError(finding("WKX101", f"{shown} is no address of a server"))
    if parts.username or parts.password:
        raise CannotSendError(finding("WKX101", "the address holds credentials"))
    if parts.scheme == "http" and parts.hostname not in LOOPBACK and not allow_http:
        raise CannotSendError(finding("WKX102", f"{parts.hostname} would be reached without encryption"))
    return parts.scheme, parts.netloc


def _joined(base: str, link: str) -> str:
    """A link as an address; one that is none (`http://[`) as it is written."""
    try:
        return urljoin(base, link)
    except ValueError:
        return link


def _scheme_and_host(url: str) -> tuple[str, str]:
    """Where an address of a server leads; nothing for what is no address."""
    try:
        return urlsplit(url)[0], urlsplit(url)[1]
    except ValueError:
        return "", ""


def _settings(connection: Connection, origin: tuple[str, str]) -> dict[str, Any]:
    """Proxy, authorities and client certificate as requests takes them. Raises CannotSendError WKX105."""
    made: dict[str, Any] = {}
    for name, path in (
        ("ca_bundle", connection.ca_bundle),
        ("client_certificate", connection.client_certificate),
        ("client_key", connection.client_key),
    ):
        if path and not Path(path).is_file():
            raise unusable(f"{name}: there is no file {path}")
    if connection.proxy:
        made["proxies"] = {"http": connection.proxy, "https": connection.proxy}
    elif urlsplit(f"//{origin[1]}").hostname in LOOPBACK:
        made["proxies"] = DIRECT
    if connection.ca_bundle:
        made["verify"] = connection.ca_bundle
    if connection.client_certificate:
        pair = (connection.client_certificate, connection.client_key)
        made["cert"] = pair if connection.client_key else connection.client_certificate
    return made


def _uncertified(settings: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in settings.items() if name != "cert"}


def broken(error: requests.exceptions.RequestException, host: str) -> NoAnswerError | CannotSendError | BadAnswerError:
    """What the failure of a request means: nothing was sent, no answer came, or an answer that nobody can read."""
    kinds = requests.exceptions
    if isinstance(error, kinds.ConnectTimeout):
        return CannotSendError(finding("WKX103", f"{host} did not accept a connection in time"))
    if isinstance(error, kinds.SSLError):
        if "WRONG_VERSION_NUMBER" in str(error) or "RECORD_LAYER_FAILURE" in str(error):  # its answer was no TLS
            plain = "Check scheme and port of the address: what answers there may speak plain http."
            return CannotSendError(finding("WKX103", f"{host} does not speak https", help=plain))
        return CannotSendError(finding("WKX104", f"the certificate of {host}, or ours, is not accepted"))
    if isinstance(error, kinds.ProxyError):
        return CannotSendError(finding("WKX103", f"the proxy to {host} cannot be reached or refuses"))
    if isinstance(error, kinds.ConnectionError):
        if _never_sent(error):
            return CannotSendError(finding("WKX103", f"{host} cannot be reached"))
        return NoAnswerError(finding("WKX301", f"the connection to {host} broke before an answer came"))
    if isinstance(error, kinds.Timeout | kinds.ChunkedEncodingError | kinds.ContentDecodingError):
        return NoAnswerError(finding("WKX301", f"{host} did not answer in time, or its answer is cut off"))
    return BadAnswerError(finding("WKX211", f"{host}: {type(error).__name__}"))


def _under(names: Iterable[str], url: str, base: str) -> str:
    """An address below one of the names of a server, below its base instead; any other as it is."""
    for name in sorted(names):
        if url.startswith(name) and url[len(name) : len(name) + 1] in ("", "/", "?"):
            return base + url.removeprefix(name)
    return url


def _by_pages(params: Pairs) -> list[tuple[str, str]]:
    return [*params, ("_count", PAGE)]


def _query(kind: str, params: Pairs) -> str:
    """The address of a search below the base."""
    return f"{kind}?{urlencode(_by_pages(params))}"


def _answered(entry: Mapping[str, Any]) -> tuple[Answer, Any]:
    """An entry of a batch as an answer of its own, and the outcome that stands beside its resource."""
    outcome = (entry.get("response") or {}).get("outcome")
    if resource := entry.get("resource"):
        return Answer(status_of(entry), "", resource), outcome
    return Answer(status_of(entry), "", outcome), None


def not_offered(kinds: Sequence[str]) -> dict[str, Any]:
    """What was not asked for, as a server would say it (issue type `not-supported`)."""
    said = f"the server does not offer {', '.join(dict.fromkeys(kinds))}: nothing of that is in the record"
    return {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "warning", "code": "not-supported", "diagnostics": said}],
    }


def version_of(etag: str) -> str:
    """The version in an ETag, however it is written: `W/"1"`, `"1"` or `1`."""
    return etag.strip().removeprefix("W/").strip('"')


def only_of(reference: str, resource: Mapping[str, Any]) -> str:
    """The `If-Match` of an update: it goes through only over the version that was read.

    Raises BadAnswerError WKX112 where the server gives none: what somebody else just wrote could be undone.
    """
    version = str((resource.get("meta") or {}).get("versionId") or "")
    if not version:
        said = f"{reference} comes without a version (meta.versionId): an update could undo what somebody just wrote"
        raise BadAnswerError(finding("WKX112", said), 200)
    return f'W/"{version}"'


def _there(document: Any, reference: str) -> bool:
    """True where a read or a search found something."""
    if not isinstance(document, dict) or document.get("resourceType") in (None, "OperationOutcome"):
        return False
    return "?" not in reference or bool(document.get("entry"))


def _kind_in(url: str) -> str:
    """What an address asks for, without the id of a resource and without a query: for logs."""
    parts = [p for p in urlsplit(url).path.split("/") if p]
    named = next((p for p in reversed(parts) if p[:1].isupper() or p[:1] in "$_."), "")
    return named or "the base"


def _shown(path: str) -> str:
    """A path without its query: it may name a patient."""
    return urlsplit(path).path if "://" in path else path.partition("?")[0] or "the base"


def status_of(entry: Mapping[str, Any]) -> int:
    """The status of a response entry; 0 where it has none."""
    said = str((entry.get("response") or {}).get("status") or "0")[:3]
    return int(said) if said.isdecimal() else 0


def read_answer(response: requests.Response, what: str) -> Answer:
    """Read an answer. Raises BadAnswerError WKX211 where a success holds anything but a JSON document."""
    kind = response.headers.get("Content-Type", "").partition(";")[0].strip().lower()
    failed = response.status_code >= 400
    document = None
    if response.content and kind.endswith("json"):
        try:
            document = loads(response.content)
        except ValueError:
            if not failed:
                said = f"{what}: {response.status_code}, the answer is no whole JSON document"
                raise BadAnswerError(finding("WKX211", said), response.status_code) from None
    elif response.content and not failed:
        said = f"{what}: {response.status_code}, answered with {kind or 'no content type'} instead of JSON"
        raise BadAnswerError(finding("WKX211", said), response.status_code)
    known = response.headers
    page = kind if response.content and document is None else ""
    version = version_of(known.get("ETag", ""))
    return Answer(response.status_code, version, document, page, known.get("Retry-After", ""), known)


def _resource(answer: Answer, what: str) -> dict[str, Any]:
    if answer.status >= 400:
        raise refusal(answer.status, what, answer.document, answer.kind)
    if not isinstance(answer.document, dict):
        raise BadAnswerError(finding("WKX211", f"{what}: {answer.status} without a resource"), answer.status)
    return answer.document


def pause_of(answer: Answer, attempt: int) -> float:
    """Seconds to wait: what Retry-After says (seconds or a date), capped; else a growing pause."""
    said = answer.retry_after.strip()
    if said.isdecimal():
        return min(float(said), LONGEST_WAIT)
    with contextlib.suppress(ValueError, TypeError, ArithmeticError):  # a date of no calendar, or a zone beyond the day
        return min(max(parsedate_to_datetime(said).timestamp() - time.time(), 0.0), LONGEST_WAIT)
    return min(float(0.5 * 2**attempt), LONGEST_WAIT)


def _never_sent(error: requests.exceptions.ConnectionError) -> bool:
    text = repr(error)
    return any(word in text for word in ("NewConnectionError", "NameResolutionError", "Connection refused"))
