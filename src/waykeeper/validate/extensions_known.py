"""Extensions in use: known ones must fit their definition, unknown ones are named."""

from __future__ import annotations

from typing import Any

from waykeeper.validate.run import Place, Run


def check_extension(value: Any, here: Place, run: Run, modifier: bool) -> None:
    """ext-1, and what the definition of a known extension asks for."""
    has_value = any(isinstance(key, str) and key.lstrip("_").startswith("value") for key in value)
    if has_value == ("extension" in value):
        run.add("WKV401", here, "invariant ext-1 is broken: an extension has either extensions or a value, not both")
