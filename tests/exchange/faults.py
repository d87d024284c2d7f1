"""A proxy on a real socket that puts faults between the client and a server: a list of rules, used up one by one."""

from __future__ import annotations

import http.client
import threading
import time
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import urlsplit


@dataclass
class Fault:
    """Once (or `times`), for requests of `method` whose path contains `path`.

    answer   (status, content type, body, headers) instead of the server's answer
    after    True: the server gets the request and carries it out, only its answer is lost or replaced
    cut      close the connection without an answer (after: once the server has committed)
    short    send only so many bytes of the real answer
    slow     seconds before the answer is passed on, the server has long done its work
    change   a function on the body of the real answer
    request  a function on the body of the request, before the server gets it
    only     a test of the body of the request: where it is false the fault waits
    """

    method: str = "POST"
    path: str = "#transaction"
    times: int = 1
    answer: tuple[int, str, bytes, dict[str, str]] | None = None
    after: bool = False
    cut: bool = False
    short: int | None = None
    slow: float = 0
    change: object = None
    request: object = None
    only: object = None


@dataclass
class Proxy:
    """Where to talk to, what goes wrong, and what was asked."""

    base: str
    faults: list[Fault] = field(default_factory=list)
    seen: list[tuple[str, str]] = field(default_factory=list)

    def take(self, method: str, path: str, body: bytes) -> Fault | None:
        """The next fault that fits, used up."""
        for fault in self.faults:
            fits = _is_bundle(body, fault.path) if fault.path.startswith("#") else fault.path in path
            if fault.times > 0 and fault.method == method and fits and (fault.only is None or fault.only(body)):
                fault.times -= 1
                return fault
        return None


OWN_HEADERS = ("host", "connection", "accept-encoding", "content-length")
PASSED_ON = ("etag", "location", "content-location", "retry-after", "x-progress")
TRANSACTION = "#transaction"  # as a path: the request whose body is the transaction of a plan
BATCH = "#batch"
TRIAL = "#trial"  # the transactions by which a push tries out a server


def _is_bundle(body: bytes, wanted: str) -> bool:
    if wanted == BATCH:
        return b'"type":"batch"' in body[:200]
    return b'"type":"transaction"' in body[:200] and (b"Trial: does this server" in body) == (wanted == TRIAL)


@contextmanager
def between(base: str):
    """A Proxy in front of a server for as long as the block lasts."""
    target = urlsplit(base)
    proxy = Proxy("")

    class Handler(BaseHTTPRequestHandler):
        protocol_version, disable_nagle_algorithm = "HTTP/1.1", True

        def log_message(self, *_):
            """Say nothing."""

        def _forward(self, body):
            connection = http.client.HTTPConnection(target.hostname, target.port, timeout=60)
            headers = {k: v for k, v in self.headers.items() if k.lower() not in OWN_HEADERS}
            connection.request(self.command, self.path, body, headers)
            answer = connection.getresponse()
            kept = {k: v for k, v in answer.getheaders() if k.lower() in PASSED_ON}
            found = answer.status, answer.getheader("Content-Type", ""), answer.read(), kept
            connection.close()
            return found

        def _handle(self):
            body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
            proxy.seen.append((self.command, self.path))
            fault = proxy.take(self.command, self.path, body)
            if fault and fault.request:
                body = fault.request(body)
            if fault and fault.cut and not fault.after:
                self.close_connection = True
                self.connection.close()
                return
            if fault and fault.answer and not fault.after:
                self._say(*fault.answer)
                return
            status, kind, data, kept = self._forward(body or None)
            if fault and fault.cut:
                self.close_connection = True
                self.connection.close()
                return
            if fault and fault.answer:
                self._say(*fault.answer)
                return
            if fault and fault.slow:
                time.sleep(fault.slow)
            if fault and fault.change:
                data = fault.change(data)
            data = data.replace(base.encode(), proxy.base.encode())
            kept = {k: v.replace(base, proxy.base) for k, v in kept.items()}
            self._say(status, kind, data, kept, short=fault.short if fault else None)

        do_GET = do_POST = do_PUT = do_PATCH = do_DELETE = _handle  # noqa: N815 - names of the standard library

        def _say(self, status, kind, data, headers, short=None):
            self.send_response(status)
            if kind:
                self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(data)))
            for name, value in headers.items():
                self.send_header(name, value)
            self.end_headers()
            with suppress(BrokenPipeError, ConnectionResetError):  # the client may have given up waiting
                self.wfile.write(data if short is None else data[:short])
            if short is not None:
                self.close_connection = True

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as listening:
        listening.daemon_threads = True
        thread = threading.Thread(target=listening.serve_forever, args=(0.01,), daemon=True)
        thread.start()
        proxy.base = f"http://127.0.0.1:{listening.server_port}{target.path}"
        try:
            yield proxy
        finally:
            listening.shutdown()
            thread.join(10)
