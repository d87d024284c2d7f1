"""A number and its word: `1 day`, `2 days`."""

from __future__ import annotations


def counted(number: int, word: str, plural: str = "") -> str:
    """`1 day`, `2 days`, `0 days`; `plural` where an s is not enough: `2 entries`."""
    return f"{number} {word if number == 1 else plural or f'{word}s'}"
