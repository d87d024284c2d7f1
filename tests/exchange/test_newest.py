"""One resource out of several sources: the version that was written last counts, and none is there twice.

What has no name stays as it is, and one reference is one patient.
"""

import pytest

from waykeeper.exchange.reading import newest
from waykeeper.findings import WaykeeperError

MRN = "https://alder-quay.example/mrn"


def task(status, updated="", version=""):
    meta = {name: value for name, value in (("lastUpdated", updated), ("versionId", version)) if value}
    return {"resourceType": "Task", "id": "1", "status": status, **({"meta": meta} if meta else {})}


OLD, NEW = "2026-03-01T10:00:00+01:00", "2026-03-01T09:30:00Z"


@pytest.mark.parametrize(
    ("first", "second", "status"),
    [
        (task("a", OLD), task("b", NEW), "b"),
        (task("a", NEW), task("b", OLD), "a"),
        (task("a", NEW, "2"), task("b", NEW, "10"), "b"),
        (task("a", NEW, "10"), task("b", NEW, "2"), "a"),
        (task("a", NEW), task("b"), "a"),
        (task("a"), task("b", NEW), "b"),
        (task("a"), task("b"), "b"),
        (task("a", "soon"), task("b", OLD), "b"),
        (task("a", OLD), task("b", "2026-03-02T00:00:00"), "a"),
    ],
)
def test_which_of_two_versions_counts(first, second, status):
    assert [r["status"] for _, r in newest([("Task/1", first), ("Task/1", second)])] == [status]


def test_what_differs_stays_in_its_order():
    held = [("Task/2", task("a")), ("Task/1", task("b")), ("Task/2", task("c"))]
    assert [(ref, r["status"]) for ref, r in newest(held)] == [("Task/2", "c"), ("Task/1", "b")]


def patient(number, system=MRN):
    """A Patient of some server, always number 1 there."""
    return "Patient/1", {"resourceType": "Patient", "id": "1", "identifier": [{"system": system, "value": number}]}


def test_resources_without_a_name_all_stay():
    two = [("", {"resourceType": "Appointment", "description": word}) for word in ("first", "second")]
    assert newest(two) == two


def test_two_people_under_one_reference_are_refused():
    with pytest.raises(WaykeeperError) as refused:
        newest([patient("A-1"), patient("A-2")])
    assert [f.code for f in refused.value.findings] == ["WKX222"]


def born(number, day="", family="", system="https://scheduler.example"):
    reference, made = patient(number, system)
    named = {"name": [{"family": family}]} if family else {}
    return reference, made | ({"birthDate": day} if day else {}) | named


DAY, OTHER = "1961-04-12", "1974-01-30"


@pytest.mark.parametrize(
    ("one", "other", "are_one"),
    [
        (born("A-1", DAY, system=MRN), born("77", OTHER), False),  # two servers with numbers of their own
        (born("A-1", DAY, "Wintergale", MRN), born("77", "", "Carl"), False),
        (born("A-1", DAY, "Wintergale", MRN), born("77", DAY, "Carl"), True),  # married, or spelt another way
        (born("A-1", "", "Wintergale", MRN), born("77", "", "WINTERGALE"), True),
        (born("A-1", DAY, system=MRN), born("77"), True),  # nothing tells them apart
        (born("A-1", DAY, system=MRN), born("A-1", OTHER, system=MRN), True),  # a birth date that was corrected
    ],
)
def test_without_a_number_in_common_the_birth_date_or_the_name_tells_two_people(one, other, are_one):
    if are_one:
        assert newest([one, other]) == [other]
        return
    with pytest.raises(WaykeeperError) as refused:
        newest([one, other])
    assert [f.code for f in refused.value.findings] == ["WKX222"]


@pytest.mark.parametrize("other", [patient("A-1"), patient("9", "https://insurer.example")])
def test_one_person_read_twice_is_one(other):
    assert newest([patient("A-1"), other]) == [other]
