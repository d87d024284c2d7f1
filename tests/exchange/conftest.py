"""An empty sandbox for a module, and a new patient's plan on it for each test."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from merge.small import compiled, new_identifier
from waykeeper.exchange import Server
from waykeeper.exchange.pushing import push
from waykeeper.fhir import bundle
from waykeeper.sandbox import running

PUSHED = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def url():
    """The address of a sandbox without anything in it."""
    with running() as found:
        yield found


@pytest.fixture
def one(url):
    """The server and the identifier of a patient whose plan was pushed to it on 1 March."""
    server, identifier = Server(url), new_identifier()
    push(bundle(compiled(identifier)), server, now=PUSHED)
    return server, identifier
