"""What page and terminal say first of a worklist from which something is missing."""

from __future__ import annotations

from collections.abc import Sequence

NOT_WHOLE = "This list is not whole"
WHAT_IT_LACKS = (
    "Something was not there or could not be read. What it stands for is missing below: of that nobody can say here"
    " whether it was booked or done. Have it mended and print the list again; work this one meanwhile."
)
AT_MOST = 20  # sentences of one rendering; the command says all of them


def first_of(lacking: Sequence[str]) -> tuple[Sequence[str], str]:
    """The sentences that are shown, and how many more there are, "" for none."""
    more = len(lacking) - AT_MOST
    return lacking[:AT_MOST], f"and {more} more, which the command says" if more > 0 else ""
