"""Is the answer to a search all there? Pages of a searchset Bundle and the links between them.

FHIR R4, RESTful API 3.1.1.5 (paging) and Bundle.link, Bundle.total, Bundle.entry.search.mode.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple


class Page(NamedTuple):
    """One Bundle of search results.

    own      its own address, "" where it has none
    next     the address of the page that follows, "" for the last one
    total    how many matches the whole search has, None where it is not said
    matches  how many of them are here
    marked   each entry says whether it is a match, so that what was included beside them is not counted
    """

    own: str
    next: str
    total: int | None
    matches: int
    marked: bool


def pages_of(document: Any) -> Iterator[Page]:
    """The pages of a document, those inside of other Bundles too (the answer to a batch of searches)."""
    if isinstance(document, list):
        for part in document:
            yield from pages_of(part)
    if not isinstance(document, dict) or document.get("resourceType") != "Bundle":
        return
    entries = [entry for entry in document.get("entry") or () if isinstance(entry, dict)]
    if document.get("type") == "searchset":
        modes = [(entry.get("search") or {}).get("mode") for entry in entries]
        links = {str(link.get("relation")): str(link.get("url") or "") for link in document.get("link") or ()}
        total = document.get("total")
        yield Page(
            links.get("self", ""), links.get("next", ""), total if isinstance(total, int) else None,
            sum(mode not in ("include", "outcome") for mode in modes), None not in modes,
        )  # fmt: skip
    for entry in entries:
        yield from pages_of(entry.get("resource"))


def missing(pages: Sequence[Page]) -> list[str]:
    """What is said to be missing, one sentence for each search; nothing where every page is there."""
    here = {page.own for page in pages if page.own}
    matches: Counter[int] = Counter()
    for page in pages:
        matches[page.total if page.total is not None else -1] += page.matches
    followed = {page.next for page in pages if page.next}
    found = []
    for page in pages:
        held = matches[page.total] if page.total is not None else 0
        enough = page.total is not None and (held == page.total or (held > page.total and page.marked))
        alone = not page.next and page.own not in followed
        if enough or (not alone and (not page.next or page.next in here)):
            continue
        if page.total is not None and held < page.total:
            found.append(f"a search found {page.total} and {held} of them are here")
        elif page.next:
            found.append("a search has more pages (link of relation next) than are here")
    return list(dict.fromkeys(found))
