"""Which tests run in CI only: minutes of Java, of a browser or of a hundred patients each."""

import os

import pytest

REQUIRED = os.environ.get("WAYKEEPER_REQUIRE_REAL_SERVER") == "1"
# Parts of a test's name. Elsewhere than in CI they are skipped, and say so; their short neighbours run everywhere.
LONG = (
    "contract/validator/test_agreement.py",
    "contract/test_bulk.py::[real",
    "contract/test_faults.py::[real",
    "contract/test_goldens.py::",
    "contract/test_issues.py::[real",
    "contract/test_lives.py::[real",
    "contract/test_move.py::[real",
    "contract/test_stories.py::[real",
    "contract/test_worked_case.py::at_the_edges[real",
    "cli/test_closed_day.py::",
    "exchange/test_kill.py::",
    "golden/test_plans.py::every_golden_parses",
    "report/test_pages_in_browser.py::axe_finds_nothing",
)


def _long(nodeid: str) -> bool:
    """A file of the list, and every further word of its line in the rest of the test's name."""
    for line in LONG:
        file, _, rest = line.partition("::")
        name, _, server = rest.partition("[")
        if f"{file}::" in nodeid and name in nodeid and (not server or f"[{server}" in nodeid):
            return True
    return False


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Long tests are skipped where the real server is not required."""
    for item in items:
        if not REQUIRED and _long(item.nodeid):
            item.add_marker(pytest.mark.skip(reason="long: runs in CI, or with WAYKEEPER_REQUIRE_REAL_SERVER=1"))
