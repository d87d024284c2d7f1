"""Narrative: the XHTML subset that FHIR allows (txt-1, txt-2; R4 narrative.html)."""

from __future__ import annotations

from functools import lru_cache
from typing import Any
from xml.etree import ElementTree as ET

from waykeeper.validate.run import Place, Run

XHTML = "{http://www.w3.org/1999/xhtml}"

_ELEMENTS_WORDS = (
    "p br div h1 h2 h3 h4 h5 h6 a span b em i strong small big tt dfn q var abbr acronym cite "
    "blockquote hr address bdo kbd sub sup ul ol li dl dt dd pre table caption colgroup col thead tr "
    "tfoot tbody th td code samp img map area del ins"
)
_ELEMENTS = frozenset(_ELEMENTS_WORDS.split())
_EVERYWHERE_WORDS = (
    "title style class id idref lang dir accesskey tabindex span width align valign char charoff abbr "
    "axis headers scope rowspan colspan {http://www.w3.org/XML/1998/namespace}lang "
    "{http://www.w3.org/XML/1998/namespace}space"
)
_EVERYWHERE = frozenset(_EVERYWHERE_WORDS.split())
_SOMEWHERE_WORDS = (
    "a.href a.name a.charset a.type a.hreflang a.rel a.rev a.shape a.coords img.src img.border img.alt "
    "img.longdesc img.height img.width img.usemap img.ismap blockquote.cite q.cite map.name area.shape "
    "area.coords area.href area.nohref area.alt table.summary table.width table.border table.frame "
    "table.rules table.cellspacing table.cellpadding table.bgcolor pre.space td.nowrap th.nowrap "
    "td.bgcolor tr.bgcolor del.cite ins.cite del.datetime ins.datetime ol.start ol.type li.value"
)
_SOMEWHERE = frozenset(_SOMEWHERE_WORDS.split())


def check_narrative(value: Any, here: Place, run: Run) -> None:
    """The `div` must be well-formed XHTML in its namespace, of the allowed elements and attributes."""
    div = value.get("div")
    if not isinstance(div, str) or not div:
        return
    fault = _remembered(div) if len(div) <= SHORT else narrative_fault(div)
    if fault:
        run.add("WKV206", (here, "div"), fault)


def narrative_fault(text: str) -> str | None:
    """What is wrong with the XHTML text of a narrative, or None."""
    if "<!DOCTYPE" in text or "<!ENTITY" in text or "<?" in text.strip()[1:]:
        return "the narrative declares entities or instructions; plain XHTML is allowed"
    try:
        root = ET.fromstring(text)
    except (ET.ParseError, ValueError) as error:
        return f"the narrative is no well-formed XHTML: {error}"
    if root.tag != XHTML + "div":
        return 'the narrative must be a <div xmlns="http://www.w3.org/1999/xhtml">'
    for element in root.iter():
        fault = _element_fault(element)
        if fault:
            return fault
    if not "".join(root.itertext()).strip() and root.find(f".//{XHTML}img") is None:
        return "the narrative has no content"
    return None


SHORT = 4000  # characters of a narrative whose verdict is remembered: many resources have the same, long ones do not
_remembered = lru_cache(maxsize=1024)(narrative_fault)


def _element_fault(element: ET.Element) -> str | None:
    tag: Any = element.tag  # a function where the node is a comment
    if not isinstance(tag, str):
        return None
    name = tag.removeprefix(XHTML)
    if not tag.startswith(XHTML) or name not in _ELEMENTS:
        return f"element <{name}> is not allowed in a narrative"
    for attribute in element.attrib:
        if attribute not in _EVERYWHERE and f"{name}.{attribute}" not in _SOMEWHERE:
            return f"attribute {attribute!r} is not allowed on <{name}> in a narrative"
    return None
