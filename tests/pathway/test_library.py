"""The library: every file in it is found and has no error, each overlay fits the pathways that it names."""

import re

import pytest

from waykeeper.pathway import check_file, check_overlay, library, load, read_clinic


def test_names():
    assert "total-ankle-replacement" in library.names()
    assert "clinic-demo" in library.clinic_names()
    assert "no-blood-thinner-7-days" in library.overlay_names()
    assert set(library.names()).isdisjoint(library.clinic_names())


@pytest.mark.parametrize("name", library.names())
def test_a_pathway_has_no_error_under_the_demo_clinic(name):
    clinic, _ = read_clinic(*library.read("clinic-demo"))
    assert clinic is not None
    pathway, findings = load(name, clinic=clinic)
    assert [f.line() for f in findings if f.severity == "error"] == []
    assert pathway.name == name
    assert pathway.file == f"pathways/{name}.yaml"


@pytest.mark.parametrize("name", library.overlay_names())
def test_an_overlay_fits_the_pathways_that_it_names(name):
    overlay, findings = check_overlay(*library.read(f"overlays/{name}"))
    assert [f.line() for f in findings] == []
    assert overlay.name == name
    for pathway in library.names() if "any" in overlay.pathways else overlay.pathways:
        made, findings = load(pathway, [name])
        assert [f.line() for f in findings if f.severity == "error"] == []
        assert made.overlays == (name,)


@pytest.mark.parametrize("name", ["nothing", "../README", "..", "", "/etc/passwd", "overlays/../clinic-demo"])
def test_what_the_library_does_not_have(name):
    with pytest.raises(KeyError):
        library.read(name)


def test_an_unknown_overlay_is_a_finding():
    pathway, findings = load("total-ankle-replacement", ["no-blood-thinner"])
    assert pathway is None
    assert [f.code for f in findings] == ["WKP606"]
    assert "no-blood-thinner-7-days" in findings[0].help


def test_files_of_other_rooms_are_checked_by_them():
    sort, findings = check_file("rules.yaml", "group: nsaids\n", others={"group": lambda name, source: ()})
    assert (sort, findings) == ("group", ())
    assert [f.code for f in check_file("rules.yaml", "group: nsaids\n")[1]] == ["WKP204"]


@pytest.mark.parametrize(
    ("source", "remedy"),
    [("pathwy: x\ntitle: y\n", "Did you mean 'pathway'?"), ("title: y\n", "Add the key"), ("- a\n", "Add the key")],
)
def test_a_file_of_no_known_sort_is_named_with_the_nearest_key(source, remedy):
    (found,) = check_file("a.yaml", source)[1]
    assert found.code == "WKP204" and found.help.startswith(remedy)


def test_the_invented_patients_are_listed_with_their_files():
    found = list(library.bundles())
    assert found == sorted(found)
    assert all(data and "/" not in patient + name for patient, name, data in found)
    assert {name for _, name, _ in found} >= {"record.bundle.json"}


@pytest.mark.parametrize("name", library.names())
def test_a_question_of_a_fact_can_be_answered_by_yes_or_no(name):
    """A fact is yes or no; a coordinator who reads "Which medicine?" has no line to write the name on."""
    pathway, _ = load(name)
    asks = [rule.ask for rule in pathway.facts if rule.ask]
    assert asks
    asking = re.compile(r"(^|[?.:;,] )((for|of|until) )?(which|what|when|where|how|who|whom|why)\b[^.]*\?", re.I)
    assert [ask for ask in asks if asking.search(ask) or ask.count("?") != 1] == []


@pytest.mark.parametrize("name", library.names())
def test_right_is_a_side_and_nothing_else(name):
    """Common practice, no source: who reads "the right leg" in a plan for a left knee marks the wrong one."""
    pathway, findings = load(name)
    assert "WKP507" not in {f.code for f in findings}
    titles = [item.title for item in pathway.items]
    assert len(titles) > 50
    assert [title for title in titles if re.search(r"\bright\b", title, re.I)] == []
