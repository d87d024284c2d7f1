"""Which tests run in CI only: minutes of Java, of a browser or of a hundred patients each."""

import pytest

from checked_once import pathways_are_checked_once  # noqa: F401 - a fixture
from chromium import require_chromium
from effort import LONG, REQUIRED, SHORT, SKIPPED, WHERE, named


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Long tests are skipped where the real server is not required."""
    for item in items:
        if not REQUIRED and named(item.nodeid, LONG) and not named(item.nodeid, SHORT):
            item.add_marker(pytest.mark.skip(reason=SKIPPED))


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item):
    """What needs a browser is skipped without one, and fails in CI."""
    if item.get_closest_marker("browser") is not None:
        require_chromium()


def pytest_terminal_summary(terminalreporter):
    """How many were skipped for their length, and how to run them."""
    skipped = [report for report in terminalreporter.stats.get("skipped", ()) if SKIPPED in str(report.longrepr)]
    if skipped:
        terminalreporter.write_line(f"{len(skipped)} long tests were skipped: they run {WHERE}")
