"""Which types of resources are ours, what they are laid beside, and what a patient's record is made of."""

from __future__ import annotations

OURS = (
    "CarePlan", "ServiceRequest", "Task", "MedicationRequest", "CommunicationRequest", "Goal", "Flag", "DetectedIssue",
)  # fmt: skip
EVIDENCE = ("Appointment", "Encounter", "Procedure", "Communication", "MedicationStatement")
RECORD = (
    "Condition", "Observation", "AllergyIntolerance", "Procedure", "MedicationRequest", "MedicationStatement",
    "MedicationDispense", "MedicationAdministration", "Encounter", "Appointment", "FamilyMemberHistory", "Immunization",
    "DeviceUseStatement", "Consent", "Coverage", "Task",
)  # fmt: skip
