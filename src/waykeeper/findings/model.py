"""The value that every check returns.

Exception tree (the only exceptions that cross a room's border):

    WaykeeperError            cannot go on; carries findings; the command line turns it into exit 2
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from waykeeper.findings.catalogue import entry
from waykeeper.findings.severity import Severity
from waykeeper.findings.visible import on_one_line


@dataclass(frozen=True, slots=True, order=True)
class Position:
    """A place in a source: file, 1-based line and column, and the element path where there is one."""

    file: str = ""
    line: int = 0
    column: int = 0
    path: str = ""

    def __str__(self) -> str:
        """`file:line:col` as far as known, else the element path."""
        parts = [self.file] if self.file else []
        if self.line:
            parts += [str(self.line), str(self.column or 1)]
        place = ":".join(parts)
        return place or self.path


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that a check found.

    `details` says what was found and what is allowed (lower case, no full stop); `help` says how to mend it.
    `code` is an entry of the catalogue; title, explanation and link to the standard are looked up there.
    """

    code: str
    severity: Severity
    details: str
    position: Position = Position()
    help: str = ""

    def sentence(self) -> str:
        """The whole message: details, then the remedy as a second sentence."""
        return f"{self.details}. {self.help}" if self.help else self.details

    def line(self) -> str:
        """`path:line:col: CODE severity: message`, the form that editors and CI understand; no place, no colon.

        One line of what a screen shows, whatever a server or a file says: names of files and details are theirs.
        """
        place = str(self.position)
        path = f" [{self.position.path}]" if self.position.path and place != self.position.path else ""
        return on_one_line(f"{f'{place}: ' if place else ''}{self.code} {self.severity}: {self.sentence()}{path}")


def finding(
    code: str,
    details: str,
    position: Position | None = None,
    help: str = "",  # noqa: A002 - the field's name
    *,
    severity: Severity | None = None,
) -> Finding:
    """Make a finding with the severity that the catalogue gives its code.

    Raises KeyError where the catalogue does not know the code: an undocumented code is a bug.
    """
    known = entry(code)
    return Finding(code, severity or known.severity, details, position or Position(), help or known.help)


class WaykeeperError(Exception):
    """A job that cannot go on, with the findings that say why."""

    def __init__(self, findings: Finding | Sequence[Finding]) -> None:
        """Keep the findings; the message is their sentences."""
        self.findings: tuple[Finding, ...] = (findings,) if isinstance(findings, Finding) else tuple(findings)
        super().__init__("; ".join(f.line() for f in self.findings))

    def __reduce__(self) -> tuple[Callable[..., WaykeeperError], tuple[Any, ...], dict[str, Any]]:
        """How it goes from one process to another: whole, whatever a subclass asks for when it is made."""
        return type(self).__new__, (type(self), *self.args), self.__dict__


def did_you_mean(word: str, allowed: Iterable[str]) -> str:
    """A remedy sentence: the nearest allowed word, else the allowed words; of more than twenty the first twelve."""
    choices = sorted(allowed)
    near = difflib.get_close_matches(word, choices, n=1, cutoff=0.6)
    if near:
        return f"Did you mean {near[0]!r}?"
    if not choices:
        return "There is none to choose from."
    shown, more = (choices, "") if len(choices) <= 20 else (choices[:12], f" and {len(choices) - 12} more")
    return f"Allowed: {', '.join(shown)}{more}."
