"""Make the pictures of the README from what `make demo` left: `python tests/report/screenshots.py`."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

ROOT = Path(__file__).parents[2]
PICTURES = Path(__file__).parent / "screenshots"
AS_OF = "2026-06-26T09:00:00-05:00"  # the day of the demo's worklist
SHOTS = (("gaps", 1280, 980), ("gaps", 390, 1200), ("sheet", 1280, 1400))


def main() -> int:
    """One PNG a page and width; needs Chromium on the machine."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        print("chromium is not installed", file=sys.stderr)
        return 2
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        for name, width, height in SHOTS:
            page = browser.new_page(viewport={"width": width, "height": height})
            page.clock.set_fixed_time(AS_OF)  # opened later the worklist says how old it is
            page.goto((ROOT / "build" / "demo" / f"{name}.html").as_uri())
            page.screenshot(path=str(PICTURES / f"{name}-{width}.png"))
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
