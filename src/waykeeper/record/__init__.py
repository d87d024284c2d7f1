"""What is known of a patient: FHIR resources in, facts, medicines and proven anchors out."""

from waykeeper.record.administrations import place_of
from waykeeper.record.anchors import coded_sides, of_other_side, recorded
from waykeeper.record.entries import newest_entry
from waykeeper.record.facts import fact, facts
from waykeeper.record.handed_over import handed_on
from waykeeper.record.local_times import day_of, in_zone
from waykeeper.record.measured import CREATININE, LOINC, WEIGHT, kidney, names_acute_failure
from waykeeper.record.medications import PRODUCTS, Medications, own_name, pointed_at
from waykeeper.record.medicines import says_which
from waykeeper.record.model import Fact, Kidney, MedicineEntry, Record
from waykeeper.record.pages import Page, missing, pages_of
from waykeeper.record.read import MEDICINE_TYPES, identifiers, listed, read, resources_of
from waykeeper.record.references import identifier_names, literal_name, names_of, relative, system_of
from waykeeper.record.side_words import BOTH, sides_of_column, sides_of_name
from waykeeper.record.withheld import withheld

__all__ = [
    "BOTH",
    "CREATININE",
    "LOINC",
    "MEDICINE_TYPES",
    "PRODUCTS",
    "WEIGHT",
    "Fact",
    "Kidney",
    "Medications",
    "MedicineEntry",
    "Page",
    "Record",
    "coded_sides",
    "day_of",
    "fact",
    "facts",
    "handed_on",
    "identifier_names",
    "identifiers",
    "in_zone",
    "kidney",
    "listed",
    "literal_name",
    "missing",
    "names_acute_failure",
    "names_of",
    "newest_entry",
    "of_other_side",
    "own_name",
    "pages_of",
    "place_of",
    "pointed_at",
    "read",
    "recorded",
    "relative",
    "resources_of",
    "says_which",
    "sides_of_column",
    "sides_of_name",
    "system_of",
    "withheld",
]
