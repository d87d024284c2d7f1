"""What every form of a worklist says first where something is missing from it."""

from __future__ import annotations

from collections.abc import Sequence

NOT_WHOLE = "This list is not whole"
MEND = "Have it mended and print the list again; work this one meanwhile."
WHAT_IT_LACKS = (
    "Something was not there or could not be read. What it stands for is missing below: of that nobody can say here"
    f" whether it was booked or done. {MEND}"
)
NOT_COMPARED = "The theatre list was not compared in all"
WHAT_IT_SAYS = "The rows say nothing of these words of it. Look at them there, beside the plan."
AT_MOST = 20  # sentences of one rendering; the command says all of them


def first_of(lacking: Sequence[str]) -> tuple[Sequence[str], str]:
    """The sentences that are shown, and how many more there are, "" for none."""
    more = len(lacking) - AT_MOST
    return lacking[:AT_MOST], f"and {more} more, which the command says" if more > 0 else ""


def sentences_of(lacking: Sequence[str]) -> Sequence[str]:
    """`first_of` as one list, for forms that have no other place for how many more there are."""
    shown, more = first_of(lacking)
    return [*shown, more] if more else shown
