"""Which rows of a plan belong together: a gate with what it lacks, a restriction with the gate that ends it, a question
with what may not apply, the medicines that the list has as ended.

Nothing is left out and no word changes by it: whoever reads the list finds in one place what one call settles.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

from waykeeper.gaps.gates import left_of
from waykeeper.gaps.medicines import asks_nothing
from waykeeper.gaps.model import Verdict
from waykeeper.gaps.setting import Setting
from waykeeper.plan.model import Key


def together(on: Setting, words: Mapping[Key, Verdict]) -> dict[Key, str]:
    """The gaps of a plan that belong with others, each with the name of its group; what stands alone is not in it.

    A group is named by the item of it that the plan has first.
    """
    joined: dict[Key, list[Key]] = {}
    for one, other in _pairs(on, words):
        joined.setdefault(one, []).append(other)
        joined.setdefault(other, []).append(one)
    found: dict[Key, str] = {}
    if not joined:
        return found
    for item in on.plan.items:
        waiting = [item.key] if item.key in joined and item.key not in found and words[item.key].gap else []
        group: dict[Key, None] = {}
        while waiting:
            key = waiting.pop()
            if key not in group:
                group[key] = None
                waiting += joined[key]
        gaps = [key for key in group if words[key].gap]
        if gaps[1:]:
            found |= dict.fromkeys(gaps, str(item.key))
    return found


def _pairs(on: Setting, words: Mapping[Key, Verdict]) -> Iterator[tuple[Key, Key]]:
    """What waits, with what it waits for. A visit that is no gap (kept, but only recognised) may join two gates."""
    ended = [i.key for i in on.plan.items if asks_nothing(i) and words[i.key].gap]
    yield from pairwise(ended)
    for item in on.plan.items:
        said = words[item.key]
        if item.key.kind == "gate" and said.word == "shut":
            yield from ((item.key, need) for need in left_of(item, on, words) if need in words)
        elif said.word == "release-due" and (ends := item.ending_gate) is not None and ends in words:
            yield item.key, ends
        elif item.fact and said.gap:
            yield from ((item.key, other) for other in item.asks_for if other in words and words[other].gap)
