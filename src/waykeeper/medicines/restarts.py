"""Every stop has a restart and an owner, also when surgery is cancelled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from waykeeper.medicines.model import MedicineRow

RESTART_IF_CANCELLED = "surgery is cancelled: the prescriber says today whether and how it restarts"
OPIOID_FREE_DAYS = (7, 10)  # naltrexone label (from memory), after short-acting opioids


@dataclass(frozen=True, slots=True)
class RestartRow:
    """One medicine that has to be started again: the gate in words, the earliest proposal day, the owner."""

    key: str
    reference: str
    words: str
    restart: str
    earliest: date | None
    owner: str


def restart_rows(
    rows: Sequence[MedicineRow], *, cancelled_on: date | None = None, stopped: Sequence[str] | None = None
) -> tuple[RestartRow, ...]:
    """A restart for every row that stops something.

    cancelled_on  surgery was cancelled on this day: each restart is asked for on the same day
    stopped       keys of medicines that are known to have been stopped; None = every row that proposes a stop
    """
    wanted = [r for r in rows if (r.stops if stopped is None else r.key in stopped)]
    return tuple(
        RestartRow(
            key=row.key,
            reference=row.reference,
            words=row.words,
            restart=RESTART_IF_CANCELLED if cancelled_on else row.restart or "when the prescriber says so",
            earliest=cancelled_on or row.restart_from,
            owner="prescriber" if cancelled_on else row.restart_by or "prescriber",
        )
        for row in wanted
    )


def naltrexone_restart(last_opioid: date) -> tuple[date, date]:
    """Earliest restart after 7 and after 10 full opioid-free days. A gate, never a date by itself.

    The last opioid really taken counts; long-acting opioids need longer. Source: label, from memory.
    """
    seven, ten = OPIOID_FREE_DAYS
    return last_opioid + timedelta(seven + 1), last_opioid + timedelta(ten + 1)
