"""Words given as options -> values, with nothing heavy imported: every command needs these, `validate` no others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from os import PathLike, fspath
from typing import Literal

from waykeeper.findings import WaykeeperError, did_you_mean, finding

PathText = str | PathLike[str]  # a path, or text that may be a name or an address as well
MomentText = str | date
Holds = Literal["test", "patients"]  # what a server may hold; "test" refuses patients without the test-data label


def as_text(given: PathText | MomentText) -> str:
    """What a caller in Python gave, as it is written as an option: a path, or a day or moment in ISO 8601."""
    return given.isoformat() if isinstance(given, date) else fspath(given)


def choice(text: str, allowed: Sequence[str], option: str, *, needed: bool = False) -> str:
    """One of the allowed words, or "" for "" unless one is needed. Raises WaykeeperError WKC201."""
    if (text or needed) and text not in allowed:
        raise WaykeeperError(finding("WKC201", f"{option} is {text!r}", help=did_you_mean(text, allowed)))
    return text


def takes(given: Sequence[str]) -> dict[str, str]:
    """`ours:ITEM` and `theirs:ITEM` as item -> side. Raises WaykeeperError WKC201; also where one item gets both."""
    found: dict[str, str] = {}
    for text in given:
        side, colon, item = text.partition(":")
        if not colon or not item:
            raise _no_answer(text)
        if found.setdefault(item, side) != side:
            raise WaykeeperError(
                finding("WKC201", f"--take answers {item!r} with both sides", help="Give one of them.")
            )
    sided(found)
    return found


def sided(take: Mapping[str, str]) -> None:
    """Raises WaykeeperError WKC201 for an answer that names neither side: it would settle a question the other way."""
    for item, side in take.items():
        if side not in ("ours", "theirs"):
            raise _no_answer(f"{side}:{item}")


def _no_answer(text: str) -> WaykeeperError:
    help_text = "Write ours:ITEM or theirs:ITEM, with the item's key."
    return WaykeeperError(finding("WKC201", f"--take is {text!r}", help=help_text))


def needed(value: str, option: str, example: str = "") -> None:
    """An option that has no sensible default: a file or standard output, or as in the example. Raises WKC203."""
    if not value:
        remedy = f"Add {option} {example}." if example else f"Add {option} FILE, or {option} - ."
        raise WaykeeperError(finding("WKC203", f"{option} is missing", help=remedy))


MOST = 2_147_483_647  # of a positiveInt (FHIR R4 datatypes.html#positiveInt)


def is_url(text: str) -> bool:
    """True for a server, as against a file; the scheme may be written in any case (RFC 3986, 3.1)."""
    return text[:8].lower().startswith(("http://", "https://"))


def positive(number: int, option: str) -> None:
    """A count from 1. Raises WaykeeperError WKC201."""
    if number < 1:
        remedy = f"Write {option} 1, or leave it out."
        raise WaykeeperError(finding("WKC201", f"{option} is {number}, it counts from 1", help=remedy))
    if number > MOST:
        raise WaykeeperError(finding("WKC201", f"{option} is {number}, at most {MOST}"))
