"""Urls and codes of ours that appear in resources. One place; the definitions beside this file use the same."""

from __future__ import annotations

from waykeeper.plan import patient

BASE = "https://waykeeper.example/fhir"

ITEM = f"{BASE}/StructureDefinition/item"  # on every resource of an item
PLAN = f"{BASE}/StructureDefinition/plan"  # on the root CarePlan
OFFERED = f"{BASE}/StructureDefinition/offered"  # what we last offered: digests by group
HOLD = f"{BASE}/StructureDefinition/hold"  # on our MedicationRequest: missed days, last dose, first missed, restart

TAG_SYSTEM = f"{BASE}/CodeSystem/origin"
TAG_CODE = "waykeeper"

TASK_CODES = f"{BASE}/CodeSystem/task"  # fulfil, gate, mirror, confirm, review, ask, conflict, ...
CATEGORIES = f"{BASE}/CodeSystem/category"  # restriction, visit, education ...
GAP_KINDS = f"{BASE}/CodeSystem/gap"
ROLES = f"{BASE}/CodeSystem/role"
GOAL_ACHIEVEMENT = "http://terminology.hl7.org/CodeSystem/goal-achievement"  # the standard's

IDENTIFIER_PATH = "/identifier/plan"  # appended to the clinic's url: the system of our identifiers
NOTE_PATH = "/identifier/note"  # likewise: the system of the names of calls and doses that somebody noted
TEST_LABEL = patient.TEST_LABEL  # the label by which a plan knows test data is the one that we write
DAYS_OF_WEEK = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")  # FHIR R4, value set days-of-week
NO_CAUTION = "none"  # in a plan: the record named no allergy and no pregnancy; no allergy is ever called so
COMPLETED = "Plan completed"  # begins the note on a plan that was completed, and the reason on what was open in it
REASON_URL = "http://hl7.org/fhir/StructureDefinition/request-statusReason"  # where a ServiceRequest has its reason
ENDED = "Ended"  # begins the note that says when a restriction was released
