"""Which tests run in CI only: minutes of Java, of a browser or of a hundred patients each."""

import pytest

from checked_once import pathways_are_checked_once  # noqa: F401 - a fixture
from chromium import require_chromium
from effort import LONG, REQUIRED, SHORT, SKIPPED, WHERE, early, named


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_collection_modifyitems(items):
    """Long tests are skipped where the real server is not required. What shares a server, and what is long, begins."""
    for item in items:
        if not REQUIRED and named(item.nodeid, LONG) and not named(item.nodeid, SHORT):
            item.add_marker(pytest.mark.skip(reason=SKIPPED))
    yield  # what others do with the items; the order within a file stays theirs
    items.sort(key=lambda item: (item.get_closest_marker("xdist_group") is None, not early(item.nodeid)))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """A file runs in one worker, so that what it makes for all its tests is made once.

    Given out test by test, more than ten thousand of them took half a minute of processor time of their own.
    """
    from xdist.scheduler import LoadGroupScheduling

    class ByFile(LoadGroupScheduling):
        def _split_scope(self, nodeid):
            group = super()._split_scope(nodeid)
            return nodeid.partition("::")[0] if group == nodeid else group

    return ByFile(config, log) if config.option.dist == "loadgroup" else None


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
