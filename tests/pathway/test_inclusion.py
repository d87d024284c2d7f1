"""What a pathway shares: which file said it, which file changed it, and that nothing of it is lost or hidden."""

import ast
import re
from itertools import product
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from effort import examples
from pathway.frame import COMMON_TASK, pathway, shelf
from waykeeper.pathway import check, check_part, library, load
from waykeeper.pathway.shelf import library_part

PART = f"part: common\nversion: 1.0.0\ntitle: Shared\ntasks:\n  wash: {COMMON_TASK}\n  rinse: {COMMON_TASK}\n"
DEEP = (
    "part: outer\nversion: 1.0.0\ntitle: Shared\ninclude:\n"
    "  - part: common\n    version: 1.0.0\n    replace:\n      wash: {harm: 3}\n"
)


def made(fragment, parts, overlay=""):
    sources = [("own.yaml", pathway(fragment)), *([("overlay.yaml", overlay)] if overlay else [])]
    found, findings = check(sources, parts=shelf(parts))
    assert [f.line() for f in findings] == []
    return found


def test_each_item_says_which_file_said_it_and_which_files_changed_it():
    own = "include:\n  - part: outer\n    version: 1.0.0\n    replace:\n      wash: {title: Wash twice}\n"
    overlay = "overlay: more\ntitle: More\nfor: any\nreplace:\n  wash: {why: The clinic says so}\n"
    items = {i.name: i for i in made(own, {"common": PART, "outer": DEEP}, overlay).items}
    assert str(items["wash"].origin).startswith("parts/common.yaml:5:3")
    assert [place.file for place in items["wash"].changed_at] == ["parts/outer.yaml", "own.yaml", "overlay.yaml"]
    assert (items["wash"].harm, items["wash"].title, items["wash"].why) == (3, "Wash twice", "The clinic says so")
    assert items["wash"].part == "common" and items["wash"].overlays == ("more",)
    assert items["rinse"].changed_at == ()


def test_the_parts_are_named_with_their_versions_innermost_first():
    found = made("include: [{part: outer, version: 1.0.0}]\n", {"common": PART, "outer": DEEP})
    assert [(p.name, p.version, p.file) for p in found.parts] == [
        ("common", "1.0.0", "parts/common.yaml"), ("outer", "1.0.0", "parts/outer.yaml"),
    ]  # fmt: skip


def test_the_digest_covers_the_parts_and_the_overlays_and_no_comment():
    own = "include: [{part: common, version: 1.0.0}]\n"
    first = made(own, {"common": PART}).digest
    assert made("# a comment\n" + own, {"common": "# another\n" + PART}).digest == first
    assert made(own, {"common": PART.replace("harm: 2", "harm: 3", 1)}).digest != first
    assert made(own, {"common": PART}, "overlay: o\ntitle: O\nfor: any\nreplace:\n  wash: {harm: 3}\n").digest != first
    assert made(own, {"common": PART}, "overlay: o\ntitle: O\nfor: any\npolicies: {glp1: ask}\n").digest != first


def test_an_unchanged_item_is_the_same_wherever_it_is_written():
    shared = made("include: [{part: common, version: 1.0.0}]\n", {"common": PART}).items
    own = made(PART[PART.index("tasks:") :], {}).items
    assert [(i.name, i.title, i.by, i.harm, i.source) for i in shared] == [
        (i.name, i.title, i.by, i.harm, i.source) for i in own
    ]


@pytest.mark.parametrize("before", ["wash", "rinse"])
def test_an_own_item_stands_where_it_says(before):
    own = (
        "include: [{part: common, version: 1.0.0}]\n"
        f"tasks:\n  dry: {COMMON_TASK[:-1]}, listed_before: {before}}}\n  last: {COMMON_TASK}\n"
    )
    names = [i.name for i in made(own, {"common": PART}).items]
    assert names.index("dry") + 1 == names.index(before)
    assert names[-1] == "last" and sorted(names) == ["dry", "last", "rinse", "wash"]


@pytest.mark.parametrize("name", library.part_names())
def test_a_part_of_the_library_has_no_finding(name):
    assert [f.line() for f in check_part(*library.read(f"parts/{name}"))] == []


def test_every_part_of_the_library_is_included_by_a_pathway():
    used = {part.name for name in library.names() for part in load(name)[0].parts}
    assert used == set(library.part_names())


@pytest.mark.parametrize(("name", "part"), list(product(library.names(), library.part_names())))
def test_a_part_of_the_library_with_another_version_is_refused_where_it_is_included(name, part):
    """So the version of a pathway covers its parts: none can change under it unseen."""
    text = library.read(f"parts/{part}")[1].decode()
    text = re.sub(r"(?m)^version: .*$", "version: 9.9.9", text, count=1)

    def parts(wanted):
        return (f"pathways/parts/{part}.yaml", text) if wanted == part else library_part(wanted)

    included = {one.name for one in load(name)[0].parts}
    found, findings = check([library.read(name)], parts=parts)
    assert (found is None) == (part in included)
    assert [f.code for f in findings] == (["WKP614"] if part in included else [])


@pytest.mark.parametrize("name", library.names())
def test_what_a_pathway_changes_in_a_number_has_a_source_of_its_own(name):
    """The rule holds in the library: take the sources of all replaced items away, and each number is found."""
    label, text = library.read(name)
    bare = re.sub(r"(?m)^        source: .*\n", "", text.decode())
    numbers = re.findall(
        r"(?m)^        (?:at|by|from|window|valid_for|at_least|target): ", bare[: bare.index("anchors:")]
    )
    found = [f for f in check([(label, bare)])[1] if f.code == "WKP619"]
    assert len(found) <= len(numbers) and bool(found) == bool(numbers)


@settings(max_examples=examples(100), deadline=None)
@given(st.one_of(st.binary(max_size=200), st.text(max_size=200).map(str.encode)))
def test_any_bytes_as_a_part_give_findings_and_no_traceback(content):
    found, findings = check([("own.yaml", pathway("include: [{part: common, version: 1.0.0}]\n"))],
                            parts={"common": ("parts/common.yaml", content)}.get)  # fmt: skip
    assert found is None and findings


LINES = library.read("parts/hospital-stay")[1].decode().splitlines(keepends=True)
HIP = library.read("total-hip-replacement")


@settings(max_examples=examples(15), deadline=None)
@given(st.integers(0, len(LINES) - 1), st.sampled_from(["", "x", "  x: 1\n", "tasks: {}\n", "- y\n"]))
def test_a_damaged_part_gives_findings_at_a_place_and_no_traceback(at, instead):
    damaged = "".join([*LINES[:at], instead, *LINES[at + 1 :]])

    def parts(name):
        return ("parts/hospital-stay.yaml", damaged) if name == "hospital-stay" else library_part(name)

    found, findings = check([HIP], parts=parts)
    assert found is not None or any(f.severity == "error" and f.position.line for f in findings)


JOINTS = re.compile(r"\b(total[-_ ])?(ankle|knee|hip|shoulder|elbow)s?\b", re.IGNORECASE)
# Examples, names of publications, FHIR's own words.
WORDED = ("findings/codes", "medicines/rules", "validate/tables", "gaps/measures.yaml")


def says(file):
    """What a file does: of Python the code without docstrings and comments, which may give an example."""
    text = file.read_text("utf-8")
    if file.suffix != ".py":
        return re.sub(r"(?m)(^|\s)#.*$", "", text)
    tree = ast.parse(text)
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if (
            isinstance(body, list)
            and body
            and isinstance(body[0], ast.Expr)
            and isinstance(body[0].value, ast.Constant)
        ):
            body[0] = ast.Pass()
    return ast.unparse(tree)


def test_no_code_knows_a_procedure():
    """Joints are named in pathways only: code and its tables work for whatever a pathway is about."""
    source = Path(library.__file__).parents[1]
    read = [f for f in sorted(source.rglob("*")) if f.suffix in {".py", ".yaml", ".j2", ".js"}]
    read = [f for f in read if not f.relative_to(source).as_posix().startswith(WORDED)]
    assert len(read) > 150
    assert [f.name for f in read if JOINTS.search(says(f))] == []
