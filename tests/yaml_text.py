"""YAML of the tests, read by the parser in C where it is there: cases are most of what collection reads."""

from typing import Any

import yaml

_PLAIN: Any = getattr(yaml, "CBaseLoader", yaml.BaseLoader)
_TYPED: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


def plain(text: str) -> Any:
    """Every scalar as it is written: `NO`, `22:30` and `0123` stay texts."""
    return yaml.load(text, Loader=_PLAIN)


def typed(text: str) -> Any:
    """Scalars as YAML understands them."""
    return yaml.load(text, Loader=_TYPED)
