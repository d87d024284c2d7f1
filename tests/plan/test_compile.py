"""From a pathway and a record to dates: conditions, questions, anchors, calendar. Invented people only."""

import uuid
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import orjson
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from effort import examples
from waykeeper import fhir
from waykeeper.findings import WaykeeperError
from waykeeper.pathway.library import names as pathways
from waykeeper.plan import compile as compiling
from waykeeper.plan import prepared as preparing
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import NAMESPACE, Answers, Episode, Identifier, Key
from waykeeper.record import Fact, facts, read
from waykeeper.timing.model import Moment, Standing
from waykeeper.verbs import inputs

CLINIC = inputs.clinic_of("clinic-demo")
PATHWAY, _ = inputs.pathway_of("total-ankle-replacement", CLINIC)
PATIENT = {"resourceType": "Patient", "id": "p", "identifier": [{"system": "urn:x", "value": "P-1"}]}
SURGERY = date(2026, 3, 18)
ALLERGY = {"resourceType": "AllergyIntolerance", "code": {"text": "chlorhexidine"}}
NO_ALLERGY = {"resourceType": "AllergyIntolerance", "code": {"text": "No known allergies"}}
SNOMED = "http://snomed.info/sct"


def status(kind, code):
    """The verification or clinical status of a statement."""
    return {f"{kind}Status": {"coding": [{"code": code}]}}


def record(*resources):
    """A record of the patient and these resources."""
    return read([("Patient/p", PATIENT), *((f"{r['resourceType']}/{n}", r) for n, r in enumerate(resources))])


def compiled(day=SURGERY, *resources, clock=time(7, 30), answers=None, **anchors):
    """The demo's pathway for a surgery in the morning of a day, or of a day alone."""
    surgery = Moment(day, clock, CLINIC.zone) if clock else Moment(day)
    given_anchors = {"surgery": surgery, **{k: Moment(v) for k, v in anchors.items()}}
    return compile_plan(PATHWAY, CLINIC, record(*resources), given_anchors, side="left", answers=answers)


def keys(plan):
    """The items of a plan by name."""
    return {item.key.item for item in plan.items}


def visit(plan, name):
    """The dates of a visit."""
    return plan.item(Key("visit", name)).dates


@pytest.mark.parametrize(
    ("resources", "value"),
    [
        ([ALLERGY], Fact.YES),
        ([NO_ALLERGY], Fact.NO),
        ([], Fact.UNKNOWN),
        ([ALLERGY, NO_ALLERGY], Fact.CONTRADICTORY),
        ([{**ALLERGY, "verificationStatus": {"coding": [{"code": "refuted"}]}}], Fact.UNKNOWN),
        # that none is known says no only where nothing else stands beside it, and where it still holds
        ([NO_ALLERGY, {**ALLERGY, "code": {"text": "Hibiclens"}}], Fact.UNKNOWN),
        ([NO_ALLERGY, {**ALLERGY, "code": {"text": "clorhexidina"}}], Fact.UNKNOWN),
        ([NO_ALLERGY, {**ALLERGY, "code": {"coding": [{"system": SNOMED, "code": "373568007"}]}}], Fact.UNKNOWN),
        ([NO_ALLERGY, {**ALLERGY, "code": {"text": "Hibiclens"}, **status("verification", "refuted")}], Fact.NO),
        ([{**NO_ALLERGY, **status("verification", "refuted")}], Fact.UNKNOWN),
        ([{**NO_ALLERGY, **status("verification", "entered-in-error")}], Fact.UNKNOWN),
        ([{**NO_ALLERGY, **status("clinical", "inactive")}], Fact.UNKNOWN),
        ([{**NO_ALLERGY, **status("clinical", "active")}], Fact.NO),
    ],
)
def test_a_fact_is_yes_no_unknown_or_both(resources, value):
    rule = next(f for f in PATHWAY.facts if f.name == "chlorhexidine_allergy")
    assert facts(record(*resources), [rule], SURGERY) == {rule.name: value}


def test_a_certain_yes_hides_what_it_excludes_and_shows_what_it_asks_for():
    found = keys(compiled(SURGERY, ALLERGY))
    assert "antiseptic-wash" not in found
    assert "wash-alternative" in found


@pytest.mark.parametrize("resources", [[], [ALLERGY, NO_ALLERGY]])
def test_unknown_and_contradictory_hide_nothing_and_ask_once(resources):
    plan = compiled(SURGERY, *resources)
    wash = {"antiseptic-wash", "wash-alternative", "wash-other-soap", "soap-given"}
    assert wash <= keys(plan)
    asked = [i for i in plan.items if i.key == Key("question", "chlorhexidine_allergy")]
    assert len(asked) == 1
    assert {k.item for k in asked[0].asks_for} == wash


def test_a_question_is_due_at_the_earliest_item_that_depends_on_it():
    plan = compiled()
    questions = [i for i in plan.items if i.key.kind == "question"]
    assert questions
    for question in questions:
        dates = [plan.item(k).dates for k in question.asks_for]
        days = [d.at.day if d.at else d.window.start.day for d in dates if d.at or d.window]
        assert (question.dates.at.day if question.dates.at else None) == min(days, default=None)


def test_an_answer_settles_unknown_but_never_a_clear_record():
    told = Answers(facts={"chlorhexidine_allergy": "no"})
    assert "wash-alternative" not in keys(compiled(answers=told))
    against = compiled(SURGERY, ALLERGY, answers=told)
    assert {"antiseptic-wash", "wash-alternative"} <= keys(against), "yes and no: both stay, and it asks"


def test_anchors_say_how_well_they_are_known():
    standings = {a.name: a.standing for a in compiled().anchors}
    assert standings["surgery"] is Standing.GIVEN
    assert standings["arrival"] is Standing.ASSUMED
    assert standings["discharge"] is Standing.ASSUMED
    assert standings["closure"] is Standing.AWAITED
    assert compiled(discharge=date(2026, 3, 20)).anchor("discharge").standing is Standing.GIVEN


STAY = {
    "resourceType": "Encounter",
    "status": "finished",
    "class": {"code": "IMP"},
    "period": {"start": "2026-03-18T06:00:00-05:00", "end": "2026-03-21T23:30:00-05:00"},
}


def test_a_recorded_discharge_outranks_a_given_one_and_says_so():
    plan = compiled(SURGERY, STAY, discharge=date(2026, 3, 19))
    anchor = plan.anchor("discharge")
    assert anchor.standing is Standing.RECORDED
    assert anchor.moment.day == date(2026, 3, 21), "local day: 23:30 in Chicago is the next day in UTC"
    assert "WKL104" in {f.code for f in plan.findings}
    assert visit(plan, "two-week").book_from == date(2026, 3, 21)


def test_a_stay_that_does_not_hold_the_day_of_surgery_proves_nothing():
    other = {**STAY, "period": {"start": "2026-02-01T06:00:00-06:00", "end": "2026-02-03T10:00:00-06:00"}}
    assert compiled(SURGERY, other).anchor("discharge").standing is Standing.ASSUMED


def test_a_task_whose_start_lacks_only_its_hour_is_due_on_its_own_day():
    """The antibiotic is given from two hours before surgery: with no hour known it is not due days before."""
    dates = compiled(clock=None).item(Key("task", "antibiotic-before-incision")).dates
    assert (dates.at, dates.window, dates.due_from) == (Moment(SURGERY), None, SURGERY)
    assert compiled().item(Key("task", "antibiotic-before-incision")).dates.due_from == SURGERY


def test_a_task_whose_start_is_awaited_is_due_three_open_days_before_its_last():
    """Surgery was not moved, so its start has no day (three days before its last: clinic setting, no source)."""
    moved = [
        replace(i, starts="change", by="6 weeks after surgery") if i.name == "clot-plan" else i for i in PATHWAY.items
    ]
    plan = compile_plan(
        replace(PATHWAY, items=tuple(moved)), CLINIC, record(), {"surgery": Moment(SURGERY)}, side="left"
    )
    dates = plan.item(Key("task", "clot-plan")).dates
    assert (dates.at.day, dates.due_from) == (date(2026, 4, 29), date(2026, 4, 24))


@pytest.mark.parametrize(
    ("clock", "told"),
    [(time(0), True), (time(4, 59), True), (time(5), False), (time(21, 59), False), (time(22), True), (None, False)],
)
def test_a_start_in_the_night_is_asked_about(clock, told):
    """Midnight is what many systems write of a day whose hour they do not know: fasting and arrival hang on it."""
    found = [f for f in compiled(clock=clock).findings if f.code == "WKL109"]
    assert bool(found) is told
    assert all(f.severity == "warning" and "begins in the night" in f.details for f in found)


def test_hours_before_a_day_without_a_clock_are_awaited_never_a_date():
    """ASA fasting limits, Anesthesiology 2017/2023, are hours: without a time of surgery there is no time to print."""
    plan = compiled(clock=None)
    for name in ("fast-fatty-food", "fast-light-meal", "fast-clear-drinks"):
        dates = plan.item(Key("instruction", name)).dates
        assert dates.at is None
        assert dates.window is None
        assert dates.awaited
    assert "WKL105" in {f.code for f in plan.findings}


@pytest.mark.parametrize(
    ("entry", "asked"),
    [
        ({"resourceType": "Observation", "effectiveDateTime": "2026-09-16T23:30:00-05:00"}, False),  # 182 days later
        ({"resourceType": "Observation", "effectiveDateTime": "2026-09-17"}, True),
        ({"resourceType": "Encounter", "period": {"start": "2027-03-01T08:00:00Z"}}, True),
        ({"resourceType": "MedicationRequest", "authoredOn": "2027-03-01"}, True),
        ({"resourceType": "Condition", "recordedDate": "2026-03-01", "onsetDateTime": "2031-01-01"}, False),
        ({"resourceType": "Observation", "effectiveDateTime": "2027"}, False),  # no day
        ({"resourceType": "Observation", "effectiveDateTime": "2027-13-45"}, False),
        ({"resourceType": "Observation"}, False),
    ],
)
def test_a_surgery_long_before_the_newest_entry_asks_about_the_year(entry, asked):
    found = [f for f in compiled(SURGERY, entry).findings if f.code == "WKL108"]
    assert bool(found) == asked
    assert not asked or ("Wed 2026-03-18" in str(found[0]) and entry["resourceType"] in str(found[0]))


# Surgery; targets of 2 and 6 weeks, 3, 6, 12 months. Cadence as published for ankle replacement (TARVA, BMJ Open
# 2016;6:e012716); days from the calendar, month ends clipped (common practice, no source).
TABLE = [
    ("2026-03-18", "2026-04-01 2026-04-29 2026-06-18 2026-09-18 2027-03-18"),
    ("2026-03-20", "2026-04-03 2026-05-01 2026-06-20 2026-09-20 2027-03-20"),
    ("2026-08-31", "2026-09-14 2026-10-12 2026-11-30 2027-02-28 2027-08-31"),
    ("2027-11-29", "2027-12-13 2028-01-10 2028-02-29 2028-05-29 2028-11-29"),
    ("2028-02-29", "2028-03-14 2028-04-11 2028-05-29 2028-08-29 2029-02-28"),
]
VISITS = ("two-week", "six-week", "three-month", "six-month", "twelve-month")


@pytest.mark.parametrize(("surgery", "targets"), TABLE)
def test_targets_of_the_follow_up_visits(surgery, targets):
    plan = compiled(date.fromisoformat(surgery))
    assert [str(visit(plan, name).target) for name in VISITS] == targets.split()


@pytest.mark.parametrize(
    ("surgery", "name", "rolled"),
    [
        ("2028-02-29", "three-month", "2028-05-30"),  # Memorial Day 2028-05-29 (5 U.S.C. 6103)
        ("2027-11-29", "six-month", "2028-05-30"),  # Memorial Day
        ("2026-08-31", "six-week", "2026-10-13"),  # Columbus Day 2026-10-12 (5 U.S.C. 6103)
        ("2026-03-20", "two-week", "2026-04-06"),  # Good Friday is the clinic's closure; the window ends Tue 04-07
        ("2026-03-20", "three-month", "2026-06-22"),  # Saturday
    ],
)
def test_a_visit_on_a_closed_day_rolls_inside_its_window_and_keeps_its_target(surgery, name, rolled):
    dates = visit(compiled(date.fromisoformat(surgery)), name)
    assert str(dates.at) == rolled
    assert dates.target.day != dates.at.day
    assert dates.window.holds(dates.at.day)


def clocks_change(day):
    """True where the clock of the clinic moves within a day of this one."""
    noons = [datetime(d.year, d.month, d.day, 12, tzinfo=ZoneInfo(CLINIC.zone)) for d in around(day)]
    return len({noon.utcoffset() for noon in noons}) > 1


def around(day):
    return [day + timedelta(days=n) for n in (-2, -1, 0, 1)]


@example(date(2028, 4, 1), 218)  # 2028-11-05: the hours before surgery run through the night of the change
@given(st.dates(date(2026, 1, 5), date(2031, 12, 31)), st.integers(1, 400))
@settings(deadline=None, max_examples=examples(25))
def test_moving_surgery_by_days_moves_every_unrolled_date_by_as_many(day, moved):
    """Months and years are calendar time, working days skip closed ones, hours run on when clocks change: left out."""
    other = day + timedelta(days=moved)
    plans = compiled(day), compiled(other)
    words = ["month", "year", "working", "visit", "target"] + ["hour"] * (clocks_change(day) or clocks_change(other))
    assert keys(plans[0]) == keys(plans[1])
    compared = 0
    for before, after in zip(plans[0].items, plans[1].items, strict=True):
        phrase = f"{before.phrase} {before.window_phrase}"
        if before.key.kind == "question" or any(w in phrase for w in words):
            continue
        if before.dates.target and after.dates.target:
            assert after.dates.target.day - before.dates.target.day == timedelta(days=moved), before.key
            compared += 1
    assert compared > 60


def test_twice_the_same_bytes():
    bundles = [orjson.dumps(fhir.bundle(compiled(SURGERY, ALLERGY, STAY))) for _ in range(2)]
    assert bundles[0] == bundles[1]


@pytest.mark.parametrize("name", pathways())
@pytest.mark.parametrize("given_at", [Moment(SURGERY, time(7, 30), CLINIC.zone), Moment(SURGERY)])
def test_dates_that_are_counted_once_for_many_items_are_those_of_each(name, given_at, monkeypatch):
    pathway, _ = inputs.pathway_of(name, CLINIC)
    shared = compile_plan(pathway, CLINIC, record(), {"surgery": given_at}, side="left")
    compiler = compiling._Compiler
    monkeypatch.setattr(compiler, "_dated", lambda self, rule, at: self._counted(rule, at.point))
    assert compile_plan(pathway, CLINIC, record(), {"surgery": given_at}, side="left") == shared


@given(st.dates(date(2025, 1, 1), date(2029, 12, 31)), st.sampled_from(pathways()), st.integers(1, 40))
@settings(deadline=None, max_examples=15)
def test_a_pathway_that_is_kept_ready_gives_what_a_new_one_gives(day, name, end):
    """Nothing of one pathway, patient or day comes to the next: kept pathways are told apart as objects."""
    whole, _ = inputs.pathway_of(name, CLINIC)
    few = replace(whole, items=whole.items[-end:])

    def made(pathway):
        when = {"surgery": Moment(day, time(7, 30), CLINIC.zone)}
        return fhir.bundle_json(compile_plan(pathway, CLINIC, record(), when, side="left"))

    used = [made(pathway) for pathway in (whole, few, whole, few)]
    assert used[:2] == used[2:]
    assert used[0] != used[1]
    preparing._kept.clear()
    assert [made(few), made(whole)] == [used[1], used[0]]


def test_a_bundle_that_somebody_changes_does_not_change_the_next():
    """What is remembered between compiles is never handed out: no two plans share an object."""
    first = fhir.bundle(compiled())
    kept = orjson.dumps(first)
    for entry in first["entry"]:
        spoil(entry["resource"])
    assert orjson.dumps(first) != kept
    assert orjson.dumps(fhir.bundle(compiled())) == kept


def spoil(value):
    """Overwrite every text and list inside."""
    for key in list(value) if isinstance(value, dict) else range(len(value)):
        if isinstance(value[key], (dict, list)):
            spoil(value[key])
        else:
            value[key] = "spoilt"
    if isinstance(value, list):
        value.append("spoilt")


EPISODE = Episode("https://alder-quay.example", PATHWAY.url, Identifier("urn:x", "P-1"))


@given(st.text(max_size=20), st.text(max_size=20), st.integers(1, 9))
def test_identities_are_those_of_rfc_4122_version_5(item, part, number):
    """RFC 4122, section 4.3, as Python's uuid.uuid5 computes it."""
    said = ("https://alder-quay.example", PATHWAY.url, "urn:x", "P-1", "1", "task", item, part, "", str(number))
    try:
        wanted = str(uuid.uuid5(NAMESPACE, "\x1f".join(said)))
    except UnicodeEncodeError:
        return
    assert EPISODE.uuid("task", item, part, "", number) == wanted


def test_dates_and_versions_never_enter_an_identity():
    plan, moved = compiled(), compiled(date(2026, 5, 6), clock=time(11, 0))
    newer = compile_plan(
        replace(PATHWAY, version="9.9.9"), CLINIC, record(), {"surgery": Moment(SURGERY, time(7, 30), CLINIC.zone)}
    )
    wanted = {e["fullUrl"] for e in fhir.bundle(plan)["entry"]}
    assert {e["fullUrl"] for e in fhir.bundle(moved)["entry"]} == wanted
    assert {e["fullUrl"] for e in fhir.bundle(newer)["entry"]} == wanted


@pytest.mark.parametrize(
    ("patient", "anchors", "code"),
    [
        ({"resourceType": "Patient"}, {"surgery": Moment(SURGERY)}, "WKR102"),
        (PATIENT, {}, "WKL101"),
        (PATIENT, {"surgery": Moment(SURGERY), "wedding": Moment(SURGERY)}, "WKL102"),
    ],
)
def test_what_cannot_be_compiled_is_refused(patient, anchors, code):
    with pytest.raises(WaykeeperError) as refused:
        compile_plan(PATHWAY, CLINIC, read([("Patient/p", patient)]), anchors)
    assert code in {f.code for f in refused.value.findings}


def test_a_task_is_never_rolled_to_before_its_first_day():
    """Discharged on the Friday before Memorial Day: no open day is left in the three days of the first call."""
    plan = compiled(date(2026, 5, 21), discharge=date(2026, 5, 22))
    call = plan.item(Key("task", "call-first"))
    assert (call.dates.window.start.day, call.dates.at.day) == (date(2026, 5, 23), date(2026, 5, 25))
    assert call.arithmetic[-1].startswith("not rolled earlier: from Sat 2026-05-23 to Mon 2026-05-25")


@pytest.mark.parametrize(
    ("day", "called", "arrives"),
    [
        (date(2026, 3, 16), date(2026, 3, 13), date(2026, 3, 16)),  # a Monday: two days before is a Saturday
        (
            date(2026, 7, 6),
            date(2026, 7, 2),
            date(2026, 7, 6),
        ),  # and here Friday is the observed holiday (5 U.S.C. 6103)
        (date(2026, 6, 20), date(2026, 6, 18), date(2026, 6, 20)),  # a Saturday: she arrives on it, clinic open or not
    ],
)
def test_a_call_of_the_staff_falls_on_an_open_day_and_what_is_done_at_an_event_does_not_move(day, called, arrives):
    dates = {i.key.occurrence: i.dates.at.day for i in compiled(day).items if i.key.item == "last-dose-taken"}
    assert dates == {"call": called, "arrival": arrives}


@pytest.mark.parametrize("name", pathways())
def test_no_window_ends_before_it_begins_whatever_the_day_of_surgery(name):
    pathway, _ = inputs.pathway_of(name, CLINIC)
    for day in (date(2026, 1, 1) + timedelta(days=n) for n in range(0, 366, 3)):
        plan = compile_plan(pathway, CLINIC, record(), {"surgery": Moment(day, time(7, 30), CLINIC.zone)}, side="left")
        for item in plan.items:
            if item.dates.window:
                assert item.dates.window.start.day <= item.dates.window.end.day, (day, item.key)


def test_a_plan_knows_on_which_days_of_its_own_the_clinic_is_closed():
    """US federal holidays on their observed days (5 U.S.C. 6103)."""
    plan = compiled()
    moments = [m for i in plan.items for m in (i.dates.target, i.dates.at) if m is not None]
    windows = [i.dates.window for i in plan.items if i.dates.window is not None]
    first = min(m.day for m in (*moments, *(w.start for w in windows)))
    last = max(m.day for m in (*moments, *(w.end for w in windows)))
    assert plan.weekdays == (0, 1, 2, 3, 4)
    assert plan.closed == tuple(sorted(set(plan.closed))) and first <= plan.closed[0] and plan.closed[-1] <= last
    assert {date(2026, 5, 25), date(2026, 6, 19), date(2026, 7, 3)} <= set(plan.closed)
    assert date(2026, 7, 4) not in plan.closed  # a Saturday: closed as every Saturday
    assert [plan.is_open(date(2026, 7, day)) for day in (2, 3, 4, 5, 6)] == [True, False, False, False, True]
