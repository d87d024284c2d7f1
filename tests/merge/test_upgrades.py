"""A pathway over a year: what people did under the version of before is theirs, and an older version restores nothing.

Contract: no longer wanted, and a part is busy (an Appointment beyond proposed too): conflict; done: keep. An old bundle
never silently restores old dates.
"""

from dataclasses import replace
from datetime import date

import pytest

from merge.small import MRN, VISIT, compiled, new_identifier
from merge.stories import book, theirs, words
from merge.worlds import Memory
from waykeeper.fhir.ownership import SCHEME, digests, offered
from waykeeper.fhir.write import PLAN_KEY
from waykeeper.findings import WaykeeperError
from waykeeper.merge.groups import offer
from waykeeper.merge.guards import guards
from waykeeper.merge.held import holding
from waykeeper.verbs.inputs import clinic_of
from waykeeper.verbs.moving import Sources, Wish
from waykeeper.verbs.moving_many import cases_of
from waykeeper.version import older

NEXT = ("version: 1.0.0", "version: 1.1.0")
RENAMED = (NEXT, ("      two-week:\n", "      wound-visit:\n"), ("needs: [two-week]", "needs: [wound-visit]"))
BOOKED = {"ours": book, "theirs": theirs}
CANCEL = "visit/two-week: no longer in the plan, but booked: cancel it with the scheduler"


def refusals(world, plan, **options):
    return guards(plan, holding(plan.episode, world.resources()), **options)


@pytest.mark.parametrize("whose", BOOKED)
def test_a_booked_visit_that_left_the_pathway_is_asked_about_whoever_made_the_booking(whose):
    world = Memory()
    world.push()
    BOOKED[whose](world, date(2026, 4, 1))
    world.push()
    left = world.push(changes=RENAMED)
    assert words(left, VISIT, "request") == ["conflict"] and len(world.conflicts()) == 1
    assert world.at(VISIT, "request")["status"] == "active"
    assert CANCEL not in left.notices  # somebody may want to keep it
    assert world.push(changes=RENAMED).changing == ()
    gone = world.push(changes=RENAMED, take={str(VISIT): "ours"})
    assert world.at(VISIT, "request")["status"] == "revoked" and world.conflicts() == []
    assert [n for n in gone.notices if "cancel it with the scheduler" in n] == [CANCEL]
    assert world.push(changes=RENAMED).changing == () and world.conflicts() == []  # the answer is given once


@pytest.mark.parametrize("whose", BOOKED)
def test_a_booked_visit_that_left_the_pathway_may_be_kept_and_is_not_asked_about_again(whose):
    world = Memory()
    world.push()
    BOOKED[whose](world, date(2026, 4, 1))
    world.push(changes=RENAMED)
    kept = world.push(changes=RENAMED, take={str(VISIT): "theirs"})
    assert world.conflicts() == [] and world.at(VISIT, "request")["status"] == "active"
    assert CANCEL not in kept.notices
    assert world.push(changes=RENAMED).changing == ()


@pytest.mark.parametrize("whose", BOOKED)
def test_an_attended_visit_that_left_the_pathway_stays_as_it_was(whose):
    world = Memory()
    world.today = date(2026, 4, 10)
    world.push()
    BOOKED[whose](world, date(2026, 4, 1), "fulfilled")
    world.push()
    left = world.push(changes=RENAMED)
    assert words(left, VISIT, "request") == ["keep"] and world.conflicts() == []
    assert world.at(VISIT, "request")["status"] == "active"


def test_a_visit_that_nobody_booked_leaves_with_its_pathway():
    world = Memory()
    world.push()
    assert words(world.push(changes=RENAMED), VISIT, "request") == ["withdraw"]


def test_an_older_version_of_the_pathway_is_refused_with_a_word_of_its_own():
    world = Memory()
    world.push(changes=(NEXT,))
    (refused,) = refusals(world, compiled(world.identifier))
    assert refused.code == "WKU101" and "1.0.0 in the bundle, older than 1.1.0 on the server" in refused.details
    assert refused.help.startswith("Compile again with the version on the server or a newer one")
    before = Memory()
    before.push()
    (refused,) = refusals(before, compiled(before.identifier, changes=(NEXT,)))
    assert "older" not in refused.details and "`waykeeper move --pathway`" in refused.help


@pytest.mark.parametrize(("stands", "made", "refused"), [
    ("0.2.0", "0.1.0", True), ("0.10.0", "0.9.1", True), ("0.1.0", "0.2.0", False), ("0.1.0", "0.1.0", False),
    ("", "0.1.0", False),
])  # fmt: skip
def test_an_older_waykeeper_does_not_write_over_a_newer_one(stands, made, refused):
    """The rules of medicines are of the program: an older one has older days. It is refused however it comes."""
    world = Memory()
    world.push(replace(world.plan(), waykeeper=stands))
    plan = replace(world.plan(), waykeeper=made)
    for moving in (False, True):
        found = refusals(world, plan, moving=moving)
        assert [f.code for f in found] == (["WKU110"] if refused else [])
    assert all(s in f.details for f in found for s in (f"by Waykeeper {stands}", f"the older {made}"))
    assert refusals(world, plan, going_back=True) == []


def test_what_a_newer_scheme_wrote_is_not_judged_by_an_older_one():
    """Its digests hold fields that are not known here: each group would be taken for changed by a person."""
    world = Memory()
    world.push()
    root = world.at(PLAN_KEY, "plan")
    assert offer(root, "scheme") == str(SCHEME)
    told = offered(digests(root))
    told["extension"] = [{"url": "scheme", "valuePositiveInt": SCHEME + 1}, *told["extension"][1:]]
    newer = [told if e["url"] == told["url"] else e for e in root["extension"]]
    world.edit(PLAN_KEY, "plan", extension=newer)
    assert [f.code for f in refusals(world, world.plan())] == ["WKU110"]


@pytest.mark.parametrize(("one", "other", "first"), [
    ("1.2.0", "1.10.0", True), ("1.10.0", "1.2.0", False), ("1.0.0", "1.0.0", False), ("", "1.0.0", False),
    ("1.0.0", "", False), ("1.0.0", "2.0.0rc1", False),
])  # fmt: skip
def test_versions_are_ordered_by_their_numbers(one, other, first):
    """Semantic Versioning 2.0.0, 11: precedence compares the numbers, not the text."""
    assert older(one, other) is first


@pytest.mark.parametrize(("closed", "said"), [
    ((date(2026, 3, 20),), "closed now 2026-03-20"), ((), ""), ((date(2031, 3, 20),), ""),
])  # fmt: skip
def test_other_closed_days_than_those_that_stand_are_told_before_dates_go_back(closed, said):
    """Two workstations with two files of one clinic: each push tells it, and one of an unchanged file says nothing."""
    world = Memory()
    first = world.push()
    assert first.notices == ()
    plan = world.plan()
    other = replace(plan, closed=tuple(sorted({*plan.closed, *closed})))
    told = [n for n in world.push(other).notices if "closed days" in n]
    assert [said in n for n in told] == ([True] if said else [])
    back = [n for n in world.push(plan).notices if "closed days" in n]
    assert [said.replace("closed now", "open now") in n for n in back] == ([True] if said else [])
    assert world.push(plan).notices == ()


def test_a_plan_without_closed_days_of_its_own_tells_nothing_of_them():
    world = Memory()
    world.push(replace(world.plan(), weekdays=(), closed=()))
    assert world.push().notices == ()


@pytest.mark.parametrize(("given", "remedy"), [("", "Add --pathway FILE."), ("older", "brought up to date"),
                                               ("newer", "to upgrade the plan")])  # fmt: skip
def test_a_move_names_the_way_out_that_fits_the_version(given, remedy):
    """Of an older library it must never be said that it upgrades the plan."""
    plan = compiled(new_identifier())
    if given:
        plan = as_knee(plan, {"older": "99.0.0", "newer": "0.9.0"}[given])
    with pytest.raises(WaykeeperError) as refused:
        Sources().pathway("", plan, "clinic-demo", clinic_of("clinic-demo"))
    (found,) = refused.value.findings
    assert remedy in found.help and ("upgrade" in found.help) == (given == "newer")


def as_knee(plan, version):
    url = "https://alder-quay.example/pathways/total-knee-replacement"
    return replace(plan, pathway=replace(plan.pathway, name="total-knee-replacement", url=url, version=version))


def test_a_table_may_leave_surgery_where_it_stands_in_a_word_and_never_by_an_empty_cell(tmp_path):
    table = tmp_path / "upgrade.csv"
    table.write_text(f"patient,surgery\n{MRN}|A-1,same\n{MRN}|A-2,2026-04-08T07:30\n", "utf-8")
    rows = cases_of(str(table), Wish(pathway="small.yaml"))
    assert [r.wish for r in rows] == [Wish(pathway="small.yaml"), Wish("2026-04-08T07:30", pathway="small.yaml")]
    table.write_text(f"patient,surgery\n{MRN}|A-1,\n", "utf-8")
    with pytest.raises(WaykeeperError) as refused:
        cases_of(str(table), Wish(pathway="small.yaml"))
    assert refused.value.findings[0].code == "WKC203" and "or same where it stays" in refused.value.findings[0].help
