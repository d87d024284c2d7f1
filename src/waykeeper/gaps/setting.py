"""What holds for a whole plan on the as-of day: is it over, is surgery past, is surgery proven."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime

from waykeeper.gaps.follows import with_days
from waykeeper.gaps.model import Verdict
from waykeeper.gaps.says import as_of_day
from waykeeper.gaps.words import Filling, Said, say, sentence, written
from waykeeper.plan.answered_since import Since, answered_since, hanging
from waykeeper.plan.model import Completion, Item, ItemState, Key, Plan, State
from waykeeper.plan.validity import by_a_past_surgery, to_come
from waykeeper.timing.model import Anchor, Standing

NOTHING_RECORDED = ItemState(Key("", ""))
_CHANGE = "change"  # the anchor of the day on which a move changed the surgery date
_OVER = {"revoked", "cancelled"}
_VOID = {"entered-in-error"}


@dataclass(frozen=True, slots=True)
class Setting:
    """One plan on one day. `ended` is the reason in words where the plan is over, else "".

    suspended   its items are withdrawn and it is over as such, but another surgery day is expected
    since       by fact, the questions whose answer the plan was not made with; nothing of a plan that is over
    hangs       what hangs on them
    items       the plan's items by key
    completed   how the plan was completed, where it was by the as-of day and its days are over
    """

    plan: Plan
    state: State
    as_of: date
    surgery: date | None
    ended: str
    died: bool
    withdrawn: bool
    void: bool
    unproven: bool
    suspended: bool
    titles: Mapping[str, str]  # "question FACT" and "gate NAME" -> the title that people read
    since: Mapping[str, Since] = field(default_factory=dict)
    hangs: Mapping[Key, tuple[Since, ...]] = field(default_factory=dict)
    items: Mapping[Key, Item] = field(default_factory=dict)
    completed: Completion | None = None

    @property
    def last_day(self) -> date | None:
        """The last day of the plan; None where nothing in it has a day."""
        return last_day(self.plan)

    @property
    def contactable(self) -> bool:
        """False where nothing may be printed for or sent to the patient."""
        return not self.died and (self.suspended or not self.withdrawn)

    def of(self, item: Item) -> ItemState:
        """What is recorded about an item; of a completed plan also that by which it left the list."""
        own = self.state.items.get(item.key, NOTHING_RECORDED)
        if self.completed is None or own.closed_because:
            return own
        end = self.completed
        because = sentence("ended", "completed", {"because": f": {end.because}" if end.because else ""})
        return replace(own, closed_because=because, closed_by=end.by, closed_on=end.on)

    @property
    def moved_on(self) -> date | None:
        """The day on which a move changed the surgery date; None where none did."""
        changed = self.plan.anchor(_CHANGE)
        return changed.moment.day if changed is not None and changed.moment is not None else None

    def of_before(self, day: date | None) -> bool:
        """True for what was to be there by a surgery that is over: too late to do, not too late to record."""
        return by_a_past_surgery(day, self.surgery, self.as_of)

    def to_come(self, day: date | None) -> bool:
        """True for a day after the as-of day: what is recorded for it has not happened yet, whoever says so."""
        return to_come(day, self.as_of)

    def rests(self, item: Item) -> bool:
        """True if the item comes after a surgery that nothing proves."""
        if not self.unproven or self.surgery is None:
            return False
        dates = item.dates
        days = [m.day for m in (dates.target, dates.at, dates.window.end if dates.window else None) if m is not None]
        return bool(days) and max(days) > self.surgery


def _died(plan: Plan, state: State) -> tuple[bool, str]:
    """Whether the patient died, and the words. A death dated after the as-of day stops letters all the same."""
    if state.deceased_on is not None:
        return True, sentence("ended", "died", {"day": state.deceased_on})
    if state.deceased or plan.patient.deceased:
        try:
            day = date.fromisoformat(plan.patient.deceased[:10])
        except ValueError:
            return True, sentence("ended", "died_undated", {})
        return True, sentence("ended", "died", {"day": day})
    return False, ""


def happened_on(anchor: Anchor, state: State) -> date | None:
    """The day on which an anchor happened, by the record; None where nothing proves it or it has no day."""
    if anchor.name in state.proven_on:
        return state.proven_on[anchor.name]
    planned = anchor.moment.day if anchor.moment is not None else None
    return planned if anchor.standing is Standing.RECORDED or anchor.name in state.proven else None


def is_unproven(anchor: Anchor | None, state: State, as_of: date) -> bool:
    """True if the anchor's day is past and it is only given or assumed, and nothing found since proves it."""
    if anchor is None or anchor.moment is None or anchor.name in state.proven:
        return False
    return anchor.standing in (Standing.GIVEN, Standing.ASSUMED) and anchor.moment.day < as_of


def is_missing(anchor: Anchor, state: State) -> bool:
    """True if an anchor is awaited that the pathway never declared so: its assumption could not be dated.

    A pathway's anchor is required, assumed or awaited, exactly one of the three, and only an assumed one has a phrase.
    """
    return anchor.standing is Standing.AWAITED and bool(anchor.phrase) and anchor.name not in state.proven


def _titles(plan: Plan, questions: Sequence[Item]) -> Mapping[str, str]:
    """Questions by the fact that they ask for, gates by their name."""
    asks = {f"question {i.fact}": i.title for i in questions}
    return asks | {f"gate {i.key.item}": i.title for i in plan.items if i.key.kind == "gate"}


def setting(plan: Plan, state: State, as_of: date | datetime) -> Setting:
    """Prepare a plan for its verdicts. An aware as-of moment is taken into the plan's zone."""
    day = as_of_day(as_of, plan.zone)
    plan = with_days(plan, state, day)
    anchor = plan.anchor("surgery")
    died, ended = _died(plan, state)
    withdrawn = bool(plan.withdrawn) or state.plan_status in _OVER
    suspended = withdrawn and not died and state.plan_status == "on-hold"
    if withdrawn and not died:
        name = "suspended" if suspended else "withdrawn" if plan.withdrawn else "withdrawn_plain"
        ended = sentence("ended", name, {"reason": plan.withdrawn})
    surgery = anchor.moment.day if anchor is not None and anchor.moment is not None else None
    questions = [i for i in plan.items if i.fact]
    completed = _completed(plan, state, day)
    since = {} if ended or completed else answered_since(plan, state, questions)
    return Setting(
        plan, state, day, surgery, ended, died, withdrawn, state.plan_status in _VOID,
        is_unproven(anchor, state, day), suspended, _titles(plan, questions),
        since, hanging(since.values()), {i.key: i for i in plan.items}, completed,
    )  # fmt: skip


def last_day(plan: Plan) -> date | None:
    """The last day of a plan's items and phases; None where none of them has a day."""
    spans = [*(item.dates for item in plan.items), *(phase.dates for phase in plan.phases)]
    return max((day for dates in spans if (day := dates.last_day) is not None), default=None)


def _completed(plan: Plan, state: State, as_of: date) -> Completion | None:
    """How the plan ended. While its days run nobody takes it for over, whatever a system says of it: a visit that is
    still to come would leave the list unseen."""
    found = state.completed
    if found is None or to_come(found.on, as_of):
        return None
    days = [day for day in (last_day(plan), plan.surgery_day) if day is not None]
    return None if days and max(days) >= as_of else found


def ended_for(setting: Setting, own: ItemState) -> str:
    """Why an item is not needed any more: the plan is over, or the item was withdrawn, and by whom; else ""."""
    if setting.ended:
        return setting.ended
    if own.cls != "withdrawn":
        return ""
    because = f" ({own.reason})" if own.reason else ""
    if own.by and not own.withdrawn_by_us:
        return sentence("ended", "item_by", {"by": own.by, "because": because})
    return sentence("ended", "item", {"because": because})


def asked(title: str) -> str:
    """The question alone: what is to be written down with a yes is for whoever answers it."""
    ask, mark, _ = title.partition("?")
    return ask + mark


def action(item: Item | None, said: Said, setting: Setting) -> str:
    """The next action; of what may not apply at all, to find that out comes first, or to use what was found out."""
    if item is None or not said.gap or not said.next_action:
        return said.next_action
    hangs = _hanging(item, said.word, setting)
    if hangs:
        name = "make_again_first" if any(one.to_make_again for one in hangs) else "clear_up_first"
        return sentence("actions", name, {"next": said.next_action})
    if not item.undecided:
        return said.next_action
    asks = "; ".join(_undecided(item, setting))
    asks += "" if asks.endswith(("?", ".")) else "."
    return sentence("actions", "ask_first", {"undecided": asks, "next": said.next_action})


def _hanging(item: Item, word: str, setting: Setting) -> tuple[Since, ...]:
    """The questions answered since on which an item hangs; none for what is not needed any more."""
    return setting.hangs.get(item.key, ()) if setting.hangs and word != "excused" else ()


def told_of(one: Since) -> str:
    """A question with what was answered, by whom and when, as one sentence."""
    return f"{asked(one.question.title)} {_answer(one)}."


def _answer(one: Since) -> str:
    who = ", ".join(p for p in (one.by, written(one.on) if one.on else "") if p)
    answer = sentence("answers", one.how.replace("-", "_"), {"answer": one.answer, "before": one.before})
    return f"{answer} ({who})" if who else answer


def _undecided(item: Item, setting: Setting) -> list[str]:
    """What is asked about an item and was not answered."""
    return [
        asked(setting.titles.get(f"question {fact}", fact.replace("_", " ")))
        for fact in item.undecided
        if fact not in setting.since
    ]


def spoken(
    group: str, name: str, item: Item | None, filling: Filling, setting: Setting, *, mend: date | None = None
) -> Verdict:
    """A verdict without evidence: the word of the table, filled, with the sentences that follow it."""
    said: Said = say(group, name, item, filling, setting.as_of)
    return Verdict(
        said.word, said.gap, said.severity, said.reason + tails(item, said, setting), action(item, said, setting),
        said.who, said.by, said.since, mend, unproven=item is not None and setting.rests(item),
    )  # fmt: skip


def tails(item: Item | None, said: Said, setting: Setting, *more: str) -> str:
    """The sentences that follow a reason, each with a space before it."""
    ends = list(more)
    if item is not None and item.undecided and said.word != "excused" and (asks := _undecided(item, setting)):
        ends.append(sentence("tails", "undecided", {"undecided": "; ".join(asks)}))
    if item is not None and setting.since:
        ends += _told_since(item, said.word, setting)
    if item is not None and (said.gap or item.key.kind == "visit") and setting.rests(item):
        ends.append(sentence("tails", "unproven", {}))
    if not setting.contactable and said.gap:
        ends.append(sentence("tails", "silent", {}))
    return "".join([" " + e for e in ends])


def _told_since(item: Item, word: str, setting: Setting) -> list[str]:
    """What was answered since: told of the question itself, and of what hangs on it."""
    own = [one for one in setting.since.values() if one.question.key == item.key]
    if own:
        return [
            sentence("tails", "own_answer" if one.answer else "own_answer_gone", {"answer": _answer(one)})
            for one in own
            if one.to_make_again
        ]
    return [sentence("tails", since_word([one]), {"told": told_of(one)}) for one in _hanging(item, word, setting)]


def since_word(since: Sequence[Since]) -> str:
    """How the sentences and titles of what hangs on questions are called."""
    if not any(one.to_make_again for one in since):
        return "unclear_since"
    return "answered_since" if any(one.how == "answered" for one in since) else "changed_since"
