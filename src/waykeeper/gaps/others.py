"""Verdicts of everything that is no visit: the first word of its kind that holds."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date, timedelta
from functools import lru_cache

from waykeeper.counting import counted
from waykeeper.gaps.gates import missing
from waykeeper.gaps.model import Verdict
from waykeeper.gaps.other_medicine import other_medicine, told_of_other
from waykeeper.gaps.setting import Setting, ended_for, spoken, told_of
from waykeeper.gaps.stay import after_stay, home_since
from waykeeper.gaps.unrecognised import questions, review_word
from waykeeper.gaps.words import Filling, acts, after, open_on_or_before, phrases, sentence
from waykeeper.medicines import NOT_TAKEN, unclear
from waykeeper.plan.holds import last_dose_of, pauses, taken_inside, told_last_dose
from waykeeper.plan.model import Item, ItemState, Key
from waykeeper.plan.unlisted import unlisted
from waykeeper.plan.validity import still_released, to_come

_FAILED = ("failed", "rejected")
_ACHIEVED = ("achieved", "sustaining")  # of FHIR R4's value set goal-achievement; the others say that it was not met
_SATURDAY = 5
_ANSWERED = ("done", "done-early", "done-late")
_IN_DOUBT = {"contradicted": "needs-review-contradicted", "unclear": "needs-review-no-answer"}  # how a question stands

Attended = Mapping[Key, Verdict]


@lru_cache(maxsize=4096)
def working_days_before(day: date, count: int) -> date:
    """The day `count` weekdays earlier; only where a plan has no `due_from`, which counts the holidays too."""
    while count:
        day -= timedelta(days=1)
        count -= day.weekday() < _SATURDAY
    return day


def due_day(item: Item) -> date | None:
    """The last day of an item: the end of its window, else the rolled day, else the target."""
    dates = item.dates
    moment = dates.window.end if dates.window else dates.at or dates.target
    return moment.day if moment is not None else None


def start_day(item: Item) -> date | None:
    """The first day of an item's span, where it has one."""
    return item.dates.window.start.day if item.dates.window else None


def _due_from(item: Item, due: date | None) -> date | None:
    """The first day on which a task is `due`: as compile wrote it, else its start, else 3 weekdays before."""
    if item.dates.due_from is not None or due is None:
        return item.dates.due_from
    start = start_day(item)
    return start if start is not None and start < due else working_days_before(due, 3)


def _filling(item: Item, own: ItemState, setting: Setting, due: date | None = None) -> Filling:
    """The named dates and texts that sentences of every kind may use. `due` where the item's dates do not say."""
    due = due or due_day(item)
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


def _to_come(day: date | None, setting: Setting) -> bool:
    """True for a day after the as-of day: what is recorded for it has not happened yet, whoever says so."""
    return to_come(day, setting.as_of)


def _is_void(own: ItemState) -> bool:
    return own.cls == "void" or own.status == "deleted"


def _task_word(item: Item, own: ItemState, setting: Setting, more: Filling) -> str:
    if _is_void(own):
        return "needs-review-void"
    done, to_come = own.was_done, _to_come(own.done_on, setting)
    if done and not to_come:
        return _done_word(item, own, more)
    if ended_for(setting, own):
        return "excused"
    if done:
        return "needs-review-future"
    if own.status in _FAILED:
        return "failed"
    if more.raw("due") is None:
        return "undated"
    if setting.as_of > more.raw("due"):
        return "overdue-past" if setting.of_before(more.raw("due")) else "overdue"
    return "due" if setting.as_of >= more.raw("due_from") else "not-yet-due"


def _done_word(item: Item, own: ItemState, more: Filling) -> str:
    """A done task: whether it counts for this date."""
    day = own.done_on
    if day is None:
        return "needs-review-day" if item.valid_for or item.dates.valid_from else "done"
    if item.dates.valid_from is not None and day < item.dates.valid_from:
        return "renew"
    start = start_day(item)
    if start is not None and day < start:
        return "done-early"
    return "done-late" if more.raw("due") is not None and day > more.raw("due") else "done"


def task_verdict(item: Item, setting: Setting) -> Verdict:
    """Tasks, questions and confirmations of medicines without a hold."""
    own = setting.of(item)
    more = _filling(item, own, setting)
    group = "question" if item.key.kind == "question" else "task"
    word = _task_word(item, own, setting, more)
    if group == "question" and word in _ANSWERED and (since := setting.since.get(item.fact)):
        word = _IN_DOUBT.get(since.how, word)
        more["told"] = told_of(since)
    if word == "overdue" and group == "task":
        word += after_stay(more.raw("due"), setting)
        more["home"] = home_since(setting)
    return spoken(group, word, item, more, setting, mend=more.raw("due"))


def _medicine_due(item: Item, setting: Setting) -> date | None:
    """By which day a medicine that is not held must be confirmed: the day before surgery.

    One that asks whether it pauses at all: the last day before the longest pause would begin, where that is known.
    """
    if due_day(item) is not None or setting.surgery is None:
        return due_day(item)
    begins, asks = item.dates.earliest, item.hold is not None and item.hold.decision == "ask"
    last = begins - timedelta(days=1) if begins is not None else None
    if asks and last is not None and item.dates.due_from is not None and last >= item.dates.due_from:
        return last
    return setting.surgery - timedelta(days=1)


def medicine_verdict(item: Item, setting: Setting) -> Verdict:
    """A medicine without a hold: one that nobody could classify is reviewed, another is confirmed like a task.

    Where the answer was to pause it, it is a hold from then on.
    """
    own = setting.of(item)
    answer = own.answer or (item.hold.answered if item.hold else None)
    if gone := _unlisted(item, setting):
        return gone
    recognised = item.hold is None or item.hold.recognised
    if (answer is not None and (pauses(answer) or unclear(answer))) or (recognised and other_medicine(item, setting)):
        return hold_verdict(item, setting)
    more = _filling(item, own, setting, _medicine_due(item, setting))
    if item.hold is None or recognised:
        answered = answer is not None and own.cls not in ("done", "void")
        word = "done" if answered else _task_word(item, own, setting, more)
        return spoken("confirm", word, item, more, setting, mend=more.raw("due"))
    more["longest_from"] = item.dates.earliest or item.dates.due_from or _hold_due(None, setting.surgery)
    done = own.was_done
    open_word = "answered" if done or answer is not None else review_word(item.hold)
    if _to_come(own.done_on if done else None, setting) or _to_come(answer.on if answer else None, setting):
        open_word = "needs-review-future"
        more["done_on"] = own.done_on or (answer.on if answer else None)
    word = "excused" if ended_for(setting, own) else open_word
    said = spoken("medicine", word, item, more, setting, mend=setting.surgery)
    if not said.gap:
        return said
    was = other_medicine(item, setting)
    asked = (sentence("questions", "other_medicine", told_of_other(item, was)),) if was else ()
    return replace(said, questions=(*asked, *questions(item.hold)))


def _unlisted(item: Item, setting: Setting) -> Verdict | None:
    """A medicine whose row went from the list while the plan stands: asked about until somebody answers."""
    own = setting.of(item)
    if setting.ended or own.restart_asked or not unlisted(item, setting.plan, setting.state):
        return None
    more = _filling(item, own, setting)
    return spoken("hold", "needs-review-unlisted", item, more, setting, mend=setting.surgery)


def _hold_due(last_dose: date | None, surgery: date | None) -> date | None:
    """First day of a gap where compile wrote none: the earlier of S-14 and 3 weekdays before the last dose."""
    days = [surgery - timedelta(days=14)] if surgery else []
    days += [working_days_before(last_dose, 3)] if last_dose else []
    return min(days, default=None)


def _hold_filling(item: Item, own: ItemState, setting: Setting) -> Filling:
    """The dates of a hold. An answered number of missed days goes before the proposal's.

    `last_dose` is the day that is told, `latest_dose` the last one outside the hold: of a weekly medicine they differ.
    """
    hold, answer = item.hold, own.answer or (item.hold.answered if item.hold else None)
    more = _filling(item, own, setting)
    last = latest = hold.last_dose if hold else None
    if answer is not None and pauses(answer) and setting.surgery is not None:
        latest = last_dose_of(answer, setting.surgery)
        last = told_last_dose(hold, answer, setting.surgery)
    taken = own.last_taken or (answer.last_taken if answer else None)
    condition = hold.restart if hold else ""
    more.update({
        "answer": answer, "last_dose": last, "latest_dose": latest, "after_last_dose": after(last), "taken": taken,
        "last_taken": taken.day if taken else None, "decision": answer.decision if answer else "",
        "due_from": item.dates.due_from or _hold_due(hold.last_dose if hold else None, setting.surgery),
        "by_whom": f" ({answer.by})" if answer and answer.by else "",
        "restart_from": hold.restart_from if hold else None, "restarted_on": own.restarted_on,
        "condition": f" ({condition})" if condition else "", "no_answer": _no_answer(last, setting),
    })  # fmt: skip
    return more


def _no_answer(last: date | None, setting: Setting) -> str:
    """What to do where no answer comes by the proposed last dose; asked for by an open day, when somebody is there."""
    if last is None:
        return ""
    if setting.as_of > last:
        return sentence("actions", "no_answer_over", {})
    ask_by = open_on_or_before(last, setting.as_of, setting.plan.is_open)
    return sentence("actions", "no_answer", {"ask_by": ask_by})


def _pauses(more: Filling) -> bool:
    answer = more.raw("answer")
    return answer is not None and pauses(answer)


def _without_pause(more: Filling) -> str:
    """An answer without a pause: the medicine goes on, or nobody takes it any more."""
    return f"answered-{'stopped' if more.raw('answer').decision in NOT_TAKEN else 'continue'}"


def _recorded_ahead(setting: Setting, more: Filling) -> str:
    """The word where the answer or the last dose is recorded for a day that has not come; "" for neither."""
    answer, taken = more.raw("answer"), more.raw("last_taken")
    if answer is not None and _to_come(answer.on, setting):
        more["ahead"] = answer.on
        return "needs-review-future-answer"
    if _to_come(taken, setting):
        more["ahead"] = taken
        return "needs-review-future-dose"
    return ""


def _before_surgery(item: Item, setting: Setting, more: Filling) -> str:
    as_of, last = setting.as_of, more.raw("latest_dose")
    if more.raw("answer") is None and other_medicine(item, setting):
        return "needs-review-changed"
    inside = taken_inside(item.hold, more.raw("taken"), more.raw("latest_dose"), setting.surgery)
    if _pauses(more) and inside:
        return "taken"
    if more.raw("answer") is not None:
        taken = more.raw("last_taken")
        stopped = last is not None and as_of > last and taken is not None and taken <= last
        if not _pauses(more):
            return _without_pause(more)
        return "stopped" if stopped else "answered"
    if setting.surgery is None:
        return "undated" if item.dates.awaited else "unanswered"
    due = more.raw("due_from")
    return "unanswered" if due is None or as_of >= due else "not-yet-due"


def _from_surgery(setting: Setting, more: Filling) -> str:
    if more.raw("answer") is None:
        return "never-answered"
    if unclear(more.raw("answer")):
        return "needs-review-answer-past"
    if not _pauses(more):
        return _without_pause(more)
    start = more.raw("restart_from")
    if start is None:
        return "restart-due-undated"
    return "restart-due" if setting.as_of >= start else "not-yet-due-restart"


def _put_away(own: ItemState, setting: Setting, more: Filling) -> str:
    """A hold that a person withdrew after its last dose was told: from the surgery day on its restart is asked for.

    Where a push withdrew it, that asks for the restart itself (part `restart-needed`).
    """
    over = setting.surgery is not None and setting.as_of >= setting.surgery
    return _from_surgery(setting, more) if over and not own.withdrawn_by_us and own.restarted_on is None else "excused"


def _taken_again(own: ItemState, setting: Setting, more: Filling) -> bool:
    """True if the restart is of this pause: one of a day before its last dose was told was of an earlier pause."""
    day, last = own.restarted_on, more.raw("last_dose") if _pauses(more) else None
    return day is not None and not _to_come(day, setting) and (last is None or day >= last)


def _hold_word(item: Item, own: ItemState, setting: Setting, more: Filling) -> str:
    if _taken_again(own, setting, more):
        return "restarted"
    stopped = _pauses(more) and more.raw("last_dose") is not None and setting.as_of > more.raw("last_dose")
    if setting.withdrawn and not setting.died and stopped:
        return "restart-withdrawn"
    if own.restart_asked and not setting.died and not other_medicine(item, setting):
        return "restart-asked"
    if ended_for(setting, own):
        return _put_away(own, setting, more) if stopped and not setting.ended else "excused"
    if _is_void(own):
        return "needs-review-void"
    if ahead := _recorded_ahead(setting, more):
        return ahead
    if setting.surgery is not None and setting.as_of >= setting.surgery:
        return _from_surgery(setting, more) if own.restarted_on is None else "needs-review-future-restart"
    if more.raw("answer") is not None and unclear(more.raw("answer")):
        return "needs-review-answer"
    return _before_surgery(item, setting, more)


def hold_verdict(item: Item, setting: Setting) -> Verdict:
    """A medicine hold: before surgery it asks for the answer, from the surgery day on for the restart."""
    own = setting.of(item)
    if gone := _unlisted(item, setting):
        return gone
    more = _hold_filling(item, own, setting)
    if was := other_medicine(item, setting):
        more.update(told_of_other(item, was))
    said = spoken("hold", _hold_word(item, own, setting, more), item, more, setting, mend=more.raw("last_dose"))
    by_a_person = own.cls == "withdrawn" and not own.withdrawn_by_us and not own.restart_asked
    if by_a_person and said.word in ("restart-due", "not-yet-due"):
        told = sentence("tails", "put_away", {"by_whom": f" by {own.by}" if own.by else ""})
        return replace(said, reason=f"{said.reason} {told}")
    not_taken = own.not_taken.day if own.not_taken else None
    if not_taken is None or said.word not in ("answered", "unanswered") or _to_come(not_taken, setting):
        return said
    return replace(said, reason=f"{said.reason} {sentence('tails', 'not_taken', {'day': not_taken})}")


def gate_verdict(item: Item, setting: Setting, attended: Attended) -> Verdict:
    """A gate: opened by a person only, never by a date; `shut` lists what is missing."""
    own = setting.of(item)
    more = _filling(item, own, setting)
    due = more.raw("due")
    lacking = missing(item, setting, attended, due)
    refused = _refused(own, setting, more) if own.status in _FAILED else ""
    more["missing"] = " ".join(filter(None, (refused, lacking))) or sentence("missing", "nothing", {})
    decide = acts(item.released_by or item.who or "coordinator", "decide", {})
    more.update({"decide": decide, "decide_it": decide[0].lower() + decide[1:], "home": home_since(setting)})
    if ended_for(setting, own):
        word = "excused"
    elif _is_void(own):
        word = "needs-review-void"
    elif own.was_done:
        word = "needs-review-future" if _to_come(own.done_on, setting) else "released"
    elif refused:
        word = f"shut{_too_late(due, setting) or '-refused'}"
    elif not lacking:
        word = f"ready{_too_late(due, setting)}"
    elif due is None:
        word = "undated"
    else:
        word = f"shut{_too_late(due, setting)}" if setting.as_of >= due else "not-yet-due"
    return spoken("gate", word, item, more, setting, mend=due)


def _refused(own: ItemState, setting: Setting, more: Filling) -> str:
    """The sentence of a check that somebody decided against, with who, when and why: a no is no open question."""
    more["refused_on"] = None if _to_come(own.done_on, setting) else own.done_on
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
    more = _filling(item, own, setting)
    ended, undated = ended_for(setting, own), item.dates.awaited is not None
    word = "excused" if ended else "needs-review-void" if _is_void(own) else "undated" if undated else "printed"
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


def restriction_verdict(item: Item, setting: Setting) -> Verdict:
    """A restriction ends by a recorded release, never by a date passing."""
    own = setting.of(item)
    more = _filling(item, own, setting)
    start = start_day(item) or more.raw("due")
    more["from"] = start
    releases = _releases(item, own, setting)
    real = next((one for one in releases if not _to_come(one.done_on, setting) and not _of_before(item, one)), None)
    if ended_for(setting, own):
        word = "excused"
    elif _is_void(own):
        word = "needs-review-void"
    elif real is not None:
        waits = real.key != item.key and _to_come(item.dates.earliest, setting)  # as on the sheet
        word = "in-force-released" if waits else "released"
        more.update({"done_on": real.done_on, "by_whom": f" by {real.by}" if real.by else ""})
    elif releases:
        own, day = releases[0], releases[0].done_on
        how = "day" if day is None else "future" if _to_come(day, setting) else "before"
        word = f"needs-review-{how}"
        more.update({"done_on": day, "by_whom": f" by {own.by}" if own.by else ""})
    elif start is None:
        word = "undated"
    elif setting.as_of < start:
        word = "not-yet-due"
    else:
        past = item.dates.earliest is not None and setting.as_of > item.dates.earliest
        word = "release-due" if past else "in-force"
    return spoken("restriction", word, item, more, setting, mend=item.dates.earliest)


def goal_verdict(item: Item, setting: Setting) -> Verdict:
    """A goal: met only where somebody recorded it.

    One that is no longer sought (FHIR R4 goal-status `completed`) may have been missed: Goal.achievementStatus says so.
    """
    own = setting.of(item)
    more = _filling(item, own, setting)
    due = more.raw("due")
    if ended_for(setting, own):
        word = "excused"
    elif _is_void(own):
        word = "needs-review-void"
    elif own.cls == "done" and own.achieved and own.achieved not in _ACHIEVED:
        word, more["achieved"] = "not-met-recorded", own.achieved.replace("-", " ")
    elif own.cls == "done":
        word = "needs-review-future" if _to_come(own.done_on, setting) else "met"
    elif due is None:
        word = "undated"
    else:
        more["home"] = home_since(setting)
        word = f"not-met{after_stay(due, setting)}" if setting.as_of > due else "open"
    return spoken("goal", word, item, more, setting, mend=due)


PLAIN: Mapping[str, Callable[[Item, Setting], Verdict]] = {
    "task": task_verdict,
    "question": task_verdict,
    "hold": hold_verdict,
    "medicine": medicine_verdict,
    "instruction": instruction_verdict,
    "restriction": restriction_verdict,
    "goal": goal_verdict,
}
