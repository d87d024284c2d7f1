"""Fixtures of the contract suite: one set of cases, several servers, and the official validator.

`server`      a Peer (name, base), once the sandbox and once the real server
`any_server`  the same, and once the second server, which has nothing in common with them
`talk`        a Talk to `server`
`judge`       the official validator; `judge.verdicts(resources)`
"""

from contextlib import ExitStack
from pathlib import Path

import pytest
import requests

from contract.peers import REQUIRED, judge_with, missing, missing_second, real_server, sandbox_server, second_server
from contract.talk import Talk

DEFINITIONS = Path(__file__).parents[2] / "src/waykeeper/fhir/definitions"


def require_java():
    """Skip with the reason where Java is missing; fail where the run must have it."""
    _require(missing())


def _require(reason):
    """`reason` says why a peer cannot be started; "" where it can."""
    if reason and REQUIRED:
        pytest.fail(f"{reason} (WAYKEEPER_REQUIRE_REAL_SERVER=1)", pytrace=False)
    if reason:
        pytest.skip(reason)


@pytest.fixture(scope="session")
def sandbox_peer():
    """The sandbox, started once."""
    with sandbox_server() as peer:
        yield peer


@pytest.fixture(scope="session")
def started():
    """Peers that are started when they are first asked for, and end with the run."""
    with ExitStack() as stack:
        yield stack


@pytest.fixture(scope="session")
def real_peer(started):
    """The real server, started once."""
    require_java()
    return started.enter_context(real_server())


@pytest.fixture(scope="session")
def second_process(started):
    """The second server, started once."""
    _require(missing_second())
    return started.enter_context(second_server())


@pytest.fixture
def second_peer(second_process):
    """The second server, emptied."""
    requests.delete(second_process.base, timeout=60).raise_for_status()
    return second_process


BOTH = ["sandbox", pytest.param("real", marks=[pytest.mark.real_server, pytest.mark.xdist_group("java")])]


@pytest.fixture(params=BOTH)
def server(request):
    """Each of the two servers in turn."""
    return request.getfixturevalue(f"{request.param}_peer")


@pytest.fixture(params=[*BOTH, pytest.param("second", marks=pytest.mark.xdist_group("node"))])
def any_server(request):
    """Each of the three: for what must hold on every server, whoever wrote it."""
    return request.getfixturevalue(f"{request.param}_peer")


@pytest.fixture(params=BOTH)
def whole_server(request):
    """Each of the two for a test that reads all that stands there: a sandbox of its own, the real one before others."""
    if request.param == "real":
        yield request.getfixturevalue("real_peer")
    else:
        with sandbox_server() as peer:
            yield peer


@pytest.fixture
def talk(server):
    """A client of the server at hand, with identifiers of its own."""
    with Talk(server) as made:
        yield made


@pytest.fixture(scope="session")
def judge(started):
    """The official validator with our definitions, as one long-lived process."""
    require_java()
    return started.enter_context(judge_with([DEFINITIONS] if DEFINITIONS.is_dir() else []))


JAVA = {"judge", "real_peer"}


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_collection_modifyitems(items):
    """Everything that needs Java runs in one worker, so that each of its two processes starts once.

    What reads all that stands on a server is first: it takes time for each plan there, and others leave hundreds.
    """
    for item in items:
        if set(getattr(item, "fixturenames", ())) & JAVA and item.get_closest_marker("xdist_group") is None:
            item.add_marker(pytest.mark.xdist_group("java"))
    yield
    items.sort(key=lambda item: "whole_server" not in item.fixturenames)
