"""What people read: sources, patient words in each language, their reading level, no dates in prose; and FHIRPath."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from waykeeper.findings import Finding, finding
from waykeeper.pathway.build import Draft, Drafted
from waykeeper.pathway.expressions import check_expression
from waykeeper.pathway.reader import Node
from waykeeper.pathway.reading import grade
from waykeeper.pathway.strict import Fields

READING: Mapping[str, int] = {"en": 6, "es": 6}  # school grade where the file does not say; common practice, no source
_OWN_WORDS = {"visit", "task", "instruction", "restriction"}  # what a patient does, and so must read
_CITED = {"guideline", "regulation", "study", "label"}

_MONTHS = (
    "January|February|March|April|May|June|July|August|September|October|November|December|"
    "Jan|Feb|Mar|Apr|Jun|Jul|Aug|Sept?|Oct|Nov|Dec"
)
_MESES = "enero|febrero|marzo|abril|mayo|junio|julio|agosto|septiembre|octubre|noviembre|diciembre"
_DATE = re.compile(
    r"\b\d{4}-\d{2}(?:-\d{2})?\b"
    r"|\b\d{1,2}[/.]\d{1,2}[/.](?:\d{4}|\d{2})\b"
    r"|\b(?:0?[1-9]|1[0-2])/(?:1[3-9]|2\d|3[01])\b"
    rf"|\b(?:{_MONTHS})\.? \d{{1,4}}(?:st|nd|rd|th)?\b"
    rf"|\b\d{{1,2}}(?:st|nd|rd|th)? (?:of )?(?:{_MONTHS})\b"
    rf"|\b\d{{1,2}} de (?i:{_MESES})\b"
)
# A pathway is for both sides, so that no title needs the word: "right" for correct is read as the side.
_RIGHT = re.compile(r"\bright\b", re.IGNORECASE)


def check(draft: Draft, found: list[Finding]) -> None:
    """Every text of the pathway that somebody reads."""
    levels = {**READING, **draft.reading}
    for one in draft.items:
        _source(one, found)
        _own_words(one, found)
    for name, fields in _worded(draft):
        _translations(name, fields, levels, found)
        for language, node in _words(fields):
            _level(language, node, levels, found)
    for node in _prose(draft):
        _dates(node, found)
    for one in draft.items:
        _sides(one, found)
    for _, fields in draft.facts:
        for key in ("yes", "no"):
            if key in fields.values:
                check_expression(fields.nodes[key], found)


def _source(one: Drafted, found: list[Finding]) -> None:
    fields = one.fields
    if "source" not in fields.nodes:
        details = f"{one.item.kind} {one.item.name!r} has no source"
        found.append(finding("WKP501", details, one.key.position))
    elif one.item.source.grade in _CITED and not one.item.source.cite:
        details = f"the source of {one.item.kind} {one.item.name!r} is a {one.item.source.grade} without a citation"
        found.append(finding("WKP506", details, fields.at("source")))


def _translations(name: str, fields: Fields, levels: Mapping[str, int], found: list[Finding]) -> None:
    has = fields.map("words")
    missing = [language for language in levels if language not in has]
    if has and missing:
        details = f"words of {name} are missing in {', '.join(missing)}"
        found.append(finding("WKP503", details, fields.at("words")))


def _own_words(one: Drafted, found: list[Finding]) -> None:
    mine = one.item.who == "patient" or one.item.kind == "visit"
    if mine and one.item.kind in _OWN_WORDS and "words" not in one.fields.nodes:
        details = f"the patient has no words to read for {one.item.kind} {one.item.name!r}"
        found.append(finding("WKP505", details, one.key.position))


def _worded(draft: Draft) -> Iterator[tuple[str, Fields]]:
    yield "the pathway", draft.root
    yield from ((f"phase {phase.name!r}", fields) for phase, fields in draft.phases)
    yield from ((f"{one.item.kind} {one.item.name!r}", one.fields) for one in draft.items)


def _words(fields: Fields) -> Iterator[tuple[str, Node]]:
    node = fields.nodes.get("words")
    for language, text in node.entries if node is not None else ():
        if language.text in fields.map("words"):
            yield language.text, text


def _level(language: str, node: Node, levels: Mapping[str, int], found: list[Finding]) -> None:
    """A text of grade 6.9 is still of the sixth grade."""
    measured = grade(node.text, language)
    allowed = levels.get(language)
    if measured is None or allowed is None or measured[1] < allowed + 1:
        return
    formula, level = measured
    details = f"these {language} words ask for school grade {level:g} ({formula}), at most grade {allowed} is allowed"
    found.append(finding("WKP502", details, node.position))


def _prose(draft: Draft) -> Iterator[Node]:
    """Every node that ends as a sentence somewhere."""
    records = [*(fields for _, fields in _worded(draft)), *(fields for _, fields in draft.facts)]
    for fields in records:
        for key in ("title", "description", "why", "ask", "measure"):
            if key in fields.values:
                yield fields.nodes[key]
        yield from (text for _, text in _words(fields))


def _dates(node: Node, found: list[Finding]) -> None:
    match = _DATE.search(node.text)
    if match:
        details = f"the date {match.group()!r} stands in a text"
        found.append(finding("WKP504", details, node.inside(match.start())))


def _sides(one: Drafted, found: list[Finding]) -> None:
    match = _RIGHT.search(one.item.title)
    if match:
        details = f"the title of {one.item.kind} {one.item.name!r} says {match.group()!r}, which is read as a side"
        found.append(finding("WKP507", details, one.fields.at("title")))
