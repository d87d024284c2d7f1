"""Other systems: files and FHIR servers. See README.md."""

from waykeeper.exchange.errors import BadAnswer, CannotSend, NoAnswer
from waykeeper.exchange.server import Server

__all__ = ["BadAnswer", "CannotSend", "NoAnswer", "Server"]
