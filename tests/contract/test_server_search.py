"""Search: the same cases against both servers."""

import time

import pytest

from contract.talk import texts

CODE = "https://contract.example/code"


def coded(code, system=CODE):
    return {"coding": [{"system": system, "code": code}]}


ACTIVE = coded("active", "http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical")


def tasks(talk, patient, *names, **more):
    return {name: talk.made(talk.task(patient, name, **more))["id"] for name in names}


def test_ours_are_found_by_the_system_of_their_identifiers(talk):
    patient = talk.patient()
    found = tasks(talk, patient, "a", "b")
    talk.made(talk.task(patient, identifier=[{"system": "https://other.example/id", "value": talk.mark}]))
    system = talk.identifier()["system"]
    assert set(talk.ids("Task", ("patient", patient), ("identifier", f"{system}|"))) == set(found.values())
    assert talk.ids("Task", ("identifier", f"{system}|a")) == [found["a"]]
    assert set(talk.ids("Task", ("identifier", f"{system}|a,{system}|b"))) == set(found.values())
    assert talk.ids("Task", ("identifier", f"|{talk.mark}")) == []


def test_the_patient_is_named_by_id_or_by_type_and_id(talk):
    patient, other = talk.patient("one"), talk.patient("two")
    found = tasks(talk, patient, "a")
    tasks(talk, other, "b")
    for value in (patient, patient.partition("/")[2]):
        assert talk.ids("Task", ("patient", value)) == [found["a"]]
    assert talk.ids("Task", ("subject", patient)) == [found["a"]]
    assert talk.ids("Task", ("subject:Patient", patient.partition("/")[2])) == [found["a"]]


def test_repeated_parameters_narrow_and_commas_widen(talk):
    patient = talk.patient()
    ready = tasks(talk, patient, "a", status="ready")
    asked = tasks(talk, patient, "b")
    talk.made(talk.task(patient, "c", status="completed"))
    both = talk.ids("Task", ("patient", patient), ("status", "ready,requested"))
    assert set(both) == {ready["a"], asked["b"]}
    assert talk.ids("Task", ("patient", patient), ("status", "ready"), ("status", "requested")) == []


# Elements by type that our searches read; each value is found, another value is not.
BY_PARAMETER = [
    ("Task", {"code": coded("confirm")}, "code", f"{CODE}|confirm"),
    ("Task", {"businessStatus": coded("asked")}, "business-status", "asked"),
    ("Task", {"groupIdentifier": {"system": CODE, "value": "g"}}, "group-identifier", f"{CODE}|g"),
    ("Task", {"performerType": [coded("nurse")]}, "performer", f"{CODE}|nurse"),
    ("Task", {"priority": "urgent"}, "priority", "urgent"),
    ("Task", {"authoredOn": "2026-03-18T10:00:00Z"}, "authored-on", "2026-03-18"),
    ("Task", {"lastModified": "2026-03-18T10:00:00Z"}, "modified", "ge2026-03-18"),
    ("Task", {"executionPeriod": {"start": "2026-03-18", "end": "2026-03-20"}}, "period", "2026-03"),
    ("Task", {}, "intent", "plan"),
    ("Appointment", {"start": "2026-04-01T15:00:00Z", "end": "2026-04-01T15:30:00Z"}, "date", "2026-04-01"),
    ("Appointment", {"serviceType": [coded("wound-check")]}, "service-type", f"{CODE}|wound-check"),
    ("Appointment", {"appointmentType": coded("followup")}, "appointment-type", f"{CODE}|followup"),
    ("Appointment", {"specialty": [coded("ortho")]}, "specialty", f"{CODE}|ortho"),
    ("Appointment", {"reasonCode": [coded("review")]}, "reason-code", f"{CODE}|review"),
    ("Appointment", {}, "part-status", "needs-action"),
    ("Appointment", {}, "status", "proposed"),
    ("CarePlan", {"period": {"start": "2026-03-01", "end": "2027-03-18"}}, "date", "ge2026-12-31"),
    ("CarePlan", {"category": [coded("phase")]}, "category", f"{CODE}|phase"),
    (
        "CarePlan",
        {"instantiatesCanonical": ["https://contract.example/p|1.0.0"]},
        "instantiates-canonical",
        "https://contract.example/p|1.0.0",
    ),
    ("CarePlan", {}, "intent", "plan"),
    (
        "ServiceRequest",
        {"occurrencePeriod": {"start": "2026-03-28", "end": "2026-04-05"}},
        "occurrence",
        "ge2026-04-04",
    ),
    ("ServiceRequest", {"occurrenceDateTime": "2026-04-01"}, "occurrence", "2026-04-01"),
    ("ServiceRequest", {"code": coded("visit")}, "code", f"{CODE}|visit"),
    ("ServiceRequest", {"category": [coded("visit")]}, "category", f"{CODE}|visit"),
    ("ServiceRequest", {"requisition": {"system": CODE, "value": "r"}}, "requisition", f"{CODE}|r"),
    ("ServiceRequest", {"authoredOn": "2026-03-18"}, "authored", "2026-03-18"),
    ("MedicationRequest", {"authoredOn": "2026-03-18"}, "authoredon", "2026-03-18"),
    ("MedicationRequest", {}, "code", f"{CODE}|warfarin"),
    ("MedicationRequest", {}, "status", "on-hold"),
    ("MedicationStatement", {"effectivePeriod": {"start": "2025-01-01"}}, "effective", "ge2026-01-01"),
    ("CommunicationRequest", {"category": [coded("instruction")]}, "category", f"{CODE}|instruction"),
    ("CommunicationRequest", {"occurrenceDateTime": "2026-03-15"}, "occurrence", "2026-03"),
    ("Communication", {"sent": "2026-03-18T10:00:00Z"}, "sent", "2026-03-18"),
    ("Goal", {"target": [{"measure": coded("walk"), "dueDate": "2026-06-18"}]}, "target-date", "2026-06-18"),
    ("Goal", {}, "lifecycle-status", "planned"),
    ("Flag", {"period": {"start": "2026-03-18"}}, "date", "ge2026-05-01"),
    ("DetectedIssue", {"identifiedDateTime": "2026-05-01"}, "identified", "2026-05-01"),
    ("DetectedIssue", {"code": coded("missed")}, "code", f"{CODE}|missed"),
    ("Condition", {"code": coded("mrsa")}, "code", f"{CODE}|mrsa"),
    ("Condition", {"onsetDateTime": "2025-01-01"}, "onset-date", "lt2025-02-01"),
    ("Observation", {"effectiveDateTime": "2026-03-01T08:00:00Z"}, "date", "2026-03-01"),
    ("Observation", {"category": [coded("laboratory")]}, "category", f"{CODE}|laboratory"),
    ("AllergyIntolerance", {"code": coded("chlorhexidine")}, "code", f"{CODE}|chlorhexidine"),
    ("AllergyIntolerance", {}, "clinical-status", "active"),
    ("Procedure", {"performedDateTime": "2026-03-18T12:30:00Z"}, "date", "2026-03-18"),
    ("Procedure", {"code": coded("arthroplasty")}, "code", f"{CODE}|arthroplasty"),
    ("Encounter", {"period": {"start": "2026-03-18T12:00:00Z", "end": "2026-03-19T16:00:00Z"}}, "date", "2026-03"),
    ("Encounter", {}, "class", "IMP"),
    ("Encounter", {}, "status", "finished"),
]


def resource(talk, kind, patient, more):
    subject = {"reference": patient}
    base = {
        "Task": {"status": "requested", "intent": "plan", "for": subject},
        "Appointment": {"status": "proposed", "participant": [{"actor": subject, "status": "needs-action"}]},
        "CarePlan": {"status": "draft", "intent": "plan", "subject": subject},
        "ServiceRequest": {"status": "active", "intent": "plan", "subject": subject},
        "MedicationRequest": {
            "status": "on-hold",
            "intent": "proposal",
            "subject": subject,
            "medicationCodeableConcept": coded("warfarin"),
        },
        "MedicationStatement": {"status": "active", "subject": subject, "medicationCodeableConcept": coded("warfarin")},
        "CommunicationRequest": {"status": "active", "subject": subject},
        "Communication": {"status": "completed", "subject": subject},
        "Goal": {"lifecycleStatus": "planned", "description": {"text": "walks without help"}, "subject": subject},
        "Flag": {"status": "active", "code": {"text": "no weight on the left foot"}, "subject": subject},
        "DetectedIssue": {"status": "final", "patient": subject},
        "Condition": {"subject": subject},
        "Observation": {"status": "final", "code": coded("inr"), "subject": subject},
        "AllergyIntolerance": {"patient": subject, "clinicalStatus": ACTIVE},
        "Procedure": {"status": "completed", "subject": subject},
        "Encounter": {
            "status": "finished",
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
            "subject": subject,
        },
    }[kind]
    return {"resourceType": kind, "identifier": [talk.identifier(kind)], **base, **more}


@pytest.mark.parametrize(
    ("kind", "more", "name", "value"), BY_PARAMETER, ids=[f"{k}-{n}-{v}" for k, _, n, v in BY_PARAMETER]
)
def test_a_value_is_found_and_another_is_not(talk, kind, more, name, value):
    patient = talk.patient()
    found = talk.made(resource(talk, kind, patient, more))["id"]
    other = (
        "sa2031-01-01"
        if name.endswith(
            ("date", "on", "sent", "identified", "effective", "occurrence", "period", "modified", "authored")
        )
        and value[-1].isdigit()
        else "nothing"
    )
    if name == "instantiates-canonical":
        other = "https://contract.example/another"
    assert talk.ids(kind, ("patient", patient), (name, value)) == [found]
    assert talk.ids(kind, ("patient", patient), (name, other)) == []


REFERENCES = [
    ("Task", "focus", "focus", "ServiceRequest"),
    ("Task", "basedOn", "based-on", "ServiceRequest"),
    ("Task", "partOf", "part-of", "Task"),
    ("CarePlan", "partOf", "part-of", "CarePlan"),
    ("CarePlan", "replaces", "replaces", "CarePlan"),
    ("CarePlan", "goal", "goal", "Goal"),
    ("Appointment", "basedOn", "based-on", "ServiceRequest"),
    ("Appointment", "supportingInformation", "supporting-info", "ServiceRequest"),
    ("ServiceRequest", "basedOn", "based-on", "CarePlan"),
    ("DetectedIssue", "implicated", "implicated", "Task"),
    ("Encounter", "basedOn", "based-on", "ServiceRequest"),
    ("Encounter", "appointment", "appointment", "Appointment"),
]


@pytest.mark.parametrize(
    ("kind", "element", "name", "target"), REFERENCES, ids=[f"{k}-{n}" for k, _, n, _ in REFERENCES]
)
def test_what_refers_is_found_and_included_both_ways(talk, kind, element, name, target):
    patient = talk.patient()
    far = talk.made(resource(talk, target, patient, {}))["id"]
    reference = {"reference": f"{target}/{far}"}
    more = {element: reference if (kind, element) == ("Task", "focus") else [reference]}
    near = talk.made(resource(talk, kind, patient, more))["id"]
    assert talk.ids(kind, (name, f"{target}/{far}")) == [near]
    page = talk.get(kind, {"_id": near, "_include": f"{kind}:{name}"}).json()
    assert [(e["resource"]["id"], e["search"]["mode"]) for e in page["entry"]] == [(near, "match"), (far, "include")]
    page = talk.get(target, {"_id": far, "_revinclude": f"{kind}:{name}"}).json()
    assert [(e["resource"]["id"], e["search"]["mode"]) for e in page["entry"]] == [(far, "match"), (near, "include")]


def test_one_search_from_the_root_brings_the_whole_plan(talk):
    patient = talk.patient()
    task = talk.made(resource(talk, "Task", patient, {}))["id"]
    root = talk.made(resource(talk, "CarePlan", patient, {}))["id"]
    activity = [{"reference": {"reference": f"Task/{task}"}}]
    phase = talk.made(
        resource(talk, "CarePlan", patient, {"partOf": [{"reference": f"CarePlan/{root}"}], "activity": activity})
    )["id"]
    provenance = {
        "resourceType": "Provenance",
        "recorded": "2026-03-18T10:00:00Z",
        "target": [{"reference": f"CarePlan/{root}"}],
        "agent": [{"who": {"display": "contract"}}],
    }
    made = talk.made(provenance)["id"]
    query = [
        ("_id", root),
        ("_revinclude", "CarePlan:part-of"),
        ("_revinclude", "Provenance:target"),
        ("_include:iterate", "CarePlan:activity-reference"),
    ]
    found = {e["resource"]["id"] for e in talk.get("CarePlan", query).json()["entry"]}
    assert found == {root, phase, task, made}
    assert talk.ids("Provenance", ("target", f"CarePlan/{root}")) == [made]


def test_restrictions_are_left_out_by_category_not(talk):
    patient = talk.patient()
    visit = talk.made(resource(talk, "ServiceRequest", patient, {"category": [coded("visit")]}))["id"]
    bare = talk.made(resource(talk, "ServiceRequest", patient, {}))["id"]
    talk.made(resource(talk, "ServiceRequest", patient, {"category": [coded("restriction")], "doNotPerform": True}))
    found = talk.ids("ServiceRequest", ("patient", patient), ("category:not", f"{CODE}|restriction"))
    assert set(found) == {visit, bare}


# One appointment that starts 2026-04-01T15:00Z; which of these find it (HAPI in UTC; FHIR R4 search.html#prefix)
DATES = [
    ("2026-04-01", True), ("2026-04", True), ("2026", True), ("2026-04-02", False),
    ("eq2026-04-01", True), ("ne2026-04-01", False), ("ne2026-04-02", True),
    ("ge2026-04-01", True), ("ge2026-04-02", False), ("gt2026-04-01", False), ("gt2026-03-31", True),
    ("le2026-04-01", True), ("le2026-03-31", False), ("lt2026-04-01", False), ("lt2026-04-02", True),
    ("sa2026-03-31", True), ("sa2026-04-01", False), ("eb2026-04-02", True), ("eb2026-04-01", False),
    ("2026-04-01T15:00:00Z", True), ("2026-04-01T10:00:00-05:00", True), ("ge2026-04-01T15:00:01Z", False),
    ("le2026-04-01T15:00:00Z", True),
]  # fmt: skip


def test_dates_compare_by_their_prefixes(talk):
    patient = talk.patient()
    times = {"status": "booked", "start": "2026-04-01T15:00:00Z", "end": "2026-04-01T15:30:00Z"}
    talk.made(resource(talk, "Appointment", patient, times))
    found = {value: bool(talk.ids("Appointment", ("patient", patient), ("date", value))) for value, _ in DATES}
    assert found == dict(DATES)


# A window 2026-03-28 .. 2026-04-05, date-only at both ends.
WINDOWS = [
    ("ge2026-04-05", True), ("ge2026-04-06", False), ("le2026-03-28", True), ("le2026-03-27", False),
    ("2026-04-01", False), ("2026", True), ("gt2026-04-04", True), ("lt2026-03-29", True),
    ("sa2026-03-27", True), ("eb2026-04-06", True), ("sa2026-03-28", False), ("eb2026-04-05", False),
]  # fmt: skip


def test_windows_compare_by_their_ends(talk):
    patient = talk.patient()
    talk.made(
        resource(talk, "ServiceRequest", patient, {"occurrencePeriod": {"start": "2026-03-28", "end": "2026-04-05"}})
    )
    found = {
        value: bool(talk.ids("ServiceRequest", ("patient", patient), ("occurrence", value))) for value, _ in WINDOWS
    }
    assert found == dict(WINDOWS)


def test_an_instruction_over_a_period_is_not_found_by_its_occurrence(talk):
    """R4 defines CommunicationRequest.occurrence for a dateTime only: read instructions by patient and identifier."""
    patient = talk.patient()
    talk.made(
        resource(
            talk, "CommunicationRequest", patient, {"occurrencePeriod": {"start": "2026-03-15", "end": "2026-03-18"}}
        )
    )
    assert talk.ids("CommunicationRequest", ("patient", patient), ("occurrence", "2026-03")) == []


def test_a_padded_window_finds_what_lies_in_it(talk):
    patient = talk.patient()
    times = {
        "status": "booked",
        "start": "2026-04-02T02:30:00Z",
        "end": "2026-04-02T03:00:00Z",
    }  # the evening before in Chicago
    found = talk.made(resource(talk, "Appointment", patient, times))["id"]
    assert talk.ids("Appointment", ("patient", patient), ("date", "ge2026-03-31"), ("date", "le2026-04-02")) == [found]


def test_a_proposed_appointment_without_start_is_not_found_by_date_but_by_what_it_is_based_on(talk):
    patient = talk.patient()
    request = talk.made(resource(talk, "ServiceRequest", patient, {}))["id"]
    proposed = {
        "requestedPeriod": [{"start": "2026-03-28", "end": "2026-04-05"}],
        "basedOn": [{"reference": f"ServiceRequest/{request}"}],
    }
    found = talk.made(resource(talk, "Appointment", patient, proposed))["id"]
    assert talk.ids("Appointment", ("patient", patient), ("date", "ge2000-01-01")) == []
    assert talk.ids("Appointment", ("based-on", f"ServiceRequest/{request}")) == [found]


def test_pages_are_followed_to_the_end_and_count_is_capped_in_silence(talk):
    patient = talk.patient()
    entries = [
        {"resource": talk.task(patient, f"t{n}"), "request": {"method": "POST", "url": "Task"}} for n in range(57)
    ]
    assert talk.bundle(*entries).status_code == 200
    first = talk.get("Task", {"patient": patient}).json()
    assert len(first["entry"]) == 10 and [one["relation"] for one in first["link"]].count("next") == 1
    capped = talk.get("Task", {"patient": patient, "_count": "1000"}).json()
    assert len(capped["entry"]) == 50
    for count in ("7", "50", "1000"):
        found = talk.ids("Task", ("patient", patient), ("_count", count))
        assert len(found) == len(set(found)) == 57


def test_count_only(talk):
    patient = talk.patient()
    tasks(talk, patient, "a", "b")
    page = talk.get("Task", {"patient": patient, "_summary": "count"}).json()
    assert page["total"] == 2 and "entry" not in page
    assert talk.get("Task", {"patient": patient, "_total": "accurate"}).json()["total"] == 2


def test_search_by_post_finds_the_same(talk):
    patient = talk.patient()
    found = tasks(talk, patient, "a", "b")
    form = "application/x-www-form-urlencoded"
    body = f"patient={patient}&identifier={talk.identifier()['system']}%7C"
    page = talk.send("POST", "Task/_search", body, Content_Type=form).json()
    assert {e["resource"]["id"] for e in page["entry"]} == set(found.values())


def test_search_by_post_takes_many_ids(talk):
    patient = talk.patient()
    found = tasks(talk, patient, "a", "b")
    body = f"_id={','.join(found.values())}&_count=50"
    page = talk.send("POST", "Task/_search", body, Content_Type="application/x-www-form-urlencoded").json()
    assert {e["resource"]["id"] for e in page["entry"]} == set(found.values())


def test_what_was_written_is_read_back_at_once(talk):
    """Send `Cache-Control: no-cache` on every read-back: else the real server answers from its cache."""
    patient = talk.patient()
    one = talk.made(talk.task(patient))
    assert talk.ids("Task", ("patient", patient), ("status", "requested")) == [one["id"]]
    talk.put({**one, "status": "ready"})
    assert talk.ids("Task", ("patient", patient), ("status", "requested")) == []
    assert talk.ids("Task", ("patient", patient), ("status", "ready")) == [one["id"]]


def test_tags_profiles_and_last_updated(talk):
    patient = talk.patient()
    tag = {"system": f"https://contract.example/{talk.mark}", "code": "waykeeper"}
    one = talk.made(talk.task(patient, meta={"tag": [tag]}))
    assert talk.ids("Task", ("_tag", f"{tag['system']}|waykeeper")) == [one["id"]]
    stamp = one["meta"]["lastUpdated"]
    assert talk.ids("Task", ("patient", patient), ("_lastUpdated", f"ge{stamp}")) == [one["id"]]
    assert talk.ids("Task", ("patient", patient), ("_lastUpdated", "lt2020-01-01")) == []


def test_sorted_by_a_date_both_ways(talk):
    patient = talk.patient()
    days = ["2026-04-02", "2026-04-01", "2026-04-03"]
    made = {d: talk.made(talk.task(patient, d, authoredOn=d))["id"] for d in days}
    assert talk.ids("Task", ("patient", patient), ("_sort", "authored-on")) == [made[d] for d in sorted(days)]
    assert talk.ids("Task", ("patient", patient), ("_sort", "-authored-on")) == [
        made[d] for d in sorted(days, reverse=True)
    ]


def test_missing_values_can_be_asked_for(talk):
    patient = talk.patient()
    bare = talk.made(talk.task(patient, "bare"))["id"]
    dated = talk.made(talk.task(patient, "dated", authoredOn="2026-04-01"))["id"]
    assert talk.ids("Task", ("patient", patient), ("authored-on:missing", "true")) == [bare]
    assert talk.ids("Task", ("patient", patient), ("authored-on:missing", "false")) == [dated]


def test_one_step_through_the_patient(talk):
    patient = talk.patient("chained")
    found = tasks(talk, patient, "a")
    assert talk.ids("Task", ("patient.identifier", f"{talk.identifier()['system']}|chained")) == list(found.values())


def test_people_are_found_by_name_without_regard_to_case_and_accents(talk):
    family = f"Örtel{talk.mark}"
    patient = talk.patient("named", birthDate="1954-02-28", name=[{"family": family, "given": ["Ann"]}])
    key = patient.partition("/")[2]
    for name, value in (("family", family.lower()), ("name", f"ortel{talk.mark}"), ("family:exact", family)):
        assert talk.ids("Patient", (name, value)) == [key], name
    assert talk.ids("Patient", ("family:exact", family.lower())) == []
    assert talk.ids("Patient", ("_id", key), ("birthdate", "1954-02-28")) == [key]
    assert talk.ids("Patient", ("_id", key), ("birthdate", "1954-03")) == []


def test_practitioners_organizations_schedules_and_slots(talk):
    who = talk.made(
        {"resourceType": "Practitioner", "identifier": [talk.identifier("who")], "name": [{"family": "Ito"}]}
    )["id"]
    clinic = talk.made({"resourceType": "Organization", "identifier": [talk.identifier("org")], "name": "A clinic"})[
        "id"
    ]
    schedule = talk.made(
        {
            "resourceType": "Schedule",
            "identifier": [talk.identifier("s")],
            "actor": [{"reference": f"Practitioner/{who}"}],
        }
    )["id"]
    times = {"start": "2026-04-01T15:00:00Z", "end": "2026-04-01T15:30:00Z"}
    free = {"resourceType": "Slot", "schedule": {"reference": f"Schedule/{schedule}"}, "status": "free", **times}
    slot = talk.made({**free, "identifier": [talk.identifier("slot")]})["id"]
    system = talk.identifier()["system"]
    assert talk.ids("Practitioner", ("identifier", f"{system}|")) == [who]
    assert talk.ids("Organization", ("identifier", f"{system}|org")) == [clinic]
    assert talk.ids("Schedule", ("actor", f"Practitioner/{who}")) == [schedule]
    assert talk.ids("Slot", ("schedule", f"Schedule/{schedule}"), ("status", "free"), ("start", "2026-04-01")) == [slot]


@pytest.mark.parametrize("query", ["due=2026-03-18", "requested-period=2026", "patient:banana=x"])
def test_what_is_not_understood_is_refused(talk, query):
    answer = talk.get(f"Task?{query}")
    assert answer.status_code == 400 and texts(answer)


@pytest.mark.parametrize("path", ["Flag?status=active", "Flag?category=safety", "DetectedIssue?status=final"])
def test_what_r4_does_not_define_is_refused(talk, path):
    answer = talk.get(path)
    assert answer.status_code == 400 and texts(answer)


def test_a_bad_date_is_refused(talk):
    answer = talk.get("Appointment", {"date": "18.03.2026"})
    assert answer.status_code == 400 and texts(answer)


def test_history_since_leaves_out_what_is_older(talk):
    patient = talk.patient()
    one = talk.get(patient).json()
    time.sleep(0.01)
    talk.put({**one, "birthDate": "1960-05-01"})
    stamp = talk.get(patient).json()["meta"]["lastUpdated"]
    history = talk.get(f"{patient}/_history", {"_since": stamp}).json()
    assert [e["resource"]["meta"]["versionId"] for e in history["entry"]] == ["2"]
