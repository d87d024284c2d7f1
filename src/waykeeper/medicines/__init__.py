"""Which medicines pause before surgery? Proposals with their sources, never orders. See README.md."""

from waykeeper.callable_package import make_callable
from waykeeper.medicines.acetaminophen import AcetaminophenDose, AcetaminophenSum, acetaminophen_sum
from waykeeper.medicines.answers import as_proposed, by_medicine, row_from_answer
from waykeeper.medicines.check import check_rules, check_ruleset
from waykeeper.medicines.daily_sums import DailySums, daily_sums
from waykeeper.medicines.decisions import NOT_TAKEN, PAUSE, REASON_ONLY, WITHOUT_DAYS, settles, unclear
from waykeeper.medicines.due import due_day
from waykeeper.medicines.kidney import Clearance, clearance, cockcroft_gault
from waykeeper.medicines.met import NotMet, not_met
from waykeeper.medicines.model import BY_HOURS, AnswerLike, Decision, MedicineRow, NamedMedicine
from waykeeper.medicines.on_the_day import AS_NEEDED, MORNING, NOT_SWALLOWED, RESCUE
from waykeeper.medicines.opioids import OpioidDose, OpioidSum, doses_in_24_hours, opioid_sum
from waykeeper.medicines.page import MedicinesPage, PageLine, late, page, page_json
from waykeeper.medicines.patient_facts import patient_facts
from waykeeper.medicines.policies import check_policies, policy_table
from waykeeper.medicines.propose import propose
from waykeeper.medicines.ruleset import Ruleset, package_rules, rule_names, ruleset
from waykeeper.medicines.same_medicine import same_medicine, speaks_for, told_apart

__all__ = [
    "AS_NEEDED",
    "BY_HOURS",
    "MORNING",
    "NOT_SWALLOWED",
    "NOT_TAKEN",
    "PAUSE",
    "REASON_ONLY",
    "RESCUE",
    "WITHOUT_DAYS",
    "AcetaminophenDose",
    "AcetaminophenSum",
    "AnswerLike",
    "Clearance",
    "DailySums",
    "Decision",
    "MedicineRow",
    "MedicinesPage",
    "NamedMedicine",
    "NotMet",
    "OpioidDose",
    "OpioidSum",
    "PageLine",
    "Ruleset",
    "acetaminophen_sum",
    "as_proposed",
    "by_medicine",
    "check_policies",
    "check_rules",
    "check_ruleset",
    "clearance",
    "cockcroft_gault",
    "daily_sums",
    "doses_in_24_hours",
    "due_day",
    "late",
    "not_met",
    "opioid_sum",
    "package_rules",
    "page",
    "page_json",
    "patient_facts",
    "policy_table",
    "propose",
    "row_from_answer",
    "rule_names",
    "ruleset",
    "same_medicine",
    "settles",
    "speaks_for",
    "told_apart",
    "unclear",
]

make_callable(__name__, "waykeeper.verbs", "medicines")
