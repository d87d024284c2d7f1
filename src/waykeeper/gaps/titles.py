"""What an item is called in the list: no order and no fact while nobody has answered, and which one of several."""

from __future__ import annotations

import re
from datetime import date

from waykeeper.counting import counted
from waykeeper.gaps.model import Verdict
from waykeeper.gaps.setting import Setting, since_word
from waykeeper.gaps.words import sentence
from waykeeper.medicines import settles
from waykeeper.plan.model import Item

_COUNTED = re.compile(r"(day|week)-([1-9]\d*)")
_DAYS = {"day": 1, "week": 7}
_ASKED = {"hold": "pause", "continue": "continue", "adjust": "adjust", "time": "take at its usual time"}
_OPEN = frozenset({
    "unanswered", "never-answered", "not-yet-due", "undated", "due", "overdue", "failed", "needs-review",
})  # fmt: skip


def title(item: Item, said: Verdict, on: Setting) -> str:
    """The title of a row. The plan's own title stays in the plan and its resources."""
    own = on.of(item)
    hold = item.hold
    answered = settles(own.answer or (hold.answered if hold is not None else None))
    if hold is not None and hold.recognised and not answered and said.word in _OPEN and hold.decision in _ASKED:
        name = hold.words or ", ".join(hold.ingredients)
        name = name[:1].upper() + name[1:]
        form = "never" if said.word == "never-answered" else "unanswered"
        return sentence("titles", form, {"name": name, "verb": _ASKED[hold.decision]}) if name else item.title
    called = item.title
    if item.key.occurrence:
        called = _which(called, item.key.occurrence, item.dates.last_day, on.surgery)
    if said.word in ("excused", "done"):
        return called
    hangs = on.hangs.get(item.key, ())
    if any(fact not in on.since for fact in item.undecided):
        return sentence("titles", "undecided", {"title": called})
    if hangs:
        return sentence("titles", since_word(hangs), {"title": called})
    return called


def _which(called: str, occurrence: str, due: date | None, surgery: date | None) -> str:
    """Which of several: counted back from surgery only where the day really is that far before it."""
    found = _COUNTED.fullmatch(occurrence)
    if found is not None and due is not None and surgery is not None:
        unit, count = found[1], int(found[2])
        if (surgery - due).days == count * _DAYS[unit]:
            some = counted(count, unit)
            return sentence("titles", "before", {"title": called, "some": some})
        if due < surgery:  # on an earlier open day; "day 1" alone would be read as the first day after surgery
            return sentence("titles", "planned_before", {"title": called, "some": counted(count, unit)})
    return sentence("titles", "which", {"title": called, "which": occurrence.replace("-", " ")})
