"""Start the sandbox: for good (`serve`), or around a test or a demo (`running`)."""

from __future__ import annotations

import socket
import sqlite3
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import uvicorn
from starlette.applications import Starlette

from waykeeper.findings import WaykeeperError, finding
from waykeeper.sandbox.app import BASE_PATH, create_app
from waykeeper.sandbox.definitions import put_definitions
from waykeeper.sandbox.loading import load_folder
from waykeeper.sandbox.service import Paging
from waykeeper.sandbox.store import Store

HOST = "127.0.0.1"


def _listen(port: int) -> socket.socket:
    """A socket on the loopback address, the only one: the sandbox has no access control.

    Raises WaykeeperError for a port that is taken.
    """
    # The protocol is named, for only then does the event loop send each answer at once: else 40 ms pass with each.
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((HOST, port))
    except (OSError, OverflowError) as bad:
        listening.close()
        raise WaykeeperError(finding("WKS102", f"port {port} cannot be used: {bad}")) from None
    return listening


def _server(app: Starlette) -> uvicorn.Server:
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, lifespan="off", server_header=False, timeout_graceful_shutdown=2
    )
    return uvicorn.Server(config)


def _filled(db: str | Path | None, load: str | Path | None) -> Store:
    try:
        store = Store(db or ":memory:")
    except (sqlite3.Error, OSError) as bad:
        raise WaykeeperError(finding("WKS103", f"{db}: {bad}")) from None
    try:
        put_definitions(store)
        if load is not None:
            load_folder(store, Path(load))
    except sqlite3.Error as bad:  # a disk that is full, say
        store.close()
        raise WaykeeperError(finding("WKS103", f"{db or 'in memory'}: {bad}")) from None
    except BaseException:
        store.close()
        raise
    return store


def serve(port: int = 0, load: str | Path | None = None, db: str | Path | None = None) -> None:
    """Serve until interrupted; prints `READY <base url>` to stderr once requests are answered.

    `load` is a folder of bundles and resources, `db` a file (without it everything ends with the process).
    Raises WaykeeperError for a port that is taken, a file that is no database, a folder that is refused.
    """
    listening = _listen(port)
    with listening:
        store = _filled(db, load)
        server = _server(create_app(store))
        listening.listen(128)  # from here on requests wait in line until the loop runs
        sys.stderr.write(f"READY {_base(listening)}\n")
        sys.stderr.flush()
        try:
            server.run(sockets=[listening])
        finally:
            store.close()


def _base(listening: socket.socket) -> str:
    return f"http://{HOST}:{listening.getsockname()[1]}{BASE_PATH}"


@contextmanager
def hosting(app: Starlette, port: int = 0) -> Iterator[str]:
    """Run an application in a thread on the loopback address for as long as the block lasts; gives its base url."""
    with _listen(port) as listening:
        listening.listen(128)
        server = _server(app)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, name="sandbox", daemon=True)
        thread.start()
        try:
            yield _base(listening)
        finally:
            server.should_exit = True
            thread.join(10)


@contextmanager
def running(
    port: int = 0, load: str | Path | None = None, db: str | Path | None = None, *, paging: Paging | None = None
) -> Iterator[str]:
    """Run the sandbox in a thread for as long as the block lasts; gives the base url."""
    store = _filled(db, load)
    try:
        with hosting(create_app(store, paging), port) as base:
            yield base
    finally:
        store.close()
