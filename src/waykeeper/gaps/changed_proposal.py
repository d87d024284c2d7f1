"""What is said of an answered medicine for which something else is proposed now than when it was answered."""

from __future__ import annotations

from datetime import date

from waykeeper.gaps.answered import by_command
from waykeeper.gaps.others import weekdays_before
from waykeeper.gaps.setting import Setting, happened_on
from waykeeper.gaps.words import Filling, after, open_on_or_before, sentence, written
from waykeeper.medicines import Turned
from waykeeper.medicines.due import first_gap_day
from waykeeper.plan.model import HoldAnswer, Item, Measured, Offer
from waykeeper.plan.proposed_since import Proposed, proposed_since
from waykeeper.timing.model import Moment


def changed_proposal(item: Item, setting: Setting) -> Proposed | None:
    """What has changed since it was answered, while surgery is still to come; None where nobody is to be asked.

    On the morning of surgery only a longer pause counts: by that alone it may still be put off.
    """
    if item.hold is None or item.hold.answered is None or setting.surgery is None or setting.ended:
        return None
    if setting.as_of > setting.surgery:
        return None
    found = proposed_since(item, setting.of(item), setting.surgery)
    if found is None or setting.as_of < setting.surgery:
        return found
    anchor = setting.plan.anchor("surgery")
    return found if found.longer and anchor is not None and happened_on(anchor, setting.state) is None else None


def is_kept(found: Proposed, taken: Moment) -> bool:
    """True where the last dose that was taken lies before the pause of today too: nobody needs to be asked."""
    last, limit = found.now.last_dose, found.now.last_limit
    inside = last is None or taken.day > last or (limit is not None and taken.day >= limit.day)
    return found.days and not found.asks and not inside


def word_of(found: Proposed, setting: Setting) -> str:
    """Which word holds: graver once a longer pause would have begun."""
    begins = after(found.now.last_dose)
    over = found.longer and begins is not None and setting.as_of >= begins
    return "needs-review-proposal-over" if over else "needs-review-proposal"


def told_of_proposal(found: Proposed, item: Item, answered_last: date | None, setting: Setting) -> Filling:
    """Both proposals for a sentence, what came and went between them, and by when to ask.

    answered_last   the last-dose day by the answer
    """
    answer, last = found.answer, found.now.last_dose
    due = first_gap_day(last, setting.surgery, weekdays_before) if found.days else item.dates.due_from
    days = (due, last if found.longer else None, answered_last, setting.surgery)
    ask_by = min((day for day in days if day is not None and day > setting.as_of), default=setting.as_of)
    ask_by = open_on_or_before(ask_by, setting.as_of, setting.plan.is_open)
    same_day = sentence("tails", "same_day", {}) if answer.on is not None and answer.on >= setting.as_of else ""
    return Filling({
        "said": answer.told, "on": _on(answer), "same_day": same_day, "what": _what(found), "why": _why(found),
        "proposed_last": last, "ask_from": due, "ask_by": ask_by,
    })  # fmt: skip


def _what(found: Proposed) -> str:
    """Both proposals, where they differ, and what is asked since."""
    both = {"was": _told(found.was), "now": _told(found.now), "asks": "; ".join(found.asks)}
    names = ("proposal_days" if found.days else "", "proposal_asks" if found.asks else "")
    return " ".join(sentence("tails", name, both) for name in names if name)


def _why(found: Proposed) -> str:
    """Which of what it rests on has changed; where nothing of that has, a rule or a setting has."""
    if not found.came and not found.went:
        return sentence("tails", "proposal_by_rule", {}) if found.days else ""
    parts = {"came": "; ".join(found.came), "went": "; ".join(found.went)}
    if not found.was.ground:  # answered before plans said what they rest on: what is new in it nobody knows
        name = "rests"
    else:
        name = "changed" if found.came and found.went else "came" if found.came else "went"
    return sentence("tails", f"proposal_{name}", parts)


def _told(offer: Offer) -> str:
    """The decision with its days: `hold, 2 days (last dose Sun 2026-03-15)`."""
    limit = offer.last_limit
    if limit is not None and limit.clock is not None:
        return f"{offer.decision}, last dose at or before {written(limit.day)} {limit.clock:%H:%M}"
    return offer.told + (f" (last dose {written(offer.last_dose)})" if offer.last_dose else "")


def measured_since(item: Item, setting: Setting) -> str:
    """What came since the plan was made and may change what is proposed, in sentences; "" from the surgery day on.

    Nothing of what the plan does not want any more: it was made again, and the medicine stands in it as another item.
    """
    measured, noted = _since(item, setting)
    if setting.ended or setting.surgery is None or setting.as_of >= setting.surgery:
        return ""
    if item.key in setting.state.left_over:
        return ""
    told = {
        "measured_since": measured.told if measured else "",
        "noted_since": "; ".join(noted.came),
        "taken_back_since": "; ".join(noted.went),
    }
    return " ".join(sentence("tails", name, {"line": line}) for name, line in told.items() if line)


def _since(item: Item, setting: Setting) -> tuple[Measured | None, Turned]:
    return setting.state.measured_since.get(item.key), setting.state.noted_since.get(item.key, Turned())


def word_of_measured(item: Item, last: date | None, setting: Setting) -> str:
    """Which word holds: graver once a longer pause would have begun, where what came may ask for it.

    last   the last-dose day that stands
    """
    measured, noted = _since(item, setting)
    longer = (measured is not None and measured.worse) or bool(noted.came)
    over = longer and last is not None and setting.as_of > last
    return "needs-review-measured-over" if over else "needs-review-measured"


def told_of_measured(measured: str, answer: HoldAnswer, answered_last: date | None, setting: Setting) -> Filling:
    """The answer and the value that came since, for a sentence."""
    ask_from = first_gap_day(answered_last, setting.surgery, weekdays_before)
    more = {"said": answer.told, "on": _on(answer), "measured": measured, "ask_from": ask_from}
    return Filling(more | {"by_command": by_command(setting.plan, setting.state)})


def _on(answer: HoldAnswer) -> str:
    return f" on {written(answer.on)}" if answer.on else ""
