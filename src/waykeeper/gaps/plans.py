"""The plan's own row: theatre list, proof of surgery, decisions that wait."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, time
from functools import lru_cache

from waykeeper.gaps.answered import by_command, doubts, filling, in_doubt, is_dated, move_first, to_make_again
from waykeeper.gaps.model import NOT_BOOKED, Booked, Row, TheatreCase, TheatreList, Verdict
from waykeeper.gaps.operations import close_together
from waykeeper.gaps.setting import Setting, happened_on, is_missing, is_unproven, spoken
from waykeeper.gaps.theatre_words import in_part, names_both, needle, other_side, part_of_day
from waykeeper.gaps.words import Filling, after, sentence, written
from waykeeper.plan.model import Plan
from waykeeper.plan.validity import to_come
from waykeeper.timing.model import Anchor, Standing

_NEAR = 15  # minutes; a list is shifted by this much every day (common practice, no source)
_UNPROVEN = ("unproven", "unproven-awaited")
_AGAINST_THE_LIST = (
    "needs-review-side", "date-differs", "needs-review-no-day", "needs-review-time", "needs-review-time-arrival",
    "needs-review-time-near", "needs-review-anaesthesia",
)  # fmt: skip
_UNDECIDED = ("needs-review-medicines", "needs-review-cautions", "needs-review-pauses")  # act today
# said after those, and not in their place
_LIGHTER = ("no-case", "no-case-off", "needs-review-booked", "needs-review-time-arrival", "needs-review-time-near")
_BEFORE_ANSWERS = ("needs-review-side-done", *_AGAINST_THE_LIST, *_UNPROVEN, *_UNDECIDED)
_ANSWERS = ("needs-review-answers", "needs-review-answers-undated", "needs-review-answers-unsure")
_AFTER_THE_END = ("needs-review-side-done", "conflict", *_UNPROVEN)  # what no end of a plan settles
_PROVEN_ANCHORS = ("surgery", "discharge")


def names(plan: Plan) -> frozenset[str]:
    """What names the plan's patient: the identifier, the server's reference, the numbers of merged records."""
    who = plan.patient
    return frozenset(n for n in (str(who.identifier), who.reference, *who.merged) if n)


def assign(plans: Sequence[Setting], theatre: TheatreList | None) -> tuple[dict[int, TheatreCase], list[TheatreCase]]:
    """Give each standing plan of one patient its case, and return the cases left over (each is a `no-plan` row).

    A case on a plan's own day goes to that plan; what is left goes to the nearest plan without one; of cases of one day
    that of the plan's side. A plan whose day is over takes no case that is still to come: that is another joint, or an
    operation that was put off.
    """
    if theatre is None:
        return {}, []
    who = frozenset(n for on in plans for n in names(on.plan))
    left = sorted((c for c in theatre.cases if who & set(c.patient)), key=lambda c: (c.day, c.reference))
    given: dict[int, TheatreCase] = {}
    standing = [i for i, on in enumerate(plans) if on.suspended or not on.ended]
    for exact in (True, False):
        for index in standing:
            on, day = plans[index], plans[index].surgery
            over = day is not None and day < on.as_of and not on.suspended
            fits = [c for c in left if (c.day == day if exact else not over or c.day < on.as_of)]
            if index in given or not fits:
                continue
            given[index] = min(fits, key=lambda c: (abs((c.day - day).days) if day else 0, bool(_side(on, c))))
            left.remove(given[index])
    return _of_both_sides(plans, standing, given), left


def _of_both_sides(
    plans: Sequence[Setting], standing: Sequence[int], given: Mapping[int, TheatreCase]
) -> dict[int, TheatreCase]:
    """A case that names both sides is that of each side's plan, where both are planned for its day."""
    found = dict(given)
    for index, case in given.items():
        day, pathway = plans[index].surgery, plans[index].plan.pathway.url
        same = [n for n in standing if plans[n].plan.pathway.url == pathway]
        pair = [n for n in same if plans[n].surgery == day == case.day]
        alone = all(given.get(n, case) is case for n in pair)
        if (
            alone
            and sorted(plans[n].plan.side for n in pair) == ["left", "right"]
            and names_both(case.side, case.procedure)
        ):
            found |= {n: replace(case, side=plans[n].plan.side) for n in pair}
    return found


def _unproven(on: Setting) -> tuple[str, Anchor] | None:
    """The first of surgery and discharge that should have happened and is not proven."""
    for name in _PROVEN_ANCHORS:
        anchor = on.plan.anchor(name)
        if anchor is None:
            continue
        if is_unproven(anchor, on.state, on.as_of):
            return "unproven", anchor
        if is_missing(anchor, on.state) and on.surgery is not None and on.surgery < on.as_of:
            return "unproven-awaited", anchor
    return None


def _theatre(on: Setting, theatre: TheatreList | None, case: TheatreCase | None) -> str:
    """What the theatre list says against the plan, "" where they agree or no list was read.

    theatre   None for a case that a booking or an order tells: such a one covers no day
    """
    if (theatre is None and case is None) or _is_settled(on):
        return ""
    if case is not None and case.day >= on.as_of:
        return "date-differs" if case.day != on.surgery else ""
    if on.surgery is None or theatre is None:
        return ""
    if theatre.undated_of(names(on.plan)):
        return "needs-review-no-day"
    return "no-case" if theatre.covers(on.surgery) else ""


def _is_settled(on: Setting) -> bool:
    """Whether the day of surgery is over, or the record has the operation of today."""
    if on.surgery is None or on.surgery != on.as_of:
        return on.surgery is not None and on.surgery < on.as_of
    anchor = on.plan.anchor("surgery")
    return anchor is not None and anchor.standing is Standing.RECORDED


def _against(on: Setting, theatre: TheatreList | None, case: TheatreCase | None) -> list[str]:
    """The words for what a list, a booking or an order says against the plan, the first the gravest."""
    found = (_side(on, case), _theatre(on, theatre, case), _anaesthesia(on, case), _time(on, case))
    return [word for word in found if word]


def _side(on: Setting, case: TheatreCase | None) -> str:
    """The name of the word for a case of this plan that names the other side, or both."""
    return "needs-review-side" if _other_side(on, case) else ""


def names_other_side(on: Setting, case: TheatreCase) -> bool:
    """Whether a case names the other side than the plan, or both."""
    return bool(on.plan.side and other_side(case.side, case.procedure, on.plan.side))


def _other_side(on: Setting, case: TheatreCase | None) -> str:
    """The words of a case of this plan that name the other side or both; other words for a side say nothing."""
    if case is None or case.day < on.as_of or not on.plan.side:
        return ""
    return other_side(case.side, case.procedure, on.plan.side)


def _time(on: Setting, case: TheatreCase | None) -> str:
    """The name of the word for a case at another hour of the plan's day: food, drink and arrival hang on the hour."""
    planned = _planned_start(on)
    if case is None or case.day < on.as_of or case.day != on.surgery or not planned:
        return ""
    if case.start is None:
        part = part_of_day(case.hour)
        return "needs-review-time" if part and not in_part(planned, part) else ""
    apart = abs(_minutes(case.start) - _minutes(planned))
    if apart <= _NEAR:
        return "needs-review-time-near" if apart else ""
    # a scheduler may book the hour to come; that it is not the operation's own, moved to it, only a person can tell
    comes = case.kind == "appointment" and case.start == _planned_start(on, "arrival")
    return "needs-review-time-arrival" if comes else "needs-review-time"


def _minutes(clock: time) -> int:
    return clock.hour * 60 + clock.minute


def _planned_start(on: Setting, event: str = "surgery") -> time | None:
    anchor = on.plan.anchor(event)
    return anchor.moment.clock if anchor and anchor.moment else None


def _told(clock: time | None) -> str:
    return f"{clock:%H:%M}" if clock else ""


def _anaesthesia(on: Setting, case: TheatreCase | None) -> str:
    """The name of the word for a case with a needle where the plan counts without one, or the other way round.

    A plan of which it is not known counts with one, the longer pauses; other words of a list say nothing.
    """
    if case is None or case.day < on.as_of:
        return ""
    said, planned = needle(case.anaesthesia), needle(on.plan.anaesthesia)
    return "needs-review-anaesthesia" if None not in (said, planned) and said != planned else ""


def _learnt(on: Setting) -> tuple[Anchor, date, date] | None:
    """The first anchor that the record has on another day than the plan counts from: that day, and the plan's.

    Also one whose day a person gave: they give it before it comes, and a plan that is made again takes the record's.
    """
    for anchor in on.plan.anchors:
        day = happened_on(anchor, on.state)
        if day is not None and anchor.moment is not None and anchor.moment.day != day <= on.as_of:
            return anchor, day, anchor.moment.day
    return None


def _ahead(on: Setting) -> bool:
    """Whether the operation is still to come: what is ordered after it is no matter of a pause before it."""
    return on.surgery is not None and on.as_of <= on.surgery and "surgery" not in on.state.proven


def plan_verdict(
    on: Setting,
    theatre: TheatreList | None = None,
    case: TheatreCase | None = None,
    others: Sequence[Setting] = (),
    *,
    booked: Booked = NOT_BOOKED,
    left: Sequence[Row] | None = None,
) -> Verdict:
    """The one row about the plan as a whole; further troubles of the plan follow as questions.

    others   the patient's other plans
    booked   what bookings and orders say of the operation
    left     where every item is done, decided, or closed with a reason: the restrictions that still hold; None else
    """
    proof, learnt, new = _unproven(on), _learnt(on), on.state.listed_since if _ahead(on) else ()
    listed, of_booking = _against(on, theatre, case), _against(on, None, booked.case)
    first = booked.case if of_booking and set(listed) <= {"no-case", "needs-review-no-day"} else case or booked.case
    more_said = first is not booked.case and (set(of_booking) - set(listed) or _says_else(booked.case, first))
    behind = [booked.case] if of_booking and more_said else []
    more = Filling({
        "ended": on.ended, "surgery": on.surgery, "after_day": None,
        "conflicts": "; ".join(on.state.conflicts), "anchor": "",
        "no_day": _in_place_of_a_day(on, theatre), "put_off": on.plan.withdrawn, "plan_side": on.plan.side,
        "plan_time": lambda: _told(_planned_start(on)),
        "plan_anaesthesia": on.plan.anaesthesia, **_of_case(on, first), **_doubts_of(booked),
        "procedure": on.state.other_side, "move_first": move_first(on.plan, on.state) if on.state.conflicts else "",
    })  # fmt: skip
    beside, of_others = close_together(on, others) if others and _ahead(on) else ([], Filling({}))
    more.update(of_others)
    cautions = on.state.cautions_since
    if new or beside or cautions:
        told = {"listed": "; ".join(new), "cautions": "; ".join(cautions)}
        more.update({**told, "by_command": by_command(on.plan, on.state)})
    if learnt:
        more.update({"learnt_anchor": learnt[0].name, "learnt_on": learnt[1], "planned_on": learnt[2]})
    found = [
        "needs-review-side-done" if on.state.other_side else "",
        *(of_booking if first is booked.case else listed),
        *(w for w in listed if first is booked.case and w not in of_booking),
        *_doubtful(on, booked),
        proof[0] if proof else "",
        "needs-review-medicines" if new else "",
        _of_cautions(on) if cautions and on.plan.cautions is not None else "",
        *beside,
        "needs-review-day" if learnt else "",
        "conflict" if on.state.conflicts else "",
        _of_cautions(on) if cautions and on.plan.cautions is None else "",
    ]
    words = [w for w in found if w]
    if any(w in _UNDECIDED for w in words):
        words.sort(key=lambda w: w in _LIGHTER)
    words = _of_its_end(on, words, left, more)
    if on.since and (since := to_make_again(on)):
        more.update(filling(since, on))
        word = f"needs-review-answers{'' if is_dated(since, on) else '-undated'}"
        # a move makes the plan again with the answers; whether the operation took place comes before what follows it
        words.insert(sum(w in _BEFORE_ANSWERS for w in words), word)
    if on.since and (unsure := in_doubt(on)):
        more.update(doubts(unsure, on))
        words.append("needs-review-answers-unsure")
    if on.suspended:
        expected = first is not None and first.day >= on.as_of
        words = ["suspended-listed" if expected else "suspended", *[w for w in (_side(on, first),) if w]]
    elif on.ended:
        words = ["excused"]
    elif on.void:
        words = ["needs-review-void", *words]
    word = words[0] if words else "current"
    if proof and word.startswith("unproven"):
        day = proof[1].moment.day if proof[1].moment else None
        more.update({"anchor": proof[1].name, "day": day, "after_day": after(day)})
    said = spoken(
        "plan", word, None, more, on, mend=None if on.suspended or word.startswith("to-complete") else on.surgery
    )
    if first is not None and first.kind and word in (*of_booking, "suspended-listed"):
        said = replace(said, certainty=first.certainty, evidence=(first.reference,))
    said = _with_more(said, words[1:], proof, more, on)
    also = [spoken("plan", w, None, Filling(more | _of_case(on, one)), on).reason for one in behind for w in of_booking]
    return replace(said, questions=(*said.questions, *also)) if also and not on.ended else said


def _of_cautions(on: Setting) -> str:
    """The word for allergies and a pregnancy of the record; milder where the plan may have been made with them."""
    if on.plan.cautions is None:
        return "needs-review-cautions-unsaid"
    return "needs-review-cautions" if _ahead(on) else "needs-review-cautions-after"


def _says_else(one: TheatreCase | None, first: TheatreCase | None) -> bool:
    """Whether a booking says something else than the case that speaks already; what that leaves open is no other."""
    pairs = ((one.day, first.day), (one.start, first.start)) if one and first else ()
    return any(ours and theirs and ours != theirs for ours, theirs in pairs)


def _of_case(on: Setting, case: TheatreCase | None) -> dict[str, object]:
    """What sentences name of the case that speaks, and of who tells it."""
    teller = told_by(case)
    return {
        "day": case.day if case else None, "case_side": lambda: _other_side(on, case),
        "case_time": lambda: (_told(case.start) or case.hour) if case else "",
        "case_anaesthesia": case.anaesthesia if case else "", **teller,
    }  # fmt: skip


@lru_cache(maxsize=64)  # of most plans there is no case
def told_by(case: TheatreCase | None) -> dict[str, str]:
    """Who tells of an operation, in words: at the beginning of a sentence and inside, and what is to be corrected."""
    kind, more = case.kind if case and case.kind else "list", _named(case)
    said = sentence("tellers", kind, more)
    its, taken_off = (sentence("tellers", f"{what}_{kind}", {}) for what in ("its", "off"))
    return {"teller": said, "teller_inside": said[0].lower() + said[1:], "its": its, "taken_off": taken_off}


def _in_place_of_a_day(on: Setting, theatre: TheatreList | None) -> str:
    """What the list says where the day of this patient should be, in brackets; "" for a blank."""
    case = theatre.undated_of(names(on.plan)) if theatre is not None else None
    return f" ({case.said})" if case and case.said else ""


def _named(case: TheatreCase | None) -> Filling:
    return Filling({"reference": case.reference, "status": case.status, "day": case.day} if case else {})


def _doubts_of(booked: Booked) -> dict[str, object]:
    return {
        "off": sentence("tellers", "called_off", _named(booked.off)) if booked.off else "",
        "unsure": "; ".join(sentence("tellers", "unsure", _named(one)) for one in booked.unsure),
    }


def _doubtful(on: Setting, booked: Booked) -> list[str]:
    """The words for what was called off, and for what may stand."""
    if _is_settled(on):
        return []
    return ["no-case-off"] * (booked.off is not None) + ["needs-review-booked"] * bool(booked.unsure)


def _of_its_end(on: Setting, words: list[str], left: Sequence[Row] | None, more: Filling) -> list[str]:
    """The words of a plan that was completed, or can be; all others of every other plan."""
    end, last = on.completed, on.last_day
    more.update({"last": last, "after_last": after(last)})
    if end is not None:
        more["by_whom"] = f" by {end.by}" if end.by else ""
        more["completed_on"] = f" on {written(end.on)}" if end.on else ""
        more["because"] = f": {end.because}" if end.because else ""
        return [*(w for w in words if w in _AFTER_THE_END), "completed"]
    if on.state.completed is not None and not to_come(on.state.completed.on, on.as_of):
        ahead = on.surgery is not None and on.as_of <= on.surgery
        return [f"needs-review-completed{'-ahead' if ahead else ''}", *words]
    if left is not None and not words and last is not None and last < on.as_of:
        more["holds"] = "; ".join(row.title for row in left)
        return ["to-complete-holds" if left else "to-complete"]
    return words


def _with_more(
    said: Verdict, words: Sequence[str], proof: tuple[str, Anchor] | None, more: Filling, on: Setting
) -> Verdict:
    """Add the reasons of the other words that hold too, so that none is hidden behind the first.

    Behind an operation that nothing proves, answers keep their next action and how grave they are: both are to be done.
    """
    reasons = []
    first_unproven = proof is not None and said.word == "unproven"
    for word in words:
        filled = Filling(more)
        if proof and word.startswith("unproven"):
            filled.update({"anchor": proof[1].name, "day": proof[1].moment.day if proof[1].moment else None})
        other = spoken("plan", word, None, filled, on)
        reasons.append(other.reason)
        if first_unproven and word in _ANSWERS:
            then = sentence("actions", "then", {"first": said.next_action, "next": other.next_action})
            said = replace(said, next_action=then, severity=max(said.severity, other.severity))
    return replace(said, questions=tuple(reasons)) if reasons else said
