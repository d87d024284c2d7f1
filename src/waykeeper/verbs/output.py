"""Values -> the bytes that a command writes."""

from __future__ import annotations

import json
import shutil
import sys
from typing import Any

PIPE_WIDTH = 80


def bundle_bytes(bundle: dict[str, Any]) -> bytes:
    """A Bundle as indented JSON: the same plan gives the same bytes."""
    import orjson

    return orjson.dumps(bundle, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)


def as_json(value: Any) -> str:
    """JSON for people and programs: indented, keys as the writer ordered them."""
    return json.dumps(value, indent=2, ensure_ascii=False) + "\n"


def console_width() -> int:
    """The width of the terminal; 80 in a pipe."""
    return shutil.get_terminal_size((PIPE_WIDTH, 24)).columns if sys.stdout.isatty() else PIPE_WIDTH
