"""The embedded server."""

from __future__ import annotations

from pathlib import Path

from waykeeper.findings import Position, WaykeeperError, finding

LAST_PORT = 65535


def sandbox(*, port: int = 8080, load: str = "", db: str = "") -> None:
    """Serve the embedded FHIR server on the loopback address until interrupted."""
    from waykeeper.sandbox import serve

    if not 0 <= port <= LAST_PORT:
        raise WaykeeperError(finding("WKC201", f"--port is {port}, a port is a number from 0 to {LAST_PORT}"))
    if load and not Path(load).is_dir():
        found = "this is no folder" if Path(load).exists() else "there is no such folder"
        raise WaykeeperError(finding("WKC101", found, Position(load)))
    serve(port, load or None, db or None)
