"""Other systems: files and FHIR servers. See README.md."""

from waykeeper.exchange.errors import BadAnswerError, CannotSendError, NoAnswerError
from waykeeper.exchange.server import Server

__all__ = ["BadAnswerError", "CannotSendError", "NoAnswerError", "Server"]
