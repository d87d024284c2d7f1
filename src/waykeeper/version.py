"""The version, in a module of its own so that every room may read it; and which of two comes first."""

from __future__ import annotations

VERSION = "0.2.0"


def older(one: str, other: str) -> bool:
    """True if the first of two versions such as 1.2.0 comes before the second; what is no such version has no order."""
    return all(map(_numbers, (one, other))) and _numbers(one) < _numbers(other)


def _numbers(version: str) -> tuple[int, ...]:
    parts = version.split(".")
    return tuple(map(int, parts)) if all(p.isascii() and p.isdigit() for p in parts) else ()
