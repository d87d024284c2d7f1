"""What a gate still lacks, from what is recorded: only evidence and people fulfil a need, never a date."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from waykeeper.gaps.model import Verdict
from waykeeper.gaps.setting import Setting
from waykeeper.plan.gates import lacking
from waykeeper.plan.model import Item, Key

_MET_WORDS: Mapping[str, frozenset[str]] = {
    "visit": frozenset({"attended", "attended-early", "attended-late", "excused"}),
    "task": frozenset({"done", "done-early", "done-late", "excused"}),
    "question": frozenset({"done", "done-early", "done-late", "excused"}),
    "hold": frozenset({"answered", "stopped", "restarted", "excused"}),
    "medicine": frozenset({"answered", "done", "done-early", "done-late", "excused"}),
    "gate": frozenset({"released", "excused"}),
    "restriction": frozenset({"released", "excused"}),
    "goal": frozenset({"met", "excused"}),
    "instruction": frozenset({"printed", "excused"}),
}


def met(key: Key, verdict: Verdict, setting: Setting) -> bool:
    """True if a verdict fulfils a need: a visit by linked evidence, something withdrawn only if we withdrew it."""
    if verdict.word not in _MET_WORDS.get(key.kind, frozenset()):
        return False
    if verdict.word == "excused":
        own = setting.state.items.get(key)
        return own is not None and own.withdrawn_by_us
    return key.kind != "visit" or verdict.certainty == "linked"


def missing(gate: Item, setting: Setting, verdicts: Mapping[Key, Verdict]) -> tuple[str, ...]:
    """Titles of the needs that nothing fulfils yet, in the gate's order; open conflicts shut it too."""
    titles = {i.key: i.title for i in setting.plan.items}
    words = {need: verdict.word for need, verdict in verdicts.items()}
    left = lacking(gate, verdicts.keys(), lambda need: met(need, verdicts[need], setting))
    told = [f"{titles.get(need, str(need))} ({words.get(need, 'not in this plan')})" for need in left]
    told += [f"decision: {title}" for title in setting.state.conflicts]
    return tuple(f"{title} x{count}" if count > 1 else title for title, count in Counter(told).items())
