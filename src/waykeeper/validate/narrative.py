"""Narrative: the XHTML subset that FHIR allows (txt-1, txt-2; R4 narrative.html).

Elements and attributes are those of HTML 4.0, chapters 7 to 11 and 15 (but 9.4, `ins` and `del`); what may stand in
what is the content model of HTML 4 (its strict DTD), as far as the official validator holds it too.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache
from typing import Any
from xml.etree import ElementTree as ET

from waykeeper.validate.narrative_nesting import nesting_fault
from waykeeper.validate.primitives import is_base64
from waykeeper.validate.run import Place, Run

XHTML = "{http://www.w3.org/1999/xhtml}"

_ELEMENTS_WORDS = (
    "p br div h1 h2 h3 h4 h5 h6 a span b em i strong small big tt dfn q var abbr acronym cite "
    "blockquote hr address bdo kbd sub sup ul ol li dl dt dd pre table caption colgroup col thead tr "
    "tfoot tbody th td code samp img map area"
)
_ELEMENTS = frozenset(_ELEMENTS_WORDS.split())
_EVERYWHERE_WORDS = (
    "title style class id lang dir accesskey tabindex span width align valign char charoff abbr "
    "axis headers scope rowspan colspan {http://www.w3.org/XML/1998/namespace}lang "
    "{http://www.w3.org/XML/1998/namespace}space"
)
_EVERYWHERE = frozenset(_EVERYWHERE_WORDS.split())
_SOMEWHERE_WORDS = (
    "a.href a.name a.charset a.type a.hreflang a.rel a.rev a.shape a.coords img.src img.border img.alt "
    "img.longdesc img.height img.width img.usemap img.ismap blockquote.cite q.cite map.name area.shape "
    "area.coords area.href area.nohref area.alt table.summary table.width table.border table.frame "
    "table.rules table.cellspacing table.cellpadding table.bgcolor pre.space td.nowrap th.nowrap "
    "td.bgcolor tr.bgcolor ol.start ol.type li.value"
)
_SOMEWHERE = frozenset(_SOMEWHERE_WORDS.split())


_BLANK = " \t\r\n"  # white space of XML: a no-break space is content (txt-2, as the official validator reads it)


def check_narrative(value: Any, here: Place, run: Run) -> None:
    """The `div` is well-formed XHTML in its namespace, of what is allowed, and its internal links lead somewhere."""
    div = value.get("div")
    if not isinstance(div, str) or not div:
        return
    fault, links = _remembered(div) if len(div) <= SHORT else _read(div)
    lost = [] if fault else [name for name in links if name not in run.anchors()]
    if fault or lost:
        run.add("WKV206", (here, "div"), fault or f"link '#{lost[0]}' of the narrative leads to nothing that is there")


def _read(text: str) -> tuple[str | None, tuple[str, ...]]:
    """What is wrong by itself, and the ids that its internal links name."""
    if "<!DOCTYPE" in text or "<!ENTITY" in text or "<?" in text.strip()[1:]:
        return "the narrative declares entities or instructions; plain XHTML is allowed", ()
    try:
        root = ET.fromstring(text)
    except (ET.ParseError, ValueError) as error:
        named = " (XML has no entity such as &nbsp;: write &#160;)" if "undefined entity" in str(error) else ""
        return f"the narrative is no well-formed XHTML: {error}{named}", ()
    fault = _fault(root)
    return fault, () if fault else tuple(url[1:] for _, url in _targets(root) if url[:1] == "#" and url != "#")


def _fault(root: ET.Element) -> str | None:
    if root.tag != XHTML + "div":
        return 'the narrative must be a <div xmlns="http://www.w3.org/1999/xhtml">'
    for element in root.iter():
        fault = _element_fault(element)
        if fault:
            return fault
    if not "".join(root.itertext()).strip(_BLANK) and root.find(f".//{XHTML}img") is None:
        return "the narrative has no content"
    return nesting_fault(root) or next((f for name, url in _targets(root) if (f := _url_fault(name, url))), None)


SHORT = 4000  # characters of a narrative whose verdict is remembered: many resources have the same, long ones do not
_remembered = lru_cache(maxsize=1024)(_read)


def _targets(root: ET.Element) -> Iterator[tuple[str, str]]:
    """Where links and images lead: (`a` or `img`, url)."""
    for name, attribute in (("a", "href"), ("img", "src")):
        for element in root.iter(XHTML + name):
            if attribute in element.attrib:
                yield name, element.attrib[attribute]


# "The XHTML content SHALL NOT contain ... scripts" (R4 narrative.html): a link may hold one in its url. Schemes have
# no case (RFC 3986, section 3.1).
_SCRIPT = re.compile(r"\s*(?:javascript|vbscript):", re.IGNORECASE).match
_NO_PAGE = re.compile(r"urn:|cid:").match  # names (RFC 8141) and parts of mails (RFC 2392), which nothing opens
_DATA = re.compile(r"data:[^,]*;base64,(.*)", re.DOTALL).fullmatch  # RFC 2397


def _url_fault(name: str, url: str) -> str | None:
    if name == "a" and _SCRIPT(url):
        return "a link of the narrative is a script"
    if not url.startswith("data:") and any(letter.isspace() for letter in url):
        return f"url {url[:80]!r} in the narrative has white space in it"  # RFC 3986 has none
    if name == "a" and _NO_PAGE(url):
        return f"link {url[:80]!r} of the narrative names something, and leads nowhere"
    data = _DATA(url)
    if data and not is_base64(data[1]):
        return "data of an image or link in the narrative is no base64"
    return None


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
