"""Waykeeper: care pathways as dated FHIR R4 plans, kept on a server and laid beside what really happened."""

__version__ = "0.1.0"
