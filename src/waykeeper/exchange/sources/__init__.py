"""Bookings as others write them: a scheduler's CSV, iCalendar, HL7 v2 SIU messages -> Evidence. See README.md."""

from waykeeper.exchange.sources.mapping import Mapping, read_mapping
from waykeeper.exchange.sources.merged import joined, plans_joined
from waykeeper.exchange.sources.model import Bookings
from waykeeper.exchange.sources.reading import read_bookings
from waykeeper.exchange.sources.settling import across, unknown

__all__ = [
    "Bookings",
    "Mapping",
    "across",
    "joined",
    "plans_joined",
    "read_bookings",
    "read_mapping",
    "unknown",
]
