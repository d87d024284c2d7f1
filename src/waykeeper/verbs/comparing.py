"""Plans and what really happened -> the worklist."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from waykeeper.exchange.files import Held
from waykeeper.fhir import read_all
from waykeeper.findings import Position, WaykeeperError, finding
from waykeeper.plan.model import Evidence, Plan, State
from waykeeper.verbs import inputs, words

if TYPE_CHECKING:
    from waykeeper.gaps import Worklist


@dataclass(frozen=True, slots=True)
class GapReport:
    """The worklist with the plans it rests on and where they came from."""

    worklist: Worklist
    plans: tuple[tuple[Plan, State], ...]
    evidence: tuple[Evidence, ...]
    sources: tuple[str, ...]


def gaps(*sources: str, as_of: str | date | None = None) -> GapReport:
    """Lay what was planned beside what really happened.

    sources   servers, files or folders; plans, appointments and encounters may come from different ones
    as_of     the day to look at; today in the clinic's zone
    """
    from waykeeper.fhir import evidence
    from waykeeper.gaps import worklist

    if isinstance(as_of, str) and as_of:
        as_of = inputs.day_of(as_of, "--as-of")
    held = [pair for source in sources for pair in _source(source)]
    with inputs.blamed(*sources):
        plans = read_all(held)
        if not plans:
            remedy = "Compile one and push it first, or name where the plans are."
            raise WaykeeperError(finding("WKC210", "no plan of Waykeeper", Position(", ".join(sources)), remedy))
        zone = plans[0][0].zone
        day = as_of if isinstance(as_of, date) else inputs.as_of_date(as_of, zone)
        found = evidence(held, zone)
        return GapReport(worklist(plans, found, day), tuple(plans), tuple(found), tuple(sources))


def _source(source: str) -> list[Held]:
    if not words.is_url(source):
        return inputs.held_of([source])
    from waykeeper.exchange import Server
    from waykeeper.exchange.reading import plan_resources

    return plan_resources(Server(source), None)
