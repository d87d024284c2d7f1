"""The versions of a plan and what each changed, as the server remembers them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from waykeeper.verbs import inputs, words

if TYPE_CHECKING:
    from waykeeper.exchange.versions import PlanVersion


def history(from_: str, *, patient: str, episode: int = 1, pathway: str = "") -> tuple[PlanVersion, ...]:
    """Every version that a push, a move or a withdrawal made of a plan, oldest first, with its differences.

    Raises WaykeeperError: no such plan (WKX221), a server that keeps no history (WKX214).
    """
    from waykeeper.exchange import Server
    from waykeeper.exchange.versions import history as read_history

    words.positive(episode, "--episode")
    identifier = inputs.identifier_of(patient, "--patient")
    return read_history(Server(from_), identifier, episode=episode, pathway=pathway)
