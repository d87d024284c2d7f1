"""Which medicines pause before surgery? Proposals with their sources, never orders. See README.md.

`waykeeper.medicines(...)` is the command: help(waykeeper.verbs.medicines) says what it takes.
"""

from waykeeper.callable_package import make_callable
from waykeeper.medicines.acetaminophen import AcetaminophenDose, AcetaminophenSum, acetaminophen_sum
from waykeeper.medicines.answers import as_proposed, by_medicine, named, row_from_answer
from waykeeper.medicines.check import check_rules, check_ruleset
from waykeeper.medicines.daily_sums import DailySums, daily_sums
from waykeeper.medicines.decisions import (
    HOLD_WORDS,
    NOT_TAKEN,
    PAUSE,
    REASON_ONLY,
    WITHOUT_DAYS,
    settles,
    unclear,
    without_reason,
)
from waykeeper.medicines.doses import days_of_supply_left, next_allowed, supply_ends
from waykeeper.medicines.due import due_day
from waykeeper.medicines.kidney import NO_CLEARANCE, Clearance, clearance, cockcroft_gault
from waykeeper.medicines.kidney_turns import kidney_turns
from waykeeper.medicines.met import NotMet, not_met
from waykeeper.medicines.model import BY_HOURS, AnswerLike, Decision, MedicineRow, NamedMedicine, Turned
from waykeeper.medicines.on_the_day import AS_NEEDED, MORNING, NOT_SWALLOWED, RESCUE
from waykeeper.medicines.opioids import OpioidDose, OpioidSum, doses_in_24_hours, opioid_sum
from waykeeper.medicines.page import MedicinesPage, PageLine, late, page, page_json
from waykeeper.medicines.patient_facts import looked_at, patient_facts, taken_back
from waykeeper.medicines.policies import check_policies, policy_table
from waykeeper.medicines.propose import propose
from waykeeper.medicines.record_turns import turned
from waykeeper.medicines.recorded_cautions import (
    SEVERE,
    RecordedCaution,
    pregnancy_asked,
    recorded_cautions,
    same_caution,
    unmet,
)
from waykeeper.medicines.restarts import RestartRow, naltrexone_restart, restart_rows
from waykeeper.medicines.ruleset import Ruleset, package_rules, rule_names, ruleset
from waykeeper.medicines.same_medicine import dose_listed, same_medicine, speaks_for, told_apart
from waykeeper.medicines.status import is_current
from waykeeper.medicines.synonyms import read_synonyms, rules_with
from waykeeper.medicines.weaning import WeanDay, WeanPhase, check_weaning, weaning_calendar
from waykeeper.medicines.weight_doses import cefazolin_grams, vancomycin_mg

__all__ = [
    "AS_NEEDED",
    "BY_HOURS",
    "HOLD_WORDS",
    "MORNING",
    "NOT_SWALLOWED",
    "NOT_TAKEN",
    "NO_CLEARANCE",
    "PAUSE",
    "REASON_ONLY",
    "RESCUE",
    "SEVERE",
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
    "RecordedCaution",
    "RestartRow",
    "Ruleset",
    "Turned",
    "WeanDay",
    "WeanPhase",
    "acetaminophen_sum",
    "as_proposed",
    "by_medicine",
    "cefazolin_grams",
    "check_policies",
    "check_rules",
    "check_ruleset",
    "check_weaning",
    "clearance",
    "cockcroft_gault",
    "daily_sums",
    "days_of_supply_left",
    "dose_listed",
    "doses_in_24_hours",
    "due_day",
    "is_current",
    "kidney_turns",
    "late",
    "looked_at",
    "naltrexone_restart",
    "named",
    "next_allowed",
    "not_met",
    "opioid_sum",
    "package_rules",
    "page",
    "page_json",
    "patient_facts",
    "policy_table",
    "pregnancy_asked",
    "propose",
    "read_synonyms",
    "recorded_cautions",
    "restart_rows",
    "row_from_answer",
    "rule_names",
    "rules_with",
    "ruleset",
    "same_caution",
    "same_medicine",
    "settles",
    "speaks_for",
    "supply_ends",
    "taken_back",
    "told_apart",
    "turned",
    "unclear",
    "unmet",
    "vancomycin_mg",
    "weaning_calendar",
    "without_reason",
]

make_callable(__name__, "waykeeper.verbs", "medicines")
