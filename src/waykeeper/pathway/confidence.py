"""How sure a source makes a figure, in the words that a reviewer reads. What a grade means: README.md of pathways/."""

from __future__ import annotations

from waykeeper.pathway.model import PathwayItem, Source

# Words inside a citation that say that the publication itself was not open, or speaks of another joint.
TO_CONFIRM = ("from memory", "restated in", "by analogy", "not open")
OF_THE_CLINIC = ("clinic setting", "common practice")  # inside a citation: some number of the item is not published
BY_GRADE = {
    "guideline": "high: published",
    "regulation": "high: published",
    "study": "high: published",
    "label": "high: published",
    "clinic setting": "the clinic decides",
    "common practice": "low: common practice, no publication",
}


def confidence(source: Source) -> str:
    """`high: published`, `medium: ...` and what is left to do, `low: ...`, or `the clinic decides`."""
    found = BY_GRADE.get(source.grade, "low: " + source.grade)
    if found.startswith("high"):
        left = ["confirm against the publication"] if any(words in source.cite for words in TO_CONFIRM) else []
        left += ["published in part, the clinic decides the rest"] if _partly(source) else []
        return f"medium: {'; '.join(left)}" if left else found
    return found


def confidence_of(item: PathwayItem) -> str:
    """The confidence of an item. The source of a pathway does not speak for a number that an overlay put there."""
    return "the clinic decides: an overlay changed the number" if item.unsourced else confidence(item.source)


def _partly(source: Source) -> bool:
    return any(words in source.cite for words in OF_THE_CLINIC)
