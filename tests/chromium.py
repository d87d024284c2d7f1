"""The browser that the pages are opened in: where it is, and that CI cannot do without it."""

import os
import shutil

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


def require_chromium() -> None:
    """Skip with the reason where there is none; fail where the run must have it."""
    if CHROMIUM is not None:
        return
    if os.environ.get("WAYKEEPER_REQUIRE_BROWSER") == "1":
        pytest.fail("there is no Chromium here (WAYKEEPER_REQUIRE_BROWSER=1)", pytrace=False)
    pytest.skip("no Chromium here: the page was not opened")
