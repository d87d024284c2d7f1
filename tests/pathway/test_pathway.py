"""What `check` makes of a pathway: its values, defaults, places and overlays."""

from pathway.frame import pathway
from waykeeper.findings import Position
from waykeeper.pathway import check
from waykeeper.pathway.model import Coding, Named, Recognise, Source

COMMON = "title: Wash, who: {who}, why: Clean skin, harm: 2, source: {{grade: common practice}}"
STAFF = COMMON.format(who="coordinator")
PATIENT = COMMON.format(who="patient") + ", words: {en: Wash., es: Lave.}"


def made(text, *overlays):
    sources = [("pathway.yaml", pathway(text))]
    sources += [(f"overlay-{i}.yaml", overlay) for i, overlay in enumerate(overlays, 1)]
    value, findings = check(sources)
    assert value is not None, [f.line() for f in findings]
    return value


def item(value, name):
    return next(i for i in value.items if i.name == name)


VISIT = f"""
codes:
  procedure: ["http://example.org/codes|A1", {{system: http://example.org/codes, code: B2, display: Left}}]
facts:
  mrsa_ever: {{yes: Condition.exists(), ask: Were you ever told of MRSA?}}
phases:
  after:
    title: After
    days: within 4 weeks after surgery
    visits:
      look:
        title: Two-week visit
        who: surgeon
        why: The wound
        harm: 3
        source: {{cite: A paper, grade: study}}
        words: {{en: Come., es: Venga.}}
        only_if: [mrsa_ever]
        at: 2 weeks after surgery
        window: 10 to 18 days after surgery
        roll: in window
        book_from: surgery
        minutes: 30
        recognise: {{service_type: ["http://example.org/codes|V"], words: [wound check], telehealth: true}}
holds: {{rules: [nsaids, glp1], source: {{grade: common practice}}}}
tasks:
  wash: {{{STAFF}, at: {{first: 2 days before surgery, NO: 1 day before surgery}}}}
"""


def test_every_key_arrives():
    value = made(VISIT.replace("NO: 1", "second: 1"))
    look = item(value, "look")
    assert (look.kind, look.phase, look.title, look.who, look.harm) == (
        "visit",
        "after",
        "Two-week visit",
        "surgeon",
        3,
    )
    assert look.at == (Named("", "2 weeks after surgery"),)
    assert (look.window, look.roll, look.book_from, look.minutes) == (
        "10 to 18 days after surgery", "in window", "surgery", 30,
    )  # fmt: skip
    assert look.recognise == Recognise((Coding("http://example.org/codes", "V"),), (), ("wound check",), True)
    assert look.source == Source("A paper", "study")
    assert look.only_if == ("mrsa_ever",)
    assert look.words == {"en": "Come.", "es": "Venga."}
    assert item(value, "wash").at == (Named("first", "2 days before surgery"), Named("second", "1 day before surgery"))
    assert value.codes["procedure"] == (
        Coding("http://example.org/codes", "A1"), Coding("http://example.org/codes", "B2", "Left"),
    )  # fmt: skip
    assert [i.name for i in value.items] == ["look", "holds", "wash"]
    assert value.facts[0].yes == "Condition.exists()"


def test_a_hold_without_a_name_is_called_holds():
    hold = item(made(VISIT.replace("NO: 1", "second: 1")), "holds")
    assert (hold.kind, hold.rules, hold.who, hold.harm) == ("hold", ("nsaids", "glp1"), "prescriber", 3)
    assert hold.title


def test_an_item_knows_its_place():
    value = made(f"tasks:\n  wash: {{{STAFF}, by: 1 day before surgery}}\n")
    assert value.items[0].origin == Position("pathway.yaml", 8, 3, "task/wash")


def test_redo_is_the_default_for_what_the_patient_does_in_the_last_seven_days():
    value = made(
        f"tasks:\n"
        f"  seven: {{{PATIENT}, by: 7 days before surgery}}\n"
        f"  eight: {{{PATIENT}, by: 8 days before surgery}}\n"
        f"  day-of: {{{PATIENT}, at: day of surgery in the morning}}\n"
        f"  after: {{{PATIENT}, by: 1 day after surgery}}\n"
        f"  never: {{{PATIENT}, by: 2 days before surgery, redo: never}}\n"
        f"  early: {{{PATIENT}, by: 3 weeks before surgery, redo: on move}}\n"
        f"  staff: {{{STAFF}, by: 2 days before surgery}}\n"
    )
    redone = {i.name for i in value.items if i.redo == "on move"}
    assert redone == {"seven", "day-of", "early"}
    assert {i.redo for i in value.items} == {"on move", ""}


def test_an_overlay_changes_adds_and_removes_and_is_named():
    base = f"""
phases:
  last:
    title: Last days
    tasks:
      wash: {{{STAFF}, by: 1 day before surgery, roll: earlier}}
      iron: {{{STAFF}, by: 9 days before surgery}}
      shave: {{{STAFF}, by: 5 days before surgery}}
"""
    first = f"""
overlay: clinic-washes
title: Washes
for: [example, other]
add:
  phases:
    last:
      tasks:
        second-wash: {{{STAFF}, by: 2 days before surgery}}
        wash: {{from: 3 days before surgery}}
replace:
  wash: {{by: 2 days before surgery, title: Wash well}}
remove: [iron, wash.roll]
policies: {{glp1: hold}}
"""
    value = made(base, first, "overlay: harm\ntitle: Harm\nfor: any\nreplace: {wash: {harm: 3}}\n")
    wash = item(value, "wash")
    assert (wash.by, wash.title, wash.roll, wash.harm, wash.starts) == (
        "2 days before surgery", "Wash well", "", 3, "3 days before surgery",
    )  # fmt: skip
    assert wash.overlays == ("clinic-washes", "harm")
    assert wash.origin.file == "pathway.yaml"
    second = item(value, "second-wash")
    assert (second.phase, second.overlays) == ("last", ("clinic-washes",))
    assert (second.origin.file, second.origin.line) == ("overlay-1.yaml", 9)
    assert item(value, "shave").overlays == ()
    assert {i.name for i in value.items} == {"wash", "second-wash", "shave"}
    assert value.overlays == ("clinic-washes", "harm")
    assert value.policies == {"glp1": "hold"}


def test_an_overlay_can_change_facts_anchors_and_phases():
    base = f"""
anchors:
  surgery: {{required: true}}
  discharge: {{assume: 1 day after surgery}}
facts:
  mrsa_ever: {{ask: MRSA?}}
phases:
  last: {{title: Last days, tasks: {{wash: {{{STAFF}, by: 1 day before surgery, only_if: [mrsa_ever]}}}}}}
"""
    change = """
overlay: change
title: Change
for: any
replace:
  fact mrsa_ever: {ask: Ever told of MRSA?}
  anchor discharge: {assume: 2 days after surgery}
  phase last: {title: The last days}
"""
    value = made(base, change)
    assert value.facts[0].ask == "Ever told of MRSA?"
    assert value.anchors[1].assume == "2 days after surgery"
    assert value.phases[0].title == "The last days"
    assert item(value, "wash").overlays == ()


def test_all_findings_come_in_one_run_in_the_order_of_the_file():
    text = f"""
facts:
  mrsa: {{yes: "Condition.where(", ask: MRSA?}}
tasks:
  wash: {{{STAFF}, by: 1 day before sugery, only_if: [mrs]}}
  dry: {{title: Dry, who: surgeon, why: Skin, harm: 9, by: day of surgery, nedds: [wash]}}
gates:
  ready: {{{STAFF}, at: 1 day before surgery, needs: [ready, none], released_by: surgeon}}
"""
    value, findings = check([("pathway.yaml", pathway(text))])
    assert value is None
    assert [f.code for f in findings] == [
        "WKP411", "WKP413", "WKP303", "WKP402", "WKP501", "WKP203", "WKP201", "WKP405", "WKP403",
    ]  # fmt: skip
    assert [f.position for f in findings] == sorted(f.position for f in findings)


def test_a_warning_keeps_the_pathway():
    value, findings = check(
        [("p", pathway(f"tasks:\n  wash: {{{COMMON.format(who='patient')}, by: day of surgery}}\n"))]
    )
    assert [f.code for f in findings] == ["WKP505"]
    assert value is not None


def test_items_of_two_required_anchors_are_not_compared():
    made(
        f"anchors:\n  surgery: {{required: true}}\n  admission: {{required: true}}\n"
        f"tasks:\n  wash: {{{STAFF}, by: 1 day after admission}}\n"
        f"  dry: {{{STAFF}, by: 1 day before surgery, needs: [wash]}}\n"
    )


def test_an_overlay_can_add_a_phase_and_a_kind():
    change = f"""
overlay: more
title: More
for: any
add:
  phases:
    stay: {{title: The stay, tasks: {{sit: {{{STAFF}, by: day of surgery}}}}}}
  goals:
    walk: {{{STAFF}, by: 3 months after surgery, measure: Walks, target: yes}}
"""
    value = made(f"tasks:\n  wash: {{{STAFF}, by: 1 day before surgery}}\n", change)
    assert {i.name: i.overlays for i in value.items} == {"wash": (), "sit": ("more",), "walk": ("more",)}
    assert [p.title for p in value.phases] == ["The stay"]
    assert item(value, "walk").target == "yes"


def test_fhirpath_that_is_too_long_or_too_deep_is_a_finding():
    for expression in ("(" * 900 + "true" + ")" * 900, "true or " * 300 + "true"):
        text = f"facts:\n  a: {{yes: '{expression}', ask: A?}}\n"
        text += f"tasks:\n  wash: {{{STAFF}, by: day of surgery, only_if: [a]}}\n"
        value, findings = check([("p", pathway(text))])
        assert value is None
        assert [f.code for f in findings] == ["WKP413"]


def test_an_overlay_that_cannot_be_read_stops_the_pathway():
    value, findings = check([("p", pathway(f"tasks:\n  wash: {{{STAFF}, by: day of surgery}}\n")), ("o", "add: [")])
    assert value is None
    assert [(f.code, f.position.file) for f in findings] == [("WKP103", "o")]


def test_one_overlay_in_force_twice_is_a_clash():
    overlay = "overlay: harm\ntitle: Harm\nfor: any\nreplace: {wash: {harm: 3}}\n"
    text = pathway(f"tasks:\n  wash: {{{STAFF}, by: day of surgery}}\n")
    value, findings = check([("p", text), ("o", overlay), ("o2", overlay)])
    assert value is None
    assert [(f.code, f.position.file) for f in findings] == [("WKP603", "o2")]
