"""The exceptions of this room.

WaykeeperError
└── TimingError        a date cannot be given; carries the finding
    └── PhraseError    the text is not a phrase; knows where in the text
"""

from __future__ import annotations

from waykeeper.findings import Finding, Position, WaykeeperError, finding


class TimingError(WaykeeperError):
    """No date can be given. `code`, `details` and `help` are those of its finding."""

    def __init__(self, code: str, details: str, help: str = "") -> None:  # noqa: A002 - the finding's field
        """Make the finding; its severity and, where none is given, its remedy come from the catalogue."""
        made = finding(code, details, help=help)
        self.code = code
        self.details = details
        self.help = made.help
        super().__init__(made)

    def at(self, position: Position) -> Finding:
        """The finding at a place in a source."""
        made = self.findings[0]
        return Finding(made.code, made.severity, made.details, position, made.help)


class PhraseError(TimingError):
    """The text is not a phrase. `offset` is the 0-based character where reading stopped."""

    def __init__(self, code: str, offset: int, details: str, help: str = "") -> None:  # noqa: A002 - as above
        """Keep the offset beside the finding."""
        self.offset = offset
        super().__init__(code, details, help)
