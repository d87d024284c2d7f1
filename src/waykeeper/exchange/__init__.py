"""Other systems: files and FHIR servers. See README.md."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from waykeeper.exchange.connection import Connection
    from waykeeper.exchange.errors import BadAnswerError, CannotSendError, NoAnswerError
    from waykeeper.exchange.server import Server

_PLACES = {
    "BadAnswerError": "errors",
    "CannotSendError": "errors",
    "Connection": "connection",
    "NoAnswerError": "errors",
    "Server": "server",
}
__all__ = ["BadAnswerError", "CannotSendError", "Connection", "NoAnswerError", "Server"]


def __getattr__(name: str) -> Any:
    """The public names, imported when first used: settings need no HTTP."""
    if name in _PLACES:
        return getattr(import_module(f"waykeeper.exchange.{_PLACES[name]}"), name)
    raise AttributeError(f"module 'waykeeper.exchange' has no attribute {name!r}")
