"""What is written can be read: whole, sorted to the right plan, and seen as evidence. Invented people only."""

import random
from dataclasses import replace
from datetime import date, time

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from effort import examples
from waykeeper import fhir
from waykeeper.fhir import evidence, forms, ownership
from waykeeper.fhir.ownership import GROUPS, OWNERSHIP, digests, group_values
from waykeeper.fhir.status import status_class, table
from waykeeper.pathway.model import Coding, Recognise, Source
from waykeeper.plan.model import (
    Episode,
    HoldAnswer,
    HoldProposal,
    Identifier,
    Item,
    Key,
    Letterhead,
    PathwayRef,
    PatientRef,
    Plan,
    PlanPhase,
)
from waykeeper.record import resources_of
from waykeeper.timing.model import Anchor, Dates, Moment, Standing, Window

ZONE = "America/Chicago"
WHO = Identifier("https://alder-quay.example/mrn", "AQ-1")
EPISODE = Episode("https://alder-quay.example", "https://alder-quay.example/pathways/p", WHO)
words = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]) | st.sampled_from("<&>\"'|=é\u00a0"),
    min_size=1,
    max_size=12,
).filter(lambda t: t.strip())
days = st.dates(date(2025, 1, 1), date(2031, 12, 31))
# clocks go forward on 2026-03-08 and back on 2026-11-01 in Chicago (15 U.S.C. 260a): half past one comes twice there
TWICE = [Moment(date(2026, 11, 1), time(1, 30), ZONE, fold) for fold in (0, 1)]
moments = st.one_of(
    days.map(Moment),
    st.builds(lambda d, h: Moment(d, time(h, 30), ZONE), days, st.integers(6, 22)),
    st.sampled_from([*TWICE, Moment(date(2026, 3, 8), time(3, 0), ZONE)]),
)
windows = st.tuples(days, days).map(lambda pair: Window(Moment(min(pair)), Moment(max(pair))))
answers = st.none() | st.builds(
    HoldAnswer,
    st.sampled_from(["hold", "continue"]),
    st.none() | st.integers(0, 90),
    words,
    st.none() | days,
    words,
    st.none(),
)


def kept(kind, dates):
    """Items of a kind with these dates and any texts."""
    return st.builds(
        Item,
        st.builds(Key, st.just(kind), st.sampled_from(["a", "b", "c"]), st.sampled_from(["", "evening-1"])),
        title=words,
        who=st.sampled_from(["patient", "nurse", ""]),
        why=st.just("") | words,
        harm=st.integers(1, 3),
        source=st.builds(Source, words, st.just("guideline")),
        phrase=words,
        dates=dates,
        words=st.dictionaries(st.sampled_from(["en", "es", "de"]), words),
        overlays=st.lists(words, max_size=2).map(tuple),
        redo=st.sampled_from(["", "on move"]),
        undecided=st.just(()) | st.just(("fact_one",)),
    )


awaited = st.builds(lambda event: Dates(awaited=event), words)
tasks = kept("task", awaited | st.builds(lambda at, due: Dates(at, at, due_from=due), moments, days))
visits = st.builds(
    lambda item, types, minutes: replace(item, recognise=Recognise(types, words=("wound check",)), minutes=minutes),
    kept("visit", awaited | st.builds(lambda at, w, d: Dates(at, at, w, d, d), days.map(Moment), windows, days)),
    st.just(()) | st.just((Coding("urn:types", "follow-up", "Follow-up"),)),
    st.integers(0, 60),
)
instructions = kept(
    "instruction", awaited | moments.map(lambda at: Dates(at, at)) | windows.map(lambda w: Dates(window=w))
)
holds = st.builds(
    lambda name, said, days_, last, answer: Item(
        Key("hold", f"urn:orders|{name}"),
        "Pause it",
        who="prescriber",
        harm=3,
        dates=Dates(Moment(last), Moment(last)),
        hold=HoldProposal(
            "hold",
            said,
            missed_days=days_,
            last_dose=last,
            notes=(said, "b"),
            codes=(Coding("urn:rx", "1"),),
            answered=answer,
        ),
    ),
    st.sampled_from("xyz"),
    words,
    st.integers(0, 90),
    days,
    answers,
)
items = st.lists(tasks | visits | instructions | holds, max_size=5, unique_by=lambda i: i.key).map(tuple)


def plan(held, patient=WHO, number=1):
    """A plan of these items."""
    return Plan(
        replace(EPISODE, patient=patient, number=number),
        PathwayRef("p", EPISODE.pathway_url, "1.0.0", "A pathway"),
        PatientRef(patient, name="Invented Person"),
        (
            Anchor("surgery", Moment(date(2026, 3, 18), time(7, 30), ZONE), Standing.GIVEN),
            Anchor("closure", None, Standing.AWAITED),
        ),
        ZONE,
        side="left",
        letterhead=Letterhead("Alder Quay", {"nurse": "555-0100"}, {"nurse": "Nurse"}),
        phases=(
            PlanPhase(
                "one",
                "The first",
                "day of surgery",
                Dates(window=Window(Moment(date(2026, 3, 18)), Moment(date(2026, 3, 20)))),
            ),
        ),
        items=held,
        waykeeper="0",
    )


def written(*plans):
    """Every resource of the plans with its reference."""
    return [(f"{r['resourceType']}/{r['id']}", r) for p in plans for r in fhir.write(p)]


@given(items)
@settings(max_examples=examples(100), deadline=None)
def test_a_plan_that_is_written_reads_back_whole(held):
    made = plan(held)
    back, state = fhir.read(written(made))
    assert back == made.live
    assert set(state.items) == {item.key for item in held}
    bundled, _ = fhir.read(resources_of(fhir.bundle(made)))
    assert bundled == made.live
    for hold in (i.hold for i in back.items if i.hold and i.hold.words and i.hold.answered):
        assert hold.answered.medicine == hold.medicine  # or a pause of what must not stop would read as clear


@given(items, items, items, st.randoms(use_true_random=False))
@settings(deadline=None, max_examples=examples(40))
def test_plans_mixed_and_shuffled_are_told_apart(one, second, other, chance):
    stranger = Identifier(WHO.system, "AQ-2")
    plans = [plan(one), plan(second, number=2), plan(other, stranger)]
    mixed = written(*plans)
    chance.shuffle(mixed)
    found = {p.episode: p for p, _ in fhir.read_all(mixed)}
    assert found == {p.episode: p.live for p in plans}


@given(items, st.integers(1, 3))
@settings(max_examples=examples(100), deadline=None)
def test_what_is_offered_is_what_the_resource_says(held, number):
    """The digests that stand beside a form's texts, and those of its dates, are those that a merge will compute."""
    made = fhir.write(plan((*held, *gated(held))), {item.key: number for item in held})
    for resource in made:
        assert [g for g in GROUPS if not ownership.as_offered(resource, g)] == [], resource["resourceType"]


def gated(held):
    """A gate that needs the items, a question about them, and what else a plan may hold."""
    needs = tuple(item.key for item in held)
    when = Dates(Moment(date(2026, 3, 17)), Moment(date(2026, 3, 17)))
    gate = Item(Key("gate", "go"), "Go", released_by="nurse", needs=needs, dates=when, words={"en": "We call you."})
    question = Item(Key("question", "fact_one"), "Is it so?", who="nurse", fact="fact_one", asks_for=needs)
    limit = Item(Key("restriction", "boot"), "Boot", dates=when, words={"en": "Wear it."}, until="release of go")
    aim = Item(Key("goal", "walk"), "Walk", measure="Steps", goal_target="50", dates=when)
    some_day = replace(aim, key=Key("goal", "run"), dates=Dates(awaited="discharge"))
    return gate, question, limit, aim, some_day


@given(items)
@settings(deadline=None, max_examples=examples(40))
def test_the_quick_json_is_the_bundle(held):
    made = plan((*held, *gated(held)))
    assert fhir.bundle_json(made) == orjson.dumps(fhir.bundle(made))


@given(items)
@settings(deadline=None, max_examples=examples(40))
def test_forms_say_the_same_new_or_used(held):
    """Nothing of one patient comes to the next through what is remembered."""
    made = plan((*held, *gated(held)))
    other = plan(made.items, Identifier(WHO.system, "SOMEBODY-ELSE"), 2)
    other = replace(other, patient=replace(other.patient, name="Another Invented"))
    used = [fhir.bundle_json(p) for p in (other, made, other, made)]
    assert used[:2] == used[2:]
    assert not any(said in used[3] for said in (b"SOMEBODY-ELSE", b"Another Invented"))
    for remembered in (forms._forms, forms._mirror, forms.house, ownership._remembered):
        remembered.cache_clear()
    assert fhir.bundle_json(made) == used[3]


def test_resources_that_somebody_changes_do_not_change_the_next():
    made = plan(gated(()))
    kept = orjson.dumps(fhir.write(made))
    for resource in fhir.write(made):
        resource["meta"]["tag"].clear()
        for extension in resource["extension"]:
            extension["extension"][0].clear()
            extension["extension"].clear()
    assert orjson.dumps(fhir.write(made)) == kept


def test_a_death_concerns_only_the_one_who_died():
    stranger = Identifier(WHO.system, "AQ-2")
    people = [
        (
            f"Patient/{n}",
            {"resourceType": "Patient", "id": n, "identifier": [{"system": who.system, "value": who.value}]},
        )
        for n, who in (("1", WHO), ("2", stranger))
    ]
    people[1][1]["deceasedDateTime"] = "2026-03-20T05:00:00Z"
    mixed = [*written(plan(()), plan((), stranger)), *people]
    random.Random(1).shuffle(mixed)
    dead = {p.episode.patient.value: s.deceased for p, s in fhir.read_all(mixed)}
    assert dead == {"AQ-1": False, "AQ-2": True}


# evidence


def appointment(**more):
    """A booking of the clinic."""
    return {
        "resourceType": "Appointment",
        "status": "booked",
        "start": "2026-03-18T00:30:00Z",
        "participant": [{"actor": {"reference": "Patient/1"}, "status": "accepted"}],
        **more,
    }


REASONS = "http://terminology.hl7.org/CodeSystem/appointment-cancellation-reason"


def seen(resource):
    """The evidence of one resource."""
    return evidence([("X/1", resource)], ZONE)[0]


def test_an_evening_visit_keeps_its_local_day():
    """19:30 CDT on 17 March is 00:30Z on the 18th (IANA tz, America/Chicago)."""
    assert seen(appointment()).day == date(2026, 3, 17)
    assert seen(appointment(start="2026-03-17T19:30:00-05:00")).day == date(2026, 3, 17)


@pytest.mark.parametrize(
    ("code", "who"),
    [("pat", "patient"), ("pat-crs", "patient"), ("prov-pers", "clinic"), ("oth-weath", "clinic"), ("unknown", "")],
)
def test_who_cancelled(code, who):
    """FHIR R4 appointment-cancellation-reason."""
    reason = {"coding": [{"system": REASONS, "code": code}]}
    assert seen(appointment(status="cancelled", cancelationReason=reason)).fell == who


def test_our_own_cancellation_is_told_from_somebody_elses():
    visit = Item(
        Key("visit", "a"), "Visit", dates=Dates(window=Window(Moment(date(2026, 4, 1)), Moment(date(2026, 4, 9))))
    )
    ours = next(r for _, r in written(plan((visit,))) if r["resourceType"] == "Appointment")
    theirs = {**ours, "status": "cancelled"}
    assert seen(ours).ours
    assert not seen(theirs).cancelled_by_us, "the digest that we offered is of a proposal"
    assert seen(ownership.with_offered(theirs)).cancelled_by_us


def test_telehealth_and_the_appointment_of_an_encounter():
    """v3-ActCode VR is a virtual encounter."""
    encounter = {
        "resourceType": "Encounter",
        "status": "finished",
        "class": {"code": "VR"},
        "subject": {"reference": "Patient/1"},
        "appointment": [{"reference": "https://server.example/fhir/Appointment/7/_history/2"}],
        "period": {"start": "2026-03-18T00:30:00Z"},
    }
    found = seen(encounter)
    assert (found.telehealth, found.appointment, found.day) == (True, "Appointment/7", date(2026, 3, 17))


def test_nothing_is_dropped():
    held = [("", appointment()), ("", {"resourceType": "Encounter"}), ("", {"resourceType": "Appointment"})]
    assert len(evidence(held, ZONE)) == 3


# status classes: codes of FHIR R4's value sets, classes as the contract of the FHIR form says

CLASSES = """\
CarePlan open: draft active on-hold done: completed withdrawn: revoked
ServiceRequest open: draft active on-hold done: completed withdrawn: revoked
Appointment open: proposed busy: pending waitlist booked arrived checked-in done: fulfilled noshow withdrawn: cancelled
Task open: draft requested ready busy: received accepted in-progress on-hold done: completed failed rejected \
  withdrawn: cancelled
MedicationRequest open: on-hold draft done: stopped completed withdrawn: cancelled
CommunicationRequest open: draft active on-hold done: completed withdrawn: revoked
Goal open: proposed planned accepted active on-hold done: completed withdrawn: cancelled rejected
Flag open: active done: inactive
DetectedIssue open: registered preliminary final done: amended corrected withdrawn: cancelled
"""


def test_the_table_of_status_classes():
    wanted = {}
    for line in CLASSES.strip().splitlines():
        kind, *rest = line.split()
        wanted[kind] = {}
        for word in rest:
            if word.endswith(":"):
                wanted[kind][word[:-1]] = codes = []
            else:
                codes.append(word)
    assert {k: {c: list(codes) for c, codes in v.items()} for k, v in table().items()} == wanted
    for kind in wanted:
        element = "lifecycleStatus" if kind == "Goal" else "status"
        assert status_class({"resourceType": kind, element: "entered-in-error"}) == "void"
        assert status_class({"resourceType": kind, element: "made-up"}) == "busy"


# digests by value


def task(**more):
    """A Task with text and a number."""
    return {"resourceType": "Task", "status": "requested", "description": "wound check", **more}


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ({"reasonCode": {"coding": [{"version": 1.10}]}}, {"reasonCode": {"coding": [{"version": 1.1}]}}),
        ({"reasonCode": {"coding": [{"version": 2}]}}, {"reasonCode": {"coding": [{"version": 2.0}]}}),
        ({"description": "wound\u00a0check"}, {"description": "wound check"}),
        ({"description": "cafe\u0301"}, {"description": "caf\u00e9"}),
        (
            {"owner": {"reference": "https://server.example/fhir/Practitioner/1/_history/3"}},
            {"owner": {"reference": "Practitioner/1"}},
        ),
        ({"code": {"id": "a", "text": "x"}}, {"code": {"text": "x"}}),
    ],
)
def test_what_means_the_same_has_the_same_digests(one, other):
    assert digests(task(**one)) == digests(task(**other))
    assert digests(task(**one)) == digests(task(**one)), "remembered or not"


@pytest.mark.parametrize(
    ("change", "group"),
    [
        ({"description": "x"}, "what"),
        ({"status": "ready"}, "status"),
        ({"owner": {"display": "A"}}, "who"),
        ({"restriction": {"period": {"end": "2026-03-18"}}}, "when"),
    ],
)
def test_a_change_shows_in_its_own_group_only(change, group):
    before, after = digests(task()), digests(task(**change))
    assert [g for g in GROUPS if before[g] != after[g]] == [group]


def test_a_path_belongs_to_one_group():
    """One walk over a resource finds every group only if no path is in two."""
    for kind, groups in OWNERSHIP.items():
        paths = [path for held in groups.values() for path in held]
        assert len(paths) == len(set(paths)), kind


def test_the_digest_of_numbers_that_are_no_json_text():
    """Readers that keep `1.10` as it was written give Decimal, which means the same."""
    from decimal import Decimal

    exact = task(reasonCode={"coding": [{"version": Decimal("1.10")}]})
    assert digests(exact) == digests(task(reasonCode={"coding": [{"version": 1.1}]}))
    assert group_values(exact, "what")["reasonCode"] == {"coding": [{"version": "1.1"}]}
