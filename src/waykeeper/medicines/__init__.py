"""See README.md."""

from waykeeper.medicines.answers import row_from_answer
from waykeeper.medicines.model import MedicineRow
from waykeeper.medicines.propose import propose
from waykeeper.medicines.ruleset import Ruleset, package_rules, rule_names

__all__ = ["MedicineRow", "Ruleset", "package_rules", "propose", "row_from_answer", "rule_names"]
