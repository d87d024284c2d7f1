"""A plan that several sources hold is one plan: each part once, from the copy that was written last."""

from __future__ import annotations

import json
from contextlib import nullcontext
from pathlib import Path

import waykeeper
from waykeeper.exchange import one_plan
from waykeeper.exchange.one_plan import one_of_each
from waykeeper.fhir import belongs, episode_of, identity, read_all
from waykeeper.fhir.identity import own_identifier
from waykeeper.pathway.shelf import folder
from waykeeper.verbs import caseload, comparing, inputs

PLAN = folder("sandbox_bundles") / "demo-left" / "plan.bundle.json"
OTHER = folder("sandbox_bundles") / "knee-left" / "plan.bundle.json"
DAY = "2026-06-26"


def of_server(held, day="2026-03-01T08:00:00Z"):
    """The same as a server names and stamps it."""
    names = {ref: f"{r['resourceType']}/s{n}" for n, (ref, r) in enumerate(held)}
    text = json.dumps([r for _, r in held])
    for was, now in sorted(names.items(), key=lambda pair: -len(pair[0])):
        text = text.replace(f'"{was}"', f'"{now}"')
    stamped = [{**r, "meta": {**r["meta"], "lastUpdated": day, "versionId": "1"}} for r in json.loads(text)]
    return list(zip(names.values(), stamped, strict=True))


def test_the_servers_copy_goes_before_the_file_and_each_part_is_there_once():
    file = inputs.held_of([str(PLAN)])
    served = of_server(file)
    for order in ([*file, *served], [*served, *file]):
        kept, several = one_of_each(order)
        assert len(several) == 1
        plans = read_all(kept)
        assert len(plans) == 1
        items = [i.key for i in plans[0][0].items]
        assert len(items) == len(set(items)) > 100
        theirs = plans[0][1].items.values()
        assert {ref.startswith(("urn:", "CarePlan/urn")) for own in theirs for ref in own.references.values()} == {
            False
        }


def test_of_two_servers_each_part_counts_as_it_was_written_last():
    file = inputs.held_of([str(PLAN)])
    old, new = of_server(file), [(f"{ref}x", r) for ref, r in of_server(file, "2026-04-01T08:00:00Z")]
    done = next(
        n for n, (_, r) in enumerate(new) if r["resourceType"] == "Task" and r["description"].startswith("Consent")
    )
    new[done] = (new[done][0], {**new[done][1], "status": "completed"})
    for order in ([*old, *new], [*new, *old]):
        kept, _ = one_of_each(order)
        (_, state), *more = read_all(kept)
        assert not more
        assert [str(k) for k, own in state.items.items() if own.cls == "done"] == ["task/consent"]


def test_of_copies_that_lost_our_identifier_no_part_is_lost():
    """A system that keeps no identifiers keeps the ids that we chose, which name each part as well."""
    file = inputs.held_of([str(PLAN)])
    day = {"lastUpdated": "2026-03-01T08:00:00Z"}
    nameless = [
        (f"{r['resourceType']}/{own}", {**r, "id": own, "identifier": [], "meta": day})
        for _, r in file
        if (own := own_identifier(r))
    ]
    others = [pair for pair in file if not own_identifier(pair[1])]
    copy = [(f"{ref}x", r) for ref, r in nameless]
    kept, several = one_of_each([*others, *nameless, *copy])
    assert len(several) == 1 and kept == [*others, *copy]
    ((plan, _),) = read_all(kept)
    assert {i.key for i in plan.items} == {i.key for i in read_all(file)[0][0].items}


def people(count):
    """The plan of so many people, from one server and from another."""
    file = of_server(inputs.held_of([str(PLAN)]))
    found = []
    for number in range(count):
        text = json.dumps([{**r, "id": ref.partition("/")[2]} for ref, r in file]).replace("/s", f"/n{number}-s")
        number_of = next(r["identifier"][0]["value"] for _, r in file if r["resourceType"] == "Patient")
        person = json.loads(text.replace(f'"{number_of}"', f'"{number_of}-{number}"'))
        episode = next(e for r in person if (e := episode_of(r)) is not None)
        for resource in person:
            named = resource
            said = identity(resource)
            if said and (own := own_identifier(resource)):
                key = said.key
                uuid = episode.uuid(key.kind, key.item, said.part, key.occurrence, said.round)
                named = json.loads(json.dumps(resource).replace(own, uuid))
            found.append((f"{named['resourceType']}/n{number}-{named['id']}", named))
    return [*found, *((f"{ref}x", r) for ref, r in found)]


def test_each_resource_is_asked_about_the_plans_of_its_patient_only(monkeypatch):
    """Asked about every plan that was read twice, a caseload of 10,000 would never end."""
    asked = []

    def counted(known, episode):
        asked.append(episode)
        return belongs(known, episode)

    monkeypatch.setattr(one_plan, "belongs", counted)
    held = people(4)
    kept, several = one_of_each(held)
    ours = [r for _, r in held if identity(r) is not None]
    assert len(several) == 4 and [r for _, r in kept if identity(r) is not None] == ours[len(ours) // 2 :]
    assert len(asked) == len(ours)


def test_of_two_roots_one_stays_also_where_one_lost_our_identifier():
    """Its server gave it an id of its own: it says itself which plan it is."""
    served = of_server(inputs.held_of([str(PLAN)]))
    root = next(r for _, r in served if r["resourceType"] == "CarePlan" and "partOf" not in r)
    twin = ("CarePlan/4711", {**root, "id": "4711", "identifier": []})
    assert len(read_all(one_of_each([*served, twin])[0])) == 1


def test_what_only_an_unpushed_file_has_is_no_row():
    file = inputs.held_of([str(PLAN)])
    served = [(ref, r) for ref, r in of_server(file) if r.get("description") != "Consent signed, side agreed"]
    kept, _ = one_of_each([*file, *served])
    assert len(served) < len(file)
    assert "task/consent" not in {str(i.key) for i in read_all(kept)[0][0].items}


def test_plans_of_two_people_and_other_resources_are_left_as_they_are():
    both = [
        *inputs.held_of([str(PLAN)]),
        *inputs.held_of([str(OTHER)]),
        ("Appointment/1", {"resourceType": "Appointment"}),
    ]
    assert one_of_each(both) == (both, ())


def test_the_report_lists_each_row_once_and_says_why(tmp_path: Path):
    served = tmp_path / "served.ndjson"
    served.write_text("\n".join(json.dumps({**r, "id": ref.partition("/")[2]})
                                for ref, r in of_server(inputs.held_of([str(PLAN)]))))  # fmt: skip
    alone = waykeeper.gaps(str(served), as_of=DAY)
    both = waykeeper.gaps(str(PLAN), str(served), as_of=DAY)
    assert [(r.name, r.verdict) for r in both.whole.rows] == [(r.name, r.verdict) for r in alone.whole.rows]
    assert [f.code for f in alone.findings] == []
    assert [(f.code, f.details) for f in both.findings] == [
        ("WKC223", "1 plan was read more than once: the copy written last counts")
    ]


def test_a_large_folder_with_two_copies_is_read_as_a_small_one_is(tmp_path: Path, monkeypatch):
    """Two servers' exports in one folder: split by patient, the copies of a plan meet in one part."""
    file = inputs.held_of([str(PLAN)])
    old, new = of_server(file), [(f"{ref}x", r) for ref, r in of_server(file, "2026-04-01T08:00:00Z")]
    for name, held in (("one", old), ("two", new)):
        lines = (json.dumps({**r, "id": ref.partition("/")[2]}) for ref, r in held)
        (tmp_path / f"{name}.ndjson").write_text("\n".join(lines))
    small = waykeeper.gaps(str(tmp_path), as_of=DAY)
    monkeypatch.setattr(comparing, "LARGE", 1)
    monkeypatch.setattr(caseload, "processes", lambda *_: nullcontext())
    large = waykeeper.gaps(str(tmp_path), as_of=DAY)
    assert [r.name for r in large.whole.rows] == [r.name for r in small.whole.rows]
    assert [(r.name, r.verdict) for r in large.whole.rows] == [(r.name, r.verdict) for r in small.whole.rows]
    assert [(f.code, f.details) for f in large.findings] == [(f.code, f.details) for f in small.findings]
    assert [f.code for f in large.findings] == ["WKC223"]
