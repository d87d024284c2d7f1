"""Resources of a server that nobody can read: named, left out of the list, and no reason to write or to fall over."""

import copy
import json
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

import waykeeper
from effort import examples
from waykeeper.cli.main import main
from waykeeper.exchange import BadAnswerError
from waykeeper.exchange import server as wire
from waykeeper.exchange.matches import torn
from waykeeper.findings import WaykeeperError
from waykeeper.pathway.shelf import folder
from waykeeper.report.not_whole import NOT_WHOLE
from waykeeper.sandbox import running

BUNDLES = folder("sandbox_bundles") / "demo-left"
PLAN = str(BUNDLES / "plan.bundle.json")
WHO = "https://alder-quay.example/mrn|AQ-1001"
DAY = "2026-04-10"
GONE = object()
JUNK = (
    GONE, None, "", "x", 0, -1, 1.5, True, [], {}, [None], ["x"], [{}], [[]], {"x": 1}, "2026-13-45", "2026", "|", "#",
    "2026-02-30T25:00:00Z", "urn:uuid:", "Patient/", "http://[", {"reference": "x"}, {"reference": 1},
)  # fmt: skip


class Odd:
    """A server whose answers to what only reads are kept, and changed on their way by `change(entry)`."""

    def __init__(self, url):
        self.url, self.kept, self.change = url, {}, None

    def searchsets(self, part):
        if part.get("type") == "searchset":
            yield part
        for entry in part.get("entry") or ():
            if isinstance(entry.get("resource"), dict):
                yield from self.searchsets(entry["resource"])

    def resources(self):
        answers = [json.loads(one.content) for one in self.kept.values() if one.content]
        found = [e["resource"] for a in answers for page in self.searchsets(a) for e in page.get("entry") or ()]
        return list({f"{r['resourceType']}/{r['id']}": r for r in found}.values())


@pytest.fixture(scope="module")
def odd():
    signed, read = wire.Server.signed, wire.read_answer
    with running(load=str(BUNDLES)) as url, pytest.MonkeyPatch.context() as patch:
        waykeeper.push(PLAN, to=url)
        made = Odd(url)

        def kept(self, method, url, data, headers, *, stream=False):
            name = (method, url, data)
            if name not in made.kept:
                made.kept[name] = signed(self, method, url, data, headers, stream=stream)
            return made.kept[name]

        def changed(response, what):
            answer = read(response, what)
            if made.change is None or not isinstance(answer.document, dict):
                return answer
            document = copy.deepcopy(answer.document)
            for page in list(made.searchsets(document)):
                page["entry"] = [made.change(entry) for entry in page.get("entry") or ()]
            return replace(answer, document=document)

        patch.setattr(wire.Server, "signed", kept)
        patch.setattr(wire, "read_answer", changed)
        yield made


@pytest.fixture(autouse=True)
def as_it_is(odd):
    odd.change = None
    yield
    odd.change = None


def with_(reference, path, junk):
    """A change of the one element of the one resource."""

    def change(entry):
        resource = entry.get("resource") or {}
        if f"{resource.get('resourceType')}/{resource.get('id')}" == reference:
            entry = copy.deepcopy(entry)
            part = entry["resource"]
            for step in path[:-1]:
                part = part[step]
            if junk is GONE:
                del part[path[-1]]
            else:
                part[path[-1]] = copy.deepcopy(junk)
        return entry

    return change


COMMANDS = {
    "gaps": ("gaps", "--from", "URL", "--as-of", DAY),
    "push": ("push", PLAN, "--to", "URL", "--dry-run"),
    "issues": ("issues", "--to", "URL", "--as-of", DAY, "--dry-run"),
    "move": (
        "move", "--from", "URL", "--patient", WHO, "--surgery", "2026-04-15T07:30", "--reason", "closed", "--by", "R",
        "--as-of", "2026-03-01", "--dry-run",
    ),
    "withdraw": (
        "withdraw", "--from", "URL", "--patient", WHO, "--reason", "off", "--by", "R", "--as-of", DAY, "--dry-run",
    ),
    "sheet": ("sheet", "--from", "URL", "--patient", WHO, "--html", "-"),
}  # fmt: skip


def run(odd, command):
    return main([word.replace("URL", odd.url) for word in COMMANDS[command]])


def paths(value, path=()):
    """The way to every part of a resource."""
    if path:
        yield path
    for step in value if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ():
        yield from paths(value[step], (*path, step))


@pytest.fixture(scope="module")
def known_resources(odd):
    """What the commands read of the server."""
    for command in COMMANDS:
        run(odd, command)
    return odd.resources()


@given(data=st.data(), command=st.sampled_from(sorted(COMMANDS)), junk=st.sampled_from(JUNK))
@settings(max_examples=examples(60), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_stands_in_a_resource_no_command_falls_over(odd, known_resources, capfd, data, command, junk):
    odd.change = None
    found = known_resources
    kind = data.draw(st.sampled_from(sorted({r["resourceType"] for r in found})))
    resource = data.draw(st.sampled_from([r for r in found if r["resourceType"] == kind]))
    path = data.draw(st.sampled_from(list(paths(resource))))
    assume(path != ("id",) or junk is not GONE)
    capfd.readouterr()
    odd.change = with_(f"{kind}/{resource['id']}", path, junk)
    code = run(odd, command)
    said = capfd.readouterr().err
    assert "WKC901" not in said and code in (0, 1, 2), f"{command}: {kind}.{path} = {junk!r}: {said}"


def of_kind(odd, kind):
    run(odd, "gaps")
    return next(r for r in odd.resources() if r["resourceType"] == kind)


@pytest.mark.parametrize("kind", ["Task", "Appointment", "Encounter", "Procedure"])
def test_the_list_names_what_it_leaves_out_and_says_that_it_is_not_whole(odd, kind, capfd):
    one = of_kind(odd, kind)
    capfd.readouterr()
    odd.change = with_(f"{kind}/{one['id']}", ("identifier",), "x")
    assert run(odd, "gaps") == 1
    told = capfd.readouterr()
    wrong = rf"WKX219 error: search of {kind}: {kind}/{one['id']} of Patient/"
    assert wrong in told.err and f"{kind}.identifier is a text, a list is wanted; it is left out" in told.err
    assert NOT_WHOLE.upper() in told.out


def test_a_date_that_is_none_is_found_too(odd, capfd):
    one = of_kind(odd, "CommunicationRequest")
    for junk, said in (("2026-13-45", "is no dateTime"), ("2026-04", "a day is wanted")):
        capfd.readouterr()
        odd.change = with_(f"CommunicationRequest/{one['id']}", ("occurrencePeriod", "start"), junk)
        assert run(odd, "gaps") == 1
        told = capfd.readouterr().err
        assert f"WKX219 error: CommunicationRequest/{one['id']} of Patient/" in told and said in told
        with pytest.raises(BadAnswerError, match=f"WKX219 .*CommunicationRequest/{one['id']}"):
            waykeeper.push(PLAN, to=odd.url, dry_run=True)


def root_of(odd):
    """The CarePlan of a plan, and the way to the name of its time zone."""
    run(odd, "gaps")
    for resource in odd.resources():
        for n, extension in enumerate(resource.get("extension") or ()):
            for m, part in enumerate(extension.get("extension") or ()):
                if resource["resourceType"] == "CarePlan" and part["url"] == "zone":
                    return f"CarePlan/{resource['id']}", ("extension", n, "extension", m, "valueString")
    raise AssertionError("no plan")


@pytest.mark.parametrize("zone", ["Mars/Phobos", "../../etc/passwd", "America", "a\0b"])
def test_a_plan_in_a_zone_that_nobody_knows_is_named_and_no_other(odd, zone, capfd):
    name, way = root_of(odd)
    capfd.readouterr()
    odd.change = with_(name, way, zone)
    assert run(odd, "gaps") == 2, "there is no other plan"
    told = capfd.readouterr().err
    assert f"WKX219 error: {name} of Patient/" in told and "is no time zone; it is left out" in told
    assert told.count("WKX219") == 1, "a number that keeps its digits is a number"
    with pytest.raises(BadAnswerError, match=f"WKX219 .*{name}"):
        waykeeper.push(PLAN, to=odd.url, dry_run=True)


@pytest.mark.parametrize("command", ["push", "issues", "move", "withdraw"])
@pytest.mark.parametrize("kind", ["Task", "Appointment"])
def test_who_writes_refuses_and_names_it(odd, command, kind, capfd):
    one = of_kind(odd, kind)
    capfd.readouterr()
    odd.change = with_(f"{kind}/{one['id']}", ("identifier",), "x")
    assert run(odd, command) == 1
    assert f"{kind}/{one['id']} of Patient/" in capfd.readouterr().err


def test_a_match_without_an_id_is_not_passed_over(odd):
    one = of_kind(odd, "Encounter")
    odd.change = with_(f"Encounter/{one['id']}", ("id",), GONE)
    with pytest.raises(WaykeeperError, match=r"WKX219 .*Encounter has no id"):
        waykeeper.push(PLAN, to=odd.url, dry_run=True)


@pytest.mark.parametrize("entry", [None, "x", 3, [], {"resource": "x"}, {"resource": [1]}, {"search": "match"}])
@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_an_answer_that_is_torn_is_the_server_s(odd, command, entry, capfd):
    odd.change = lambda _: entry
    assert run(odd, command) == 1
    told = capfd.readouterr().err
    assert told.startswith("WKX211 error: ") and "entry[0]" in told


@pytest.mark.parametrize(
    ("document", "said"),
    [
        ({"entry": {}}, "entry is no list"),
        ({"link": "x"}, "link is no list"),
        ({"link": [3]}, "link[0] is no object"),
        ({"entry": [{}, {"response": 3}]}, "entry[1].response is no object"),
        ({"entry": [{"response": {"outcome": "x"}}]}, "entry[0].response.outcome is no object"),
        (
            {"entry": [{"resource": {"resourceType": "Bundle", "entry": [1]}}]},
            "entry[0].resource.entry[0] is no object",
        ),
        ({"entry": [{"resource": None, "fullUrl": "x"}], "link": []}, ""),
    ],
)
def test_where_a_bundle_is_torn(document, said):
    assert torn({"resourceType": "Bundle", **document}) == said
    assert torn(document) == ""
