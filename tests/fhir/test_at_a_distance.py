"""A call is no visit: what a scheduler calls a service at a distance is told to the matching."""

import pytest

from waykeeper.fhir import evidence


def told(kind, **said):
    """Whether the one resource is read as at a distance."""
    (found,) = evidence([(f"{kind}/1", {"resourceType": kind, "status": "finished", **said})], "America/Chicago")
    return found.telehealth


@pytest.mark.parametrize(
    ("kind", "said", "distant"),
    [
        ("Encounter", {"type": [{"text": "Telephone encounter: reminder of 6 week check"}]}, True),
        ("Encounter", {"type": [{"coding": [{"display": "Telephone encounter"}]}]}, True),
        ("Encounter", {"serviceType": {"text": "Phone call"}}, True),
        ("Encounter", {"class": {"code": "VR"}}, True),
        ("Encounter", {"type": [{"text": "Six-week visit"}], "class": {"code": "AMB"}}, False),
        ("Appointment", {"appointmentType": {"text": "Video visit"}}, True),
        ("Appointment", {"serviceType": [{"text": "Telehealth follow-up"}]}, True),
        ("Appointment", {"serviceType": [{"text": "Consulta telefónica"}]}, True),
        ("Appointment", {"serviceType": [{"text": "Teleconsulta de control"}]}, True),
        ("Appointment", {"appointmentType": {"text": "Videollamada"}}, True),
        ("Encounter", {"type": [{"text": "Llamada de seguimiento a las 6 semanas"}]}, True),
        ("Encounter", {"type": [{"text": "Control presencial a las 6 semanas"}]}, False),
        ("Appointment", {"serviceType": [{"text": "Seguimiento por teléfono"}]}, True),
        ("Appointment", {"serviceType": [{"text": "Tele-consulta"}]}, True),
        ("Appointment", {"serviceType": [{"text": "Cita virtual"}]}, True),
        ("Appointment", {"serviceType": [{"text": "Virtual visit"}]}, True),
        ("Appointment", {"serviceType": [{"text": "Consulta no presencial"}]}, True),
        ("Appointment", {"serviceType": [{"text": "Revisión en línea"}]}, True),
        ("Appointment", {"serviceType": [{"text": "Control a distancia"}]}, True),
        ("Appointment", {"serviceType": [{"text": "Remote follow-up"}]}, True),
        ("Appointment", {"serviceType": [{"text": "Suture removal"}]}, False),
        ("Appointment", {"serviceType": [{"text": "Follow-up call"}]}, True),
        ("Appointment", {"serviceType": [{"text": "Six-week follow-up call"}]}, True),
        ("Appointment", {"serviceType": [{"text": "Llamar a paciente, 6 semanas"}]}, True),
        ("Appointment", {"serviceType": [{"text": "Zoom visit, six weeks"}]}, True),
        ("Appointment", {"serviceType": [{"text": "Telerehab"}]}, True),
        ("Appointment", {"serviceType": [{"text": "In person, not virtual"}]}, False),
        ("Appointment", {"serviceType": [{"text": "Control 6 semanas, confirmado por teléfono"}]}, False),
        ("Appointment", {"serviceType": [{"text": "6 week check (confirmed by phone)"}]}, False),
        ("Appointment", {"serviceType": [{"text": "Recall visit"}]}, False),
        ("Appointment", {"serviceType": [{"text": "Follow-up"}], "comment": "call us by phone if late"}, False),
    ],
)
def test_a_service_at_a_distance(kind, said, distant):
    assert told(kind, **said) is distant
