"""What may stand in what in a narrative: the content models of HTML 4 (strict DTD, chapters 7, 9, 10, 11, 13)."""

from __future__ import annotations

from typing import Any
from xml.etree import ElementTree as ET

_NO_NAMES: frozenset[str] = frozenset()
_TABLE_PARTS = "caption col colgroup thead tfoot tbody tr"

# Elements that hold these only, and no text between them (11.2, 10.2, 10.3).
_ONLY = {
    name: frozenset(children.split())
    for names, children in (
        ("table", _TABLE_PARTS),
        ("thead tfoot tbody", "tr"),
        ("tr", "th td"),
        ("colgroup", "col"),
        ("ul ol", "li"),
        ("dl", "dt dd"),
        ("br hr img col area", ""),  # declared EMPTY
    )
    for name in names.split()
}
# Elements that stand in these only.
_IN = {
    name: frozenset(parents.split())
    for names, parents in (
        ("caption colgroup thead tfoot tbody", "table"),
        ("col", "table colgroup"),
        ("tr", "table thead tfoot tbody"),
        ("th td", "tr"),
        ("li", "ul ol"),
        ("dt dd", "dl"),
    )
    for name in names.split()
}
# Elements of text (%inline;): paragraphs, headings and all that marks a piece of text. Of the blocks that HTML 4 keeps
# out of them, those that the official validator refuses.
_TEXT_WORDS = (
    "p h1 h2 h3 h4 h5 h6 pre address dt caption a b em i strong small big sub sup code tt dfn q var abbr acronym cite "
    "bdo kbd samp span"
)
_TEXT = frozenset(_TEXT_WORDS.split())
_BLOCKS = frozenset({"div", "pre", "table", "ul", "ol"})
_NOT_IN_P = _BLOCKS | {"p", "blockquote"}


def nesting_fault(root: ET.Element) -> str | None:
    """The first element that may not stand where it stands, or None; `root` is a `div` of known elements."""
    todo: list[tuple[ET.Element, frozenset[str]]] = [(root, _NO_NAMES)]
    while todo:
        element, kept_out = todo.pop()
        name = _name(element)
        below = kept_out | _kept_out(name)
        fault = _text_fault(element, name)
        for child in element:
            if fault:
                return fault
            fault = _child_fault(_name(child), name, below)
            todo.append((child, below))
        if fault:
            return fault
    return None


def _name(element: ET.Element) -> str:
    tag: Any = element.tag  # a function where the node is a comment
    return tag.rpartition("}")[2] if isinstance(tag, str) else ""


def _kept_out(name: str) -> frozenset[str]:
    """What may not stand anywhere below an element."""
    if name == "p":
        return _NOT_IN_P
    return (_BLOCKS | {"a"} if name == "a" else _BLOCKS) if name in _TEXT else _NO_NAMES


def _child_fault(child: str, parent: str, kept_out: frozenset[str]) -> str | None:
    only = _ONLY.get(parent)
    if only is not None and child and child not in only:
        return f"<{child}> may not stand in <{parent}>"
    if child in _IN and parent not in _IN[child]:
        return f"<{child}> may not stand in <{parent}>; allowed: in {', '.join(sorted(_IN[child]))}"
    return f"<{child}> may not stand in text such as <{parent}>" if child in kept_out else None


def _text_fault(element: ET.Element, name: str) -> str | None:
    if name not in _ONLY:
        return None
    texts = (element.text, *(child.tail for child in element))
    said = any(text and text.strip(" \t\r\n") for text in texts)
    return f"text may not stand in <{name}> itself" if said else None
