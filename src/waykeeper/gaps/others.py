"""Verdicts of everything that is neither a visit nor a medicine: the first word of its kind that holds."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from functools import lru_cache

from waykeeper.counting import counted
from waykeeper.gaps.answered import by_command
from waykeeper.gaps.gates import booked_for, missing
from waykeeper.gaps.model import Verdict
from waykeeper.gaps.setting import Setting, ended_for, spoken, told_of
from waykeeper.gaps.stay import after_stay, home_since, is_after_discharge
from waykeeper.gaps.words import Filling, acts, after, phrases, sentence
from waykeeper.plan.model import NOT_DONE, Item, ItemState, Key
from waykeeper.plan.validity import still_released

ACHIEVED = ("achieved", "sustaining")  # of FHIR R4's value set goal-achievement; the others say that it was not met
_SATURDAY = 5
_A_MONTH, _GRAVEST = 30, 3
_ANSWERED = ("done", "done-early", "done-late")
_IN_DOUBT = {"contradicted": "needs-review-contradicted", "unclear": "needs-review-no-answer"}  # how a question stands

Attended = Mapping[Key, Verdict]


@lru_cache(maxsize=4096)
def weekdays_before(day: date, count: int) -> date:
    """The day `count` weekdays earlier; only where a plan has no `due_from`, which counts the holidays too."""
    while count:
        day -= timedelta(days=1)
        count -= day.weekday() < _SATURDAY
    return day


def start_day(item: Item) -> date | None:
    """The first day of an item's span, where it has one."""
    return item.dates.window.start.day if item.dates.window else None


def _due_from(item: Item, due: date | None) -> date | None:
    """The first day on which a task is `due`: as compile wrote it, else its start, else 3 weekdays before."""
    if item.dates.due_from is not None or due is None:
        return item.dates.due_from
    start = start_day(item)
    return start if start is not None and start < due else weekdays_before(due, 3)


def filling_of(item: Item, own: ItemState, setting: Setting, due: date | None = None) -> Filling:
    """The named dates and texts that sentences of every kind may use. `due` where the item's dates do not say."""
    due = due or item.dates.last_day
    due_from = _due_from(item, due)
    return Filling({
        "due": due, "after_due": after(due), "due_from": due_from, "from": start_day(item) or due,
        "unproven": sentence("actions", "unproven", {}) if setting.unproven else "",
        "valid_from": item.dates.valid_from, "done_on": own.done_on, "surgery": setting.surgery,
        "earliest": item.dates.earliest, "after_earliest": after(item.dates.earliest),
        "days_over": counted((setting.as_of - due).days if due else 0, "day"),
        "awaited": item.dates.awaited or "its day",
        "ended": ended_for(setting, own), "status": own.status or "not done",
        "because": f" ({own.reason})" if own.reason else "", "by_whom": f" by {own.by}" if own.by else "",
        "until": f"; {_release(item, setting)} ends it" if item.until else "",
    } | phrases(item.who or "coordinator"))  # fmt: skip


def _release(item: Item, setting: Setting) -> str:
    """The release that ends a restriction, by the title of its gate."""
    gate = item.ending_gate
    assert gate is not None  # asked only where something ends it
    return f"the decision on {setting.titles.get(f'gate {gate.item}', gate.item)!r}"


def is_void(own: ItemState) -> bool:
    """True for what was entered in error, or deleted."""
    return own.cls == "void" or own.status == "deleted"


def task_word(item: Item, own: ItemState, setting: Setting, due: date | None) -> str:
    """The word of a task, or of what is confirmed like one, that is due on a day."""
    if is_void(own):
        return "needs-review-void"
    done, ahead = own.was_done, setting.to_come(own.done_on)
    if done and not ahead:
        return _done_word(item, own, due)
    if ended_for(setting, own):
        return "excused"
    if done:
        return "needs-review-future"
    if own.status in NOT_DONE:
        return "failed"
    if due is None:
        return "undated"
    if setting.as_of > due:
        return "overdue-past" if setting.of_before(due) else "overdue"
    due_from = _due_from(item, due)
    return "due" if due_from is None or setting.as_of >= due_from else "not-yet-due"


def _done_word(item: Item, own: ItemState, due: date | None) -> str:
    """A done task: whether it counts for this date."""
    day = own.done_on
    if day is None:
        return "needs-review-day" if item.valid_for or item.dates.valid_from else "done"
    if item.dates.valid_from is not None and day < item.dates.valid_from:
        return "renew"
    start = start_day(item)
    if start is not None and day < start:
        return "done-early"
    return "done-late" if due is not None and day > due else "done"


def task_verdict(item: Item, setting: Setting) -> Verdict:
    """Tasks, questions and confirmations of medicines without a hold."""
    own, due = setting.of(item), item.dates.last_day
    more = filling_of(item, own, setting)
    group = "question" if item.key.kind == "question" else "task"
    word = task_word(item, own, setting, due)
    if group == "question" and word in _ANSWERED and (since := setting.since.get(item.fact)):
        word = _IN_DOUBT.get(since.how, word)
        more["told"], more["by_command"] = told_of(since), by_command(setting.plan, setting.state)
    if word == "overdue" and group == "task":
        word += after_stay(due, setting) or _long_over(item, due, setting)
        more["home"] = home_since(setting)
    return spoken(group, word, item, more, setting, mend=due)


def _long_over(item: Item, due: date | None, setting: Setting) -> str:
    """How a step of after surgery reads that is more than a month late: not simply done now, as if it were of today.

    Not what hurts most when it is left out: that is done whenever it is found. A month: common practice, no source.
    """
    surgery = setting.surgery
    after_surgery = due is not None and surgery is not None and surgery < due
    late = after_surgery and due is not None and (setting.as_of - due).days > _A_MONTH
    return "-long" if late and item.harm < _GRAVEST else ""


def gate_verdict(item: Item, setting: Setting, attended: Attended) -> Verdict:
    """A gate: opened by a person only, never by a date; `shut` lists what is missing.

    After surgery it is not due before the day of the booked visit that it waits for.
    """
    own = setting.of(item)
    more, due = filling_of(item, own, setting), item.dates.last_day
    lacking = missing(item, setting, attended, due)
    refused = _refused(own, setting, more) if own.status in NOT_DONE else ""
    more["missing"] = " ".join(filter(None, (refused, lacking))) or sentence("missing", "nothing", {})
    decides = item.released_by or item.who or "coordinator"
    if is_after_discharge(due, setting):  # nobody waits to be ready for anything there
        more["not_ready"] = acts(decides, "not_approved", {})
    decide = acts(decides, "decide", {})
    more.update({"decide": decide, "decide_it": decide[0].lower() + decide[1:], "home": home_since(setting)})
    if ended_for(setting, own):
        word = "excused"
    elif is_void(own):
        word = "needs-review-void"
    elif own.was_done:
        word = "needs-review-future" if setting.to_come(own.done_on) else "released"
    elif refused:
        word = f"shut{_too_late(due, setting) or '-refused'}"
    elif not lacking:
        word = f"ready{_too_late(due, setting)}"
    elif due is None:
        word = "undated"
    elif setting.as_of < due:
        word = "not-yet-due"
    elif (booked := booked_for(item, setting, attended)) is not None:
        word, more["booked"] = "not-yet-due-booked", booked
    else:
        word = f"shut{_too_late(due, setting)}"
    return spoken("gate", word, item, more, setting, mend=due)


def decided_on(gate: Item, setting: Setting, said: Verdict, others: Attended) -> date | None:
    """The day of a decision that is still to come, where nothing is wrong with it; None for every other."""
    if said.word != "not-yet-due":
        return None
    due = gate.dates.last_day
    return due if due is not None and due > setting.as_of else booked_for(gate, setting, others)


def _refused(own: ItemState, setting: Setting, more: Filling) -> str:
    """The sentence of a check that somebody decided against, with who, when and why: a no is no open question."""
    more["refused_on"] = None if setting.to_come(own.done_on) else own.done_on
    told = f" on {more['refused_on']}" if more.raw("refused_on") else ""
    return sentence("missing", "refused", {**more, "on": told})


def _too_late(due: date | None, setting: Setting) -> str:
    """How a check reads whose time is over: before a surgery that is over, or of a stay that may be over."""
    if setting.of_before(due):
        return "-past"
    return after_stay(due, setting)


def instruction_verdict(item: Item, setting: Setting) -> Verdict:
    """An instruction is printed; whether it is followed is not tracked."""
    own = setting.of(item)
    more = filling_of(item, own, setting)
    ended, undated = ended_for(setting, own), item.dates.awaited is not None
    word = "excused" if ended else "needs-review-void" if is_void(own) else "undated" if undated else "printed"
    return spoken("instruction", word, item, more, setting)


def _releases(item: Item, own: ItemState, setting: Setting) -> list[ItemState]:
    """What a person released: the restriction, or the gate that ends it."""
    gate = setting.state.items.get(item.ending_gate) if item.ending_gate else None
    released = gate is not None and gate.was_done
    return [one for one, done in ((own, own.cls == "done"), (gate, released)) if done and one is not None]


def _of_before(item: Item, one: ItemState) -> bool:
    """True for the release of a gate that is not of this restriction: from before it began, or of no day at all.

    The sheet tells of the restriction then, as before.
    """
    return one.key != item.key and not still_released(item, one.done_on, moved=one.done_on is None)


def restriction_verdict(item: Item, setting: Setting, decision: date | None = None) -> Verdict:
    """A restriction ends by a recorded release, never by a date passing.

    decision   the day of the decision that ends it, where that is still to come and nothing is wrong with it
    """
    own = setting.of(item)
    more = filling_of(item, own, setting)
    more["decision"] = decision
    start = start_day(item) or item.dates.last_day
    more["from"] = start
    releases = _releases(item, own, setting)
    real = next((one for one in releases if not setting.to_come(one.done_on) and not _of_before(item, one)), None)
    if ended_for(setting, own):
        word = "excused"
    elif is_void(own):
        word = "needs-review-void"
    elif real is not None:
        waits = real.key != item.key and setting.to_come(item.dates.earliest)  # as on the sheet
        word = "in-force-released" if waits else "released"
        more.update({"done_on": real.done_on, "by_whom": f" by {real.by}" if real.by else ""})
    elif releases:
        own, day = releases[0], releases[0].done_on
        how = "day" if day is None else "future" if setting.to_come(day) else "before"
        word = f"needs-review-{how}"
        more.update({"done_on": day, "by_whom": f" by {own.by}" if own.by else ""})
    elif start is None:
        word = "undated"
    elif setting.as_of < start:
        word = "not-yet-due"
    else:
        past = item.dates.earliest is not None and setting.as_of > item.dates.earliest
        word = "in-force" if not past else "release-due" if decision is None else "release-due-planned"
    return spoken("restriction", word, item, more, setting, mend=item.dates.earliest)


def goal_verdict(item: Item, setting: Setting) -> Verdict:
    """A goal: met only where somebody recorded it.

    One that is no longer sought (FHIR R4 goal-status `completed`) may have been missed: Goal.achievementStatus says so.
    """
    own = setting.of(item)
    more, due = filling_of(item, own, setting), item.dates.last_day
    if ended_for(setting, own):
        word = "excused"
    elif is_void(own):
        word = "needs-review-void"
    elif own.cls == "done" and own.achieved and own.achieved not in ACHIEVED:
        word, more["achieved"] = "not-met-recorded", own.achieved.replace("-", " ")
    elif own.cls == "done":
        word = "needs-review-future" if setting.to_come(own.done_on) else "met"
    elif due is None:
        word = "undated"
    else:
        more["home"] = home_since(setting)
        word = f"not-met{after_stay(due, setting)}" if setting.as_of > due else "open"
    return spoken("goal", word, item, more, setting, mend=due)
