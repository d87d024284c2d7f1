"""Verdicts of medicines and their holds: the first word that holds."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

from waykeeper.gaps.answered import by_command
from waykeeper.gaps.changed_proposal import (
    changed_proposal,
    is_kept,
    measured_since,
    told_of_measured,
    told_of_proposal,
    word_of,
    word_of_measured,
)
from waykeeper.gaps.model import Verdict
from waykeeper.gaps.other_medicine import other_medicine, told_of_other
from waykeeper.gaps.others import filling_of, is_void, task_word, weekdays_before
from waykeeper.gaps.setting import Setting, ended_for, happened_on, spoken
from waykeeper.gaps.unrecognised import questions, review_word
from waykeeper.gaps.words import Filling, after, open_on_or_before, sentence
from waykeeper.medicines import NOT_TAKEN, unclear, without_reason
from waykeeper.medicines.due import first_gap_day
from waykeeper.plan.holds import (
    answer_in_force,
    answered_too_late,
    goes_on,
    last_dose_of,
    pauses,
    restarted,
    taken_inside,
    told_last_dose,
)
from waykeeper.plan.model import HoldAnswer, Item, ItemState
from waykeeper.plan.proposed_since import Proposed
from waykeeper.plan.unlisted import unlisted
from waykeeper.timing.model import Moment

_SETTLED = ("answered", "answered-continue", "stopped")  # words by which nobody would be asked


@dataclass(frozen=True, slots=True)
class _Pause:
    """The days of a hold. An answered number of missed days goes before the proposal's.

    `last_dose` is the day that is told, `latest_dose` the last one outside the hold: of a weekly medicine they differ.
    """

    answer: HoldAnswer | None
    last_dose: date | None
    latest_dose: date | None
    taken: Moment | None
    due_from: date | None
    restart_from: date | None

    @property
    def is_answered(self) -> bool:
        """True if a prescriber clearly wants it."""
        return self.answer is not None and pauses(self.answer)


def medicine_verdict(item: Item, setting: Setting) -> Verdict:
    """A medicine without a hold: one that nobody could classify is reviewed, another is confirmed like a task.

    Where the answer was to pause it, it is a hold from then on.
    """
    own = setting.of(item)
    answer = answer_in_force(item, own)
    if gone := _unlisted(item, setting):
        return gone
    recognised = item.hold is None or item.hold.recognised
    if _corrected(item, own) or own.restart_asked or own.stopped_on is not None or own.was_to_stop is not None:
        return hold_verdict(item, setting)
    if (answer is not None and (pauses(answer) or unclear(answer))) or (recognised and other_medicine(item, setting)):
        return hold_verdict(item, setting)
    measured = measured_since(item, setting)
    if recognised and (changed_proposal(item, setting) or (measured and answer is not None)):
        return hold_verdict(item, setting)
    due = _confirmed_by(item, setting)
    more = filling_of(item, own, setting, due)
    if item.hold is None or recognised:
        answered = answer is not None and own.cls not in ("done", "void")
        word = "done" if answered else task_word(item, own, setting, due)
        if (word == "overdue-past" and has_ended(item)) or (word in ("due", "overdue") and asks_nothing(item)):
            word = f"{word}-ended"
        return _with_measured(spoken("confirm", word, item, more, setting, mend=due), measured)
    more["longest_from"] = item.dates.earliest or _due_from(item, None, setting)
    done = own.was_done
    open_word = "answered" if done or answer is not None else review_word(item.hold)
    if setting.to_come(own.done_on if done else None) or setting.to_come(answer.on if answer else None):
        open_word = "needs-review-future"
        more["done_on"] = own.done_on or (answer.on if answer else None)
    word = "excused" if ended_for(setting, own) else open_word
    said = spoken("medicine", word, item, more, setting, mend=setting.surgery)
    if not said.gap:
        return said
    was = other_medicine(item, setting)
    asked = (sentence("questions", "other_medicine", told_of_other(item, was)),) if was else ()
    return replace(said, questions=(*asked, *questions(item.hold)))


def _with_measured(said: Verdict, measured: str) -> Verdict:
    """Of what is to be asked: that another proposal may stand here once the plan is made again."""
    return replace(said, reason=f"{said.reason} {measured}") if measured and said.gap else said


def has_ended(item: Item) -> bool:
    """True for a medicine that the list has as stopped or used up."""
    return item.hold is not None and item.hold.decision in NOT_TAKEN


def asks_nothing(item: Item) -> bool:
    """True where it has ended and no day of its last dose is asked for: to know is whether it is taken all the same."""
    return item.hold is not None and has_ended(item) and not item.hold.question


def hold_verdict(item: Item, setting: Setting) -> Verdict:
    """A medicine hold: before surgery it asks for the answer, from the surgery day on for the restart."""
    own = setting.of(item)
    if gone := _unlisted(item, setting):
        return gone
    pause = _pause(item, own, setting)
    more = _filling(item, own, pause, setting)
    if was := other_medicine(item, setting):
        more.update(told_of_other(item, was))
    mend, changed = pause.last_dose, changed_proposal(item, setting)
    if changed is not None:
        more.update(told_of_proposal(changed, item, pause.last_dose, setting))
        mend = changed.now.last_dose if changed.longer else mend
    word, measured = _hold_word(item, own, setting, pause, changed), measured_since(item, setting)
    if measured and pause.answer is not None and word in _SETTLED:
        more.update(told_of_measured(measured, pause.answer, pause.last_dose, setting))
        word, measured = word_of_measured(item, pause.last_dose, setting), ""
    said = _with_measured(spoken("hold", word, item, more, setting, mend=mend), measured)
    if said.word == "unanswered" and item.hold is not None and item.hold.question:
        said = replace(said, questions=(*said.questions, item.hold.question))
    by_a_person = own.cls == "withdrawn" and not own.withdrawn_by_us and not own.restart_asked
    if by_a_person and said.word in ("restart-due", "not-yet-due"):
        told = sentence("tails", "put_away", {"by_whom": f" by {own.by}" if own.by else ""})
        return replace(said, reason=f"{said.reason} {told}")
    stands = said.word == "answered" or word.startswith(("needs-review-proposal", "needs-review-measured"))
    if stands and (before := setting.state.paused_before.get(item.key)):
        said = replace(said, reason=f"{said.reason} {sentence('tails', 'paused_before', {'before': before})}")
    not_taken = own.not_taken.day if own.not_taken else None
    if not_taken is None or not (stands or said.word == "unanswered") or setting.to_come(not_taken):
        return said
    return replace(said, reason=f"{said.reason} {sentence('tails', 'not_taken', {'day': not_taken})}")


def _confirmed_by(item: Item, setting: Setting) -> date | None:
    """By which day a medicine that is not held must be confirmed: the day before surgery.

    One that asks whether it pauses at all: the last day before the longest pause would begin, where that is known.
    """
    if item.dates.last_day is not None or setting.surgery is None:
        return item.dates.last_day
    begins, asks = item.dates.earliest, item.hold is not None and item.hold.decision == "ask"
    last = begins - timedelta(days=1) if begins is not None else None
    if asks and last is not None and item.dates.due_from is not None and last >= item.dates.due_from:
        return last
    return setting.surgery - timedelta(days=1)


def _unlisted(item: Item, setting: Setting) -> Verdict | None:
    """A medicine whose row went from the list while the plan stands: asked about until somebody answers."""
    own = setting.of(item)
    if setting.ended or own.restart_asked or not unlisted(item, setting.plan, setting.state):
        return None
    more = filling_of(item, own, setting)
    return spoken("hold", "needs-review-unlisted", item, more, setting, mend=setting.surgery)


def _due_from(item: Item, last_dose: date | None, setting: Setting) -> date | None:
    """The first day on which a medicine that nobody answered is a gap, also where compile wrote none."""
    return item.dates.due_from or first_gap_day(last_dose, setting.surgery, weekdays_before)


def _pause(item: Item, own: ItemState, setting: Setting) -> _Pause:
    hold, answer = item.hold, answer_in_force(item, own)
    proposed = last = latest = hold.last_dose if hold else None
    if answer is not None and pauses(answer) and setting.surgery is not None:
        latest = last_dose_of(answer, setting.surgery)
        last = told_last_dose(hold, answer, setting.surgery)
    taken = own.last_taken or (answer.last_taken if answer else None)
    restart_from = hold.restart_from if hold else None
    return _Pause(answer, last, latest, taken, _due_from(item, proposed, setting), restart_from)


def _filling(item: Item, own: ItemState, pause: _Pause, setting: Setting) -> Filling:
    """What the sentences about a hold may name."""
    answer, last = pause.answer, pause.last_dose
    condition, planned = (item.hold.restart, item.hold.answered) if item.hold else ("", None)
    bare = "_reason" if answer is not None and without_reason(answer) else ""
    more = filling_of(item, own, setting)
    more.update({
        "last_dose": last, "after_last_dose": after(last), "last_taken": pause.taken.day if pause.taken else None,
        "decision": "" if answer is None else answer.told if bare else answer.decision,
        "unclear": sentence("tails", f"unclear{bare}", {}), "settles": sentence("tails", f"settles{bare}", {}),
        "due_from": pause.due_from, "answered_on": answer.on if answer else None,
        "by_whom": f" ({answer.by or sentence('tails', 'nobody_named', {})})" if answer else "",
        "ahead": _ahead(pause, setting)[1],
        "planned": planned.told if planned else "", "said": answer.told if answer else "", "stopped_on": own.stopped_on,
        "was_to_stop": own.was_to_stop, "by_command": by_command(setting.plan, setting.state),
        "restart_from": pause.restart_from, "restarted_on": own.restarted_on,
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


def _ahead(pause: _Pause, setting: Setting) -> tuple[str, date | None]:
    """The word where the answer or last dose is recorded for a day that has not come, and the day; "" for neither."""
    if pause.answer is not None and setting.to_come(pause.answer.on):
        return "needs-review-future-answer", pause.answer.on
    if pause.taken is not None and setting.to_come(pause.taken.day):
        return "needs-review-future-dose", pause.taken.day
    return "", None


def _corrected(item: Item, own: ItemState) -> bool:
    """True if the plan was made with a clear answer and another one stands now: the sheet says to wait for a call."""
    planned = item.hold.answered if item.hold else None
    if planned is None or own.answer is None or unclear(planned):
        return False
    return planned.decided != own.answer.decided


def _not_taken_again(own: ItemState, answer: HoldAnswer | None, setting: Setting) -> str:
    """The word where the patient stopped, or was to stop before the answer of today, which is to go on; "" else.

    A dose since then ends it and no day does: a surgery day, a plan that is made again with the answer, or a withdrawn
    one makes nobody take it again.
    """
    if answer is None or not goes_on(answer) or setting.to_come(answer.on):
        return ""
    stop, word = own.stopped_on, "restart-corrected"
    if stop is None and own.was_to_stop is not None and answer.on is not None and answer.on > own.was_to_stop:
        stop, word = own.was_to_stop, "restart-corrected-unsaid"
    if stop is None or setting.to_come(stop):
        return ""
    taken = own.last_taken.day if own.last_taken else None
    return word if all(day is None or day <= stop for day in (taken, own.restarted_on)) else ""


def _told_to_pause(item: Item, own: ItemState) -> bool:
    """True if the plan was made with a pause and the answer of today is to go on: nobody knows what the patient did."""
    planned = item.hold.answered if item.hold else None
    corrected = _corrected(item, own) and own.answer is not None and goes_on(own.answer)
    return planned is not None and pauses(planned) and corrected


def _hold_word(item: Item, own: ItemState, setting: Setting, pause: _Pause, changed: Proposed | None) -> str:
    if restarted(item, own, setting.surgery, setting.as_of):
        return "restarted"
    begun = pause.is_answered and pause.last_dose is not None and setting.as_of > pause.last_dose
    if setting.withdrawn and not setting.died and begun:
        return "restart-withdrawn"
    paused_again = begun and not ended_for(setting, own)  # for the surgery of today, so that nobody restarts it before
    if own.restart_asked and not paused_again and not setting.died and not other_medicine(item, setting):
        return "restart-asked"
    if setting.withdrawn and not setting.died and pause.is_answered and pause.last_dose is not None:
        return "stop-withdrawn"
    again = _not_taken_again(own, pause.answer, setting)
    if again and not setting.died and not is_void(own):
        return again
    if ended_for(setting, own):
        return _put_away(own, setting, pause) if begun and not setting.ended else "excused"
    if is_void(own):
        return "needs-review-void"
    if ahead := _ahead(pause, setting)[0]:
        return ahead
    if setting.surgery is not None and setting.as_of >= setting.surgery:
        if own.restarted_on is not None:
            return "needs-review-future-restart"
        if _told_to_pause(item, own):
            return "needs-review-corrected"
        return _on_the_day(item, own, setting, pause, changed) or _from_surgery(setting, pause)
    if pause.answer is not None and unclear(pause.answer):
        return "needs-review-answer"
    return _before_surgery(item, own, setting, pause, changed)


def _before_surgery(item: Item, own: ItemState, setting: Setting, pause: _Pause, changed: Proposed | None) -> str:
    if _corrected(item, own):
        return "needs-review-corrected"
    if pause.answer is None:
        return "needs-review-changed" if other_medicine(item, setting) else _unanswered(item, setting, pause)
    if not pause.is_answered:
        return word_of(changed, setting) if changed else _without_pause(pause.answer)
    if broken := _not_kept(item, own, setting, pause):
        return broken
    last, taken = pause.latest_dose, pause.taken
    stopped = last is not None and setting.as_of > last and taken is not None and taken.day <= last
    if changed and not (stopped and taken is not None and is_kept(changed, taken)):
        return word_of(changed, setting)
    return "stopped" if stopped else "answered"


def _not_kept(item: Item, own: ItemState, setting: Setting, pause: _Pause) -> str:
    """The word where a pause is not kept, or nobody knows whether it is; "" else."""
    if taken_inside(item.hold, pause.taken, pause.latest_dose, setting.surgery):
        return "taken"
    return "needs-review-late" if answered_too_late(own, pause.answer, setting.surgery) else ""


def _on_the_day(item: Item, own: ItemState, setting: Setting, pause: _Pause, changed: Proposed | None) -> str:
    """The same on the day of surgery, while nothing says that it took place: that morning it can still be put off."""
    anchor = setting.plan.anchor("surgery")
    if setting.as_of != setting.surgery or anchor is None or happened_on(anchor, setting.state) is not None:
        return ""
    if pause.answer is None:
        return _before_surgery(item, own, setting, pause, changed)
    broken = _not_kept(item, own, setting, pause) if pause.is_answered else ""
    if broken or changed is None or (pause.taken is not None and is_kept(changed, pause.taken)):
        return broken
    return word_of(changed, setting)


def _unanswered(item: Item, setting: Setting, pause: _Pause) -> str:
    if setting.surgery is None:
        return "undated" if item.dates.awaited else "unanswered"
    return "unanswered" if pause.due_from is None or setting.as_of >= pause.due_from else "not-yet-due"


def _from_surgery(setting: Setting, pause: _Pause) -> str:
    if pause.answer is None:
        return "never-answered"
    if unclear(pause.answer):
        return "needs-review-answer-past"
    if not pause.is_answered:
        return _without_pause(pause.answer)
    if pause.restart_from is None:
        return "restart-due-undated"
    return "restart-due" if setting.as_of >= pause.restart_from else "not-yet-due-restart"


def _put_away(own: ItemState, setting: Setting, pause: _Pause) -> str:
    """A hold that a person withdrew after its last dose was told: from the surgery day on its restart is asked for.

    Where a push withdrew it, that asks for the restart itself (part `restart-needed`).
    """
    over = setting.surgery is not None and setting.as_of >= setting.surgery
    return _from_surgery(setting, pause) if over and not own.withdrawn_by_us and own.restarted_on is None else "excused"


def _without_pause(answer: HoldAnswer) -> str:
    """An answer without a pause: the medicine goes on, or nobody takes it any more."""
    return f"answered-{'stopped' if answer.decision in NOT_TAKEN else 'continue'}"
