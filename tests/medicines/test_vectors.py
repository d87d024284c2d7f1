"""Every numbered check value that concerns medicines stands in a case file or a test, under its number."""

from __future__ import annotations

import re
from pathlib import Path

TESTS = Path(__file__).parents[1]
NUMBERED = {
    "T": [*range(1, 18), *range(26, 35), *range(40, 67), 68, 69, *range(77, 85), 87, 88],
    "CG": range(1, 14),
    "M": range(1, 13),
    "A": range(1, 7),
}
FOLDERS = ("medicines", "timing", "cli", "report", "merge")


def test_no_check_value_is_missing() -> None:
    """T hold, kidney, NSAID, GLP-1, hours, cycles and after surgery; CG clearance; M opioids; A acetaminophen."""
    files = [f for folder in FOLDERS for kind in ("*.py", "*.yaml") for f in (TESTS / folder).rglob(kind)]
    text = "\n".join(f.read_text("utf-8") for f in files if f.name != "test_vectors.py")
    named = {
        (kind.upper(), int(n)) for kind, n in re.findall(r"\b(?:test_)?(T|CG|M|A|t|cg|m|a)(\d{1,2})(?=\b|_)", text)
    }
    missing = [f"{kind}{n}" for kind, numbers in NUMBERED.items() for n in numbers if (kind, n) not in named]
    assert missing == []
