"""From surgery to six weeks each sheet says one thing about splint or bandage: it stays on, or what to do without it.

Good Friday and the other closures are the demo clinic's; the two-week visit lies on day 10 to 18 (clinic setting).
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from effort import examples
from golden.test_pathway_values import clinic, overlays_for, pathway
from waykeeper.pathway import library
from waykeeper.plan.compile import compile as compile_plan
from waykeeper.plan.model import Answers, Evidence, ItemState, Key, Plan, State
from waykeeper.record import read, resources_of
from waykeeper.report.selection import Entry, check_code, select
from waykeeper.report.sheet import sheet_html
from waykeeper.timing.model import Moment

ANKLE, KNEE, HIP = "total-ankle-replacement", "total-knee-replacement", "total-hip-replacement"
AFTER = {ANKLE: "boot-care", KNEE: "wound-care", HIP: "wound-care"}
STAYS = {ANKLE: "splint-stays-on", KNEE: "dressing-stays-on", HIP: "dressing-stays-on"}
VISIT, CHECK = Key("visit", "two-week"), Key("gate", "wound-check")
BARE = {"resourceType": "Patient", "identifier": [{"system": "https://alder-quay.example/mrn", "value": "1"}]}
EDGES = [  # rolled over Good Friday 2026, clocks forward and back, leap day, year end
    date(2026, 3, 20), date(2026, 2, 22), date(2026, 10, 18), date(2028, 2, 15), date(2028, 2, 29), date(2026, 12, 18),
]  # fmt: skip
LIBRARY = [(name, overlays) for name in library.names() for overlays in overlays_for(name)]


def plan_of(name: str, overlays: tuple[str, ...], surgery: date, released: date | None = None) -> Plan:
    given_ = {"surgery": Moment(surgery, time(7, 30), clinic().zone)}
    answers = Answers(released={"wound-check": released} if released else {})
    made = pathway(*overlays, name=name)
    return compile_plan(made, clinic(), read(resources_of(BARE)), given_, side="left", answers=answers)


def booked(plan: Plan, day: date) -> Evidence:
    start = datetime.combine(day, time(9), ZoneInfo(plan.zone))
    return Evidence("Appointment/1", "Appointment", "booked", day=day, start=start)


def gate(released: date | None) -> State:
    return State({CHECK: ItemState(CHECK, "completed", "done", done_on=released)}) if released else State()


def both(plan: Plan, state: State, as_of: date, booking: Evidence | None) -> tuple[Entry | None, Entry | None]:
    """What a sheet says of splint or bandage that stays on, and of the days without it."""
    bookings = {VISIT: booking} if booking else None
    chosen = select(plan, state, as_of=as_of, language="en", bookings=bookings)
    found = {e.key.item: e for e in chosen.entries}
    name = plan.pathway.name
    return found.get(STAYS[name]), found.get(AFTER[name])


@settings(max_examples=examples(60), deadline=None)
@given(
    which=st.sampled_from(LIBRARY),
    surgery=st.one_of(st.sampled_from(EDGES), st.dates(date(2025, 1, 1), date(2029, 12, 31))),
    visit=st.one_of(st.none(), st.integers(10, 18)),
    released=st.one_of(st.none(), st.integers(5, 60)),
    again=st.booleans(),
)
def test_no_day_of_a_sheet_says_both_and_none_says_neither(which, surgery, visit, released, again):
    """`again`: whether the plan was compiled once more after the release, or only the release is recorded."""
    name, overlays = which
    on = surgery + timedelta(days=released) if released else None
    plan = plan_of(name, overlays, surgery, on if again else None)
    booking = booked(plan, surgery + timedelta(days=visit)) if visit else None
    for days in range(43):
        as_of = surgery + timedelta(days=days)
        recorded = on if on and on <= as_of else None
        stays, after = both(plan, gate(recorded), as_of, booking)
        assert after is not None, "what to do without it is always on the sheet, waiting or dated"
        assert (stays is None) == (after.place != "waiting"), (as_of, stays, after)
        if after.place != "waiting":
            assert recorded and after.start and after.start.day >= recorded and after.start.day <= as_of


@pytest.mark.parametrize(("name", "overlays"), LIBRARY)
@pytest.mark.parametrize("surgery", EDGES)
def test_no_words_of_a_visit_say_until_when_it_stays_on(name, overlays, surgery):
    """`Keep it on until then` is wrong from the day on which the visit is booked for another day."""
    plan = plan_of(name, overlays, surgery)
    stays, after = both(plan, State(), surgery + timedelta(days=1), None)
    assert stays and after and stays.place == "rule" and after.awaited == "release of wound-check"
    words = plan.item(VISIT).words
    assert "until then" not in words["en"] and "hasta ese día" not in words["es"]
    assert "Only we take off the" in words["en"] and "Solo nosotros le quitamos la" in words["es"]


def test_the_visit_that_rolled_over_good_friday():
    """Surgery on 2026-03-20: the two-week visit of Good Friday, 2026-04-03, is on Monday, 2026-04-06."""
    plan = plan_of(ANKLE, (), date(2026, 3, 20))
    assert plan.item(VISIT).dates.at == Moment(date(2026, 4, 6))
    before = sheet_html(plan, State(), as_of=date(2026, 4, 3), language="en", checked_against=None)
    assert "Leave the splint on." in before
    assert "We tell you when." in before and "our okay: how your wound heals" in before
    spanish = sheet_html(plan, State(), as_of=date(2026, 4, 3), language="es", checked_against=None)
    assert "nuestro visto bueno: cómo sana su herida" in spanish and "Le diremos cuándo." in spanish
    after = sheet_html(plan, gate(date(2026, 4, 6)), as_of=date(2026, 4, 6), language="en", checked_against=None)
    assert "Leave the splint on." not in after and "our okay: how your wound heals" not in after
    assert "From Monday, April 6 through Friday, May 1, 2026" in after


def test_a_release_too_early_waits_for_its_day():
    """The splint stays on for ten days at least (common practice, no source), whoever released it on day 8."""
    surgery = date(2026, 3, 18)
    plan = plan_of(ANKLE, (), surgery)
    early = gate(date(2026, 3, 26))
    assert [e and e.place for e in both(plan, early, date(2026, 3, 27), None)] == ["rule", "waiting"]
    stays, after = both(plan, early, date(2026, 3, 28), None)
    assert stays is None and after and after.start == Moment(date(2026, 3, 28))


@pytest.mark.parametrize("held", [
    ItemState(CHECK, "completed", "done"),  # nobody recorded the day
    ItemState(CHECK, "failed", "done", done_on=date(2026, 4, 1)),
    ItemState(CHECK, "requested", "open"),
    ItemState(CHECK, "completed", "done", done_on=date(2026, 3, 1)),  # before this surgery
    ItemState(CHECK, "completed", "done", done_on=date(2026, 5, 1)),  # to come
])  # fmt: skip
def test_what_is_no_release_ends_nothing(held):
    plan = plan_of(ANKLE, (), date(2026, 3, 18))
    stays, after = both(plan, State({CHECK: held}), date(2026, 4, 10), None)
    assert stays and stays.place == "rule" and after and after.place == "waiting"


def test_a_rule_that_was_itself_released_begins_what_comes_after():
    plan = plan_of(ANKLE, (), date(2026, 3, 18))
    rule = Key("restriction", "splint-stays-on")
    state = State({rule: ItemState(rule, "completed", "done", done_on=date(2026, 4, 2))})
    stays, after = both(plan, state, date(2026, 4, 3), None)
    assert stays is None and after and after.start == Moment(date(2026, 4, 2))


def test_a_late_release_leaves_two_weeks_of_care():
    """A wound that healed late is looked after all the same: two weeks from the release (clinic setting)."""
    surgery = date(2026, 3, 18)
    late = surgery + timedelta(days=50)
    for again in (None, late):
        _, after = both(plan_of(KNEE, (), surgery, again), gate(late), late, None)
        assert after and after.end == Moment(late + timedelta(days=14))


def test_the_code_of_a_sheet_changes_with_the_release_and_not_by_compiling_again():
    surgery, day = date(2026, 3, 18), date(2026, 4, 1)
    first, again = plan_of(ANKLE, (), surgery), plan_of(ANKLE, (), surgery, day)
    assert check_code(first, State()) != check_code(first, gate(day))
    boot = Key("instruction", "boot-care")
    held = select(first, gate(day), as_of=day, language="en")
    told = select(again, gate(day), as_of=day, language="en")
    shown = [next(replace(e, awaited="") for e in one.entries if e.key == boot) for one in (held, told)]
    assert shown[0] == shown[1]


# What each restriction forbids or demands, as a word of its own text in both languages. Where it was released, no
# other line of the sheet may say the same: the patient would not know which of the two holds.
SAYS = {
    "non-weight-bearing": (
        r"weight on the foot|not stand|until we say|off the floor",
        r"[Nn]o apoye|no se pare|Espere",
    ),
    "splint-stays-on": (r"splint on\b|Keep it dry", r"férula puesta|no se moje"),
    "dressing-stays-on": (r"bandage on\b|Keep it dry", r"venda puesta|no se moje"),
    "weight-as-ordered": (r"[Uu]se your walker|as we told you", r"[Uu]se siempre su andador|como le dijimos"),
    "hip-precautions": (
        r"90 degrees|cross your legs|toes (in|out)|step back|lie on your front",
        r"90 grados|No cruce|gire el pie|paso largo|boca abajo",
    ),
    "no-driving": (r"not drive", r"No maneje"),
    "no-nicotine": (r"smok", r"[Nn]o fume|fumar"),
    "no-biologic": (r"arthritis", r"artritis"),
}
LANGUAGES = ("en", "es")


@pytest.mark.parametrize(("name", "overlays"), LIBRARY)
def test_each_restriction_says_what_is_looked_for(name, overlays):
    """Else the test below would look for nothing."""
    for rule in (i for i in pathway(*overlays, name=name).items if i.kind == "restriction"):
        for language, pattern in zip(LANGUAGES, SAYS[rule.name], strict=True):
            assert re.search(pattern, rule.words[language]), (rule.name, language)


def contradicting(plan: Plan, state: State, as_of: date) -> list[tuple[str, str, str]]:
    """Released restriction, language and what an instruction, a task or a goal says against it all the same."""
    found = []
    for n, language in enumerate(LANGUAGES):
        chosen = select(plan, state, as_of=as_of, language=language)
        over = [one.key.item for one in chosen.left_out if one.key.kind == "restriction" and one.reason == "released"]
        told = [e.text for e in chosen.entries if e.key.kind in ("instruction", "task", "goal") and not e.done]
        found += [(rule, language, text) for rule in over for text in told if re.search(SAYS[rule][n], text)]
    return found


def all_released(plan: Plan, day: date) -> State:
    gates = {i.key for i in plan.items if i.key.kind == "gate"}
    return State({key: ItemState(key, "completed", "done", done_on=day) for key in gates})


@settings(max_examples=examples(60), deadline=None)
@given(
    which=st.sampled_from(LIBRARY),
    surgery=st.one_of(st.sampled_from(EDGES), st.dates(date(2025, 1, 1), date(2029, 12, 31))),
    released=st.integers(4, 90),
)
def test_no_sheet_says_what_was_released(which, surgery, released):
    """From the fourth day: while the leg is numb (within 3 days) nobody stands on it, whatever was released."""
    name, overlays = which
    plan, on = plan_of(name, overlays, surgery), surgery + timedelta(days=released)
    for days in (*range(released, 100, 3), 200, 400):
        as_of = surgery + timedelta(days=days)
        assert contradicting(plan, all_released(plan, on), as_of) == [], as_of


def test_who_may_stand_on_the_foot_is_not_told_to_wait():
    """The wound was slow, so the boot is looked after until two weeks later, when the films have allowed weight."""
    plan = plan_of(ANKLE, (), date(2026, 3, 18))
    healed, films = Key("gate", "wound-check"), Key("gate", "film-check")
    wound = {healed: ItemState(healed, "completed", "done", done_on=date(2026, 4, 25))}
    weight = {films: ItemState(films, "completed", "done", done_on=date(2026, 5, 1))}
    for day, state, forbidden in ((2, wound | weight, False), (2, wound, True)):
        page = sheet_html(plan, State(state), as_of=date(2026, 5, day), language="en", checked_against=None)
        assert "wear the boot day and night" in page and "Once we say that you may stand on the foot" in page
        assert ("Put no weight on the foot." in page) is forbidden
        assert "Do not stand on the foot" not in page


@pytest.mark.parametrize("name", library.names())
def test_nicotine_has_one_end_on_every_sheet(name):
    made = {i.name: i.words for i in pathway(name=name).items}
    for language, end in (
        ("en", "until we tell you that your wound and bone have healed."),
        ("es", "hasta que le digamos que la herida y el hueso sanaron."),
    ):
        assert all(end in made[one][language] for one in ("quit-nicotine", "no-nicotine"))


@pytest.mark.parametrize("name", library.names())
def test_what_waits_for_a_release_waits_as_long_as_the_pathway_gives_it(name):
    """Six weeks after surgery, as its phrase says; the splint or bandage stays on until somebody releases it."""
    surgery = date(2026, 3, 18)
    plan, last = plan_of(name, (), surgery), surgery + timedelta(weeks=6)
    stays, after = both(plan, State(), last, None)
    assert stays and after and (stays.place, after.place) == ("rule", "waiting")
    for days in (1, 30, 200):
        stays, after = both(plan, State(), last + timedelta(days=days), None)
        assert stays and stays.place == "rule" and after is None
    left = select(plan, State(), as_of=last + timedelta(days=1), language="en").left_out
    said = [one.reason for one in left if one.key.item == AFTER[name]]
    assert said == ["no release of wound-check by 2026-04-29"]
    late = last + timedelta(days=30)
    stays, after = both(plan, gate(late), late, None)
    assert stays is None and after and after.start == Moment(late) and after.end == Moment(late + timedelta(days=14))


def test_what_can_not_be_reckoned_goes_on_waiting():
    """Without a rule that ends with the gate nothing says how early the release could have come."""
    plan = plan_of(ANKLE, (), date(2026, 3, 18))
    rule = Key("restriction", STAYS[ANKLE])
    gone = State({rule: ItemState(rule, "entered-in-error", "void")})
    _, after = both(plan, gone, date(2026, 11, 18), None)
    assert after and after.place == "waiting"
