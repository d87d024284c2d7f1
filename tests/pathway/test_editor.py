"""The JSON Schema says of keys and types what the reader says."""

import jsonschema as validator
import pytest

from pathway.frame import clinic, pathway
from waykeeper.pathway import jsonschema, library, read_yaml

ITEM = "title: Wash, who: surgeon, why: Clean skin, harm: 2, source: {grade: common practice}"
GOOD = {
    "pathway": pathway(f"tasks:\n  wash: {{{ITEM}, by: 1 day before surgery}}\nholds: {{rules: [nsaids]}}\n"),
    "overlay": "overlay: extra\ntitle: One more\nfor: any\n"
    "replace: {wash: {harm: 3}}\nremove: [fact mrsa_ever, dry.at]\n",
    "clinic": clinic({"settings": "{grace: 7 days, contact_attempts: 3, recognised_closes: true}"}),
}
BAD = {
    "unknown key": ("pathway", "harm: 2", "hram: 2"),
    "missing key": ("pathway", "who: surgeon, ", ""),
    "number too large": ("pathway", "harm: 2", "harm: 4"),
    "wrong kind of item": ("pathway", "tasks:", "task:"),
    "a text for a list": ("pathway", "[nsaids]", "nsaids"),
    "name with capitals": ("pathway", "wash:", "Wash:"),
    "version": ("pathway", "1.0.0", "v1"),
    "grade": ("pathway", "common practice", "good practice"),
    "remove": ("overlay", "dry.at", "dry at"),
    "settings": ("clinic", "7 days", "1 week"),
    "truth value": ("clinic", "closes: true", "closes: maybe"),
    "hours": ("clinic", "08:00 to 16:30", "8 to 16"),
    "weekday": ("clinic", "monday", "munday"),
    "no sort of file": ("overlay", "overlay: extra", "overlays: extra"),
}


def typed(node):
    """The tree as a YAML 1.2 editor reads it: plain true, false and whole numbers have their types."""
    if node.kind == "map":
        return {key.text: typed(value) for key, value in node.entries}
    if node.kind == "list":
        return [typed(item) for item in node.items]
    if not node.quoted and node.text in {"true", "false"}:
        return node.text == "true"
    return int(node.text) if not node.quoted and node.text.isdigit() else node.text


def errors(text, file=""):
    root, _ = read_yaml(text)
    return list(validator.Draft202012Validator(jsonschema(file)).iter_errors(typed(root)))


@pytest.mark.parametrize("file", ["", "pathway", "overlay", "clinic"])
def test_it_is_a_schema(file):
    validator.Draft202012Validator.check_schema(jsonschema(file))


@pytest.mark.parametrize("file", GOOD)
def test_good_files_pass(file):
    assert errors(GOOD[file]) == []
    assert errors(GOOD[file], file) == []


@pytest.mark.parametrize(("file", "old", "new"), BAD.values(), ids=BAD)
def test_bad_files_are_refused(file, old, new):
    assert old in GOOD[file]
    assert errors(GOOD[file].replace(old, new, 1))


@pytest.mark.parametrize("name", [*library.names(), *library.clinic_names()])
def test_the_library_passes(name):
    assert errors(library.read(name)[1]) == []


@pytest.mark.parametrize("name", library.part_names())
def test_the_parts_of_the_library_pass(name):
    assert errors(library.read(f"parts/{name}")[1], "part") == []


@pytest.mark.parametrize("name", library.overlay_names())
def test_the_overlays_of_the_library_pass(name):
    assert errors(library.read(f"overlays/{name}")[1], "overlay") == []
