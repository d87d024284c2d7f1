"""How sure a source makes a figure, in the words that a reviewer reads. What a grade means: README.md of pathways/."""

from __future__ import annotations

from waykeeper.pathway.model import Source

# Words inside a citation that say that the publication itself was not open, or speaks of another joint.
TO_CONFIRM = ("from memory", "restated in", "by analogy", "not open")
BY_GRADE = {
    "guideline": "high: published",
    "regulation": "high: published",
    "study": "high: published",
    "label": "high: published",
    "clinic setting": "the clinic decides",
    "common practice": "low: common practice, no publication",
}


def confidence(source: Source) -> str:
    """`high: published`, `medium: confirm against the publication`, `low: ...` or `the clinic decides`."""
    found = BY_GRADE.get(source.grade, "low: " + source.grade)
    if found.startswith("high") and any(words in source.cite for words in TO_CONFIRM):
        return "medium: confirm against the publication"
    return found
