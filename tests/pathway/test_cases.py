"""Case files: small inputs with a mark before each faulty word, and what `check` says there, in order."""

from pathlib import Path

import pytest

from pathway.frame import clinic, pathway, shelf
from waykeeper.pathway import check, check_overlay, read_clinic, read_yaml
from yaml_text import typed

MARK = "§"
COMMON = "title: Wash, why: Clean skin, harm: 2, source: {grade: common practice}"
FRAMES = {"pathway": pathway, "clinic": clinic}
FOLDER = Path(__file__).parents[1] / "cases" / "pathway"


def _cases():
    for file in sorted(FOLDER.glob("*.yaml")):
        for case in typed(file.read_text("utf-8")):
            yield pytest.param(case, id=f"{file.stem}: {case['name']}")


def _marked(text, name):
    """The text without its marks, and the places where they stood."""
    places = []
    while MARK in text:
        before, _, after = text.partition(MARK)
        lines = before.split("\n")
        places.append(f"{name}:{len(lines)}:{len(lines[-1]) + 1}")
        text = before + after
    return text, places


@pytest.mark.parametrize("case", list(_cases()))
def test_case(case):
    texts, places = {}, []
    for sort in ("pathway", "whole", "overlay", "second", "clinic", "yaml"):
        if sort not in case:
            continue
        text = FRAMES.get(sort, str)(case[sort])
        texts[sort], found = _marked(text.replace("$common", COMMON), sort)
        places += found
    parts = {}
    for name, text in case.get("parts", {}).items():
        parts[name], found = _marked(text.replace("$common", COMMON), f"parts/{name}.yaml")
        places += found
    findings = _run(texts, case, shelf(parts))
    wanted = list(zip(places, case["expect"], strict=True))
    said = sorted((str(f.position), f.code) for f in findings)
    expected = sorted((place, line.split()[0]) for place, line in wanted)
    assert said == expected, "\n".join(f.line() for f in findings)
    for place, line in wanted:
        sentences = [f.sentence() for f in findings if str(f.position) == place]
        assert any(line.partition(" ")[2] in sentence for sentence in sentences), sentences


def _run(texts, case, parts):
    policies = ("glp1: ask", "glp1: hold")
    if "yaml" in texts:
        return read_yaml(texts["yaml"], "yaml")[1]
    if "pathway" in texts or "whole" in texts:
        sources = [(name, texts[name]) for name in ("pathway", "whole", "overlay", "second") if name in texts]
        return check(sources, case.get("rules"), policies, parts=parts)[1]
    if "overlay" in texts:
        return check_overlay("overlay", texts["overlay"], policies)[1]
    return read_clinic("clinic", texts["clinic"], policies)[1]
