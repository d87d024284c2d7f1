"""What a gate still lacks, from what is recorded: only evidence and people fulfil a need, never a date."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from datetime import date

from waykeeper.gaps.model import Verdict
from waykeeper.gaps.other_medicine import other_medicine
from waykeeper.gaps.setting import Setting, asked
from waykeeper.gaps.words import sentence, table
from waykeeper.medicines import unclear
from waykeeper.plan.gates import lacking, need_met
from waykeeper.plan.model import MEDICINES, Item, Key

_MET_WORDS: Mapping[str, frozenset[str]] = {
    "visit": frozenset({"attended", "attended-early", "attended-late", "excused"}),
    "task": frozenset({"done", "done-early", "done-late", "excused"}),
    "question": frozenset({"done", "done-early", "done-late", "excused"}),
    "gate": frozenset({"released", "excused"}),
    "restriction": frozenset({"released", "excused"}),
    "goal": frozenset({"met", "excused"}),
    "instruction": frozenset({"printed", "excused"}),
}

_BY_A_DAY = frozenset({"task", "gate", "visit"})  # what can be too late; a question or a medicine still wants an answer


def met(key: Key, item: Item | None, verdict: Verdict, setting: Setting) -> bool:
    """True if a verdict fulfils a need: a visit by linked evidence, something withdrawn only if we withdrew it.

    A medicine's word changes with the day, also where its answer stands: there what is recorded counts, as for the plan
    on the server, unless the answer needs a review.
    """
    if key.kind in MEDICINES:
        return verdict.word != "needs-review" and _answered(key, item, setting)
    if verdict.word not in _MET_WORDS.get(key.kind, frozenset()):
        return False
    if verdict.word == "excused":
        own = setting.state.items.get(key)
        return own is not None and own.withdrawn_by_us
    return key.kind != "visit" or verdict.certainty == "linked"


def _answered(key: Key, item: Item | None, setting: Setting) -> bool:
    own = setting.state.items.get(key)
    compiled = item.hold.answered if item is not None and item.hold is not None else None
    if own is not None and own.answer is None and compiled is not None:
        own = replace(own, answer=compiled)
    return need_met(key, own, (), item=item, today=setting.as_of, surgery=setting.surgery)


def missing(gate: Item, setting: Setting, verdicts: Mapping[Key, Verdict], due: date | None) -> str:
    """The needs that nothing fulfils yet, by their state, in the gate's order, in whole sentences; "" for none.

    Open conflicts shut a gate too, and an answer that may ask again for what an earlier one left out.

    due     the gate's own day
    """
    items, past = setting.items, setting.of_before(due)
    left = left_of(gate, setting, verdicts)
    states = [_state(need, items.get(need), verdicts.get(need), setting, past) for need in left]
    states += [(sentence("missing", "change", {}), title) for title in setting.state.conflicts]
    # what an answer of before left out is in no need: nobody may approve before the plan knows the answer that stands
    states += [(sentence("missing", "answer", {}), asked(s.question.title)) for s in setting.since.values() if s.away]
    groups: dict[str, Counter[str]] = {}
    for state, title in states:
        groups.setdefault(state, Counter())[title] += 1
    said = [f"{state[0].upper()}{state[1:]}: {_titles(titles)}" for state, titles in groups.items()]
    return " ".join(line if line.endswith("?") else f"{line}." for line in said)


def left_of(gate: Item, setting: Setting, verdicts: Mapping[Key, Verdict]) -> tuple[Key, ...]:
    """The needs that nothing fulfils yet, in the gate's order."""
    return lacking(gate, verdicts.keys(), lambda need: met(need, setting.items.get(need), verdicts[need], setting))


def booked_for(gate: Item, setting: Setting, verdicts: Mapping[Key, Verdict]) -> date | None:
    """The day of the booked visit that a gate of after surgery waits for, where it waits for nothing else; else None.

    Booked inside its window and its day not over: nobody can do more for the gate before that day. Once the day is over
    without an outcome the visit is no longer `booked`, and the gate is shut. A gate before surgery never waits so: what
    is missing there is found while the date can still be moved.
    """
    due = gate.dates.last_day
    if due is None or setting.surgery is None or due <= setting.surgery:
        return None
    if setting.state.conflicts or any(since.away for since in setting.since.values()):
        return None
    days = [_day_of(need, setting, verdicts) for need in left_of(gate, setting, verdicts)]
    known = [day for day in days if day is not None]
    return max(known) if known and len(known) == len(days) else None


def _day_of(need: Key, setting: Setting, verdicts: Mapping[Key, Verdict]) -> date | None:
    """The day of a need that is a booked visit, or a gate that itself waits for one."""
    said = verdicts.get(need)
    if need.kind == "visit" and said is not None and said.word == "booked":
        return said.day
    if need.kind == "gate" and said is not None and said.word == "not-yet-due":
        return booked_for(setting.items[need], setting, verdicts)
    return None


def _titles(titles: Counter[str]) -> str:
    several = [(title, {"title": title, "count": count}) for title, count in titles.items()]
    return "; ".join(sentence("missing", "several", about) if about["count"] != 1 else t for t, about in several)


def _title(item: Item) -> str:
    """What a need is called: a medicine by its name only, for what happens with it is what nobody has decided."""
    return asked(item.hold.words or item.title if item.hold is not None else item.title)


def _doubt(item: Item, setting: Setting) -> str:
    """Why an answer does not fulfil a need: it does not say what was decided, or was given for another medicine."""
    answer = setting.of(item).answer or (item.hold.answered if item.hold else None)
    if answer is not None:
        return "unclear" if unclear(answer) else ""
    return "other_medicine" if other_medicine(item, setting) else ""


def _state(need: Key, item: Item | None, verdict: Verdict | None, setting: Setting, past: bool) -> tuple[str, str]:
    """State and title of a need; `past` is the gate's own."""
    title = _title(item) if item is not None else str(need)
    if item is None or verdict is None:
        return sentence("missing", "absent", {}), title
    if verdict.word == "excused":
        return sentence("missing", "put_away", {}), title
    if need.kind == "visit" and verdict.word in _MET_WORDS["visit"]:
        return sentence("missing", "recognised", {}), title
    if need.kind in _BY_A_DAY and setting.of_before(verdict.mend_by):
        return sentence("missing", "past_gate" if past else "past", {}), title
    if need.kind in MEDICINES and verdict.word == "needs-review" and (doubt := _doubt(item, setting)):
        return sentence("missing", doubt, {}), title
    decides = item.released_by or item.who or "coordinator"
    state = str(table()["missing_states"][need.kind][verdict.word])
    return state.format(actor=table()["actors"].get(decides, decides)), title
