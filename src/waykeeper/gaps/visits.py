"""The verdict of a planned visit: the first line of the contract's table that holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, timedelta
from functools import lru_cache

from waykeeper.counting import counted
from waykeeper.gaps.match import window
from waykeeper.gaps.model import Fact, Match, Verdict
from waykeeper.gaps.says import content, words, wrong_year
from waykeeper.gaps.setting import Setting, action, ended_for, is_missing, tails
from waykeeper.gaps.words import Filling, after, open_on_or_after, open_on_or_before, say, sentence, written
from waykeeper.plan.model import Item, ItemState
from waykeeper.quickly_made import quickly_made
from waykeeper.timing import lateness


@quickly_made
@dataclass(frozen=True, slots=True)
class Days:
    """The days of one visit. All None while it is awaited."""

    opens: date | None
    closes: date | None
    target: date | None
    book_from: date | None
    late_from: date | None

    def inside(self, day: date) -> bool:
        """True if the day lies inside the window, both ends included."""
        return self.opens is not None and self.closes is not None and self.opens <= day <= self.closes


def days(item: Item, grace: int) -> Days:
    """The days of a visit; `late_from` as compile wrote it, else as it would."""
    opens, closes = window(item)
    target = item.dates.target.day if item.dates.target else closes
    late = item.dates.late_from
    if late is None and closes is not None:
        late = lateness(target, closes, grace)
    return Days(opens, closes, target, item.dates.book_from, late)


@quickly_made
@dataclass(frozen=True, slots=True)
class Sorted:
    """The evidence that counts for one visit, by what it says; `guesses` do not count."""

    attended: tuple[Match, ...]
    live: tuple[Match, ...]
    unconfirmed: tuple[Match, ...]
    fell: tuple[Match, ...]
    asked: tuple[Match, ...]
    contradictory: tuple[tuple[Match, str], ...]
    guesses: tuple[Match, ...]


_NOTHING = Sorted((), (), (), (), (), (), ())


def _moment(fact: Fact) -> tuple[date, str]:
    """Orders facts by day, then by start as an instant (or as written, where it has no zone)."""
    start = fact.start
    if start is not None and start.tzinfo is not None:
        start = start.astimezone(UTC).replace(tzinfo=None)
    return (fact.day or date.min, start.isoformat() if start else "")


def _at_a_distance(fact: Fact) -> bool:
    """True if all that tells of the visit says telephone or video: its finished Encounters, else the booking."""
    seen = [p for p in fact.parts if p.kind == "encounter" and p.status == "finished"] or fact.parts[:1]
    return all(part.telehealth for part in seen)


def _why(match: Match, when: Days, in_person: bool) -> str:
    """Why a fact contradicts this visit, "" where it does not. `in_person`: a call is no such visit, linked or not."""
    fact = match.fact
    if fact.says == "contradictory":
        return fact.why
    if in_person and fact.says == "attended" and _at_a_distance(fact):
        return "at_a_distance"
    if when.opens is None or when.closes is None or fact.day is None:
        return ""
    speaks = fact.says in ("attended", "live", "unconfirmed")
    if speaks and wrong_year(fact, when.opens, when.closes):
        return "wrong_year"
    if fact.says == "attended" and (when.opens - fact.day).days > (when.closes - when.opens).days:
        return "far_too_early"
    return ""


def _in_time(matches: Sequence[Match]) -> Sequence[Match]:
    """By time; what is of one time by its content."""
    if not matches[1:]:
        return matches
    days = [m.fact.day or date.min for m in matches]
    if len(set(days)) == len(days):  # as a rule: then no start needs to be looked at
        return sorted(matches, key=lambda m: m.fact.day or date.min)
    timed = [(_moment(m.fact), m) for m in matches]
    if len({moment for moment, _ in timed}) == len(timed):
        return [m for _, m in sorted(timed, key=lambda pair: pair[0])]
    return [m for _, m in sorted(timed, key=lambda pair: (pair[0], content(pair[1].fact.head)))]


def sort(matches: Sequence[Match], when: Days, recognised_closes: bool, in_person: bool = False) -> Sorted:
    """Sort the matches of one visit by what they say of it, each group in time order.

    in_person   the visit is not to be one by telephone or video
    """
    closing = ("linked", "recognised") if recognised_closes else ("linked",)
    if not matches:
        return _NOTHING
    groups: dict[str, list[Match]] = {}
    contradictory: list[tuple[Match, str]] = []
    guesses: list[Match] = []
    for match in _in_time(matches):
        if match.certainty not in closing:
            guesses.append(match)
        elif why := _why(match, when, in_person):
            contradictory.append((match, why))
        else:
            groups.setdefault(match.fact.says, []).append(match)
    return Sorted(
        attended=tuple(groups.get("attended", ())),
        live=tuple(groups.get("live", ())),
        unconfirmed=tuple(groups.get("unconfirmed", ())),
        fell=tuple(groups.get("fell", ())),
        asked=tuple(groups.get("asked", ())),
        contradictory=tuple(contradictory),
        guesses=tuple(guesses),
    )


def _best_attended(found: Sequence[Match], when: Days) -> tuple[str, Match]:
    """Of several attendances: inside the window, then late, then early; the nearest to the window of a kind."""
    if when.opens is None or when.closes is None:
        return "attended-undated", found[0]
    inside = [m for m in found if m.fact.day and when.inside(m.fact.day)]
    late = [m for m in found if m.fact.day and m.fact.day > when.closes]
    if inside:
        return "attended", inside[0]
    return ("attended-late", late[0]) if late else ("attended-early", found[-1])


def _best_live(found: Sequence[Match], when: Days) -> Match | None:
    """Of several live bookings: the earliest inside the window, else the nearest to the target, then the earlier."""
    inside = [m for m in found if m.fact.day and when.inside(m.fact.day)]
    if inside or not found:
        return inside[0] if inside else None
    target = when.target
    if target is None:
        return found[0]
    return min(found, key=lambda m: abs(((m.fact.day or target) - target).days))


def _further(found: Sorted, chosen: Match | None, when: Days) -> list[Match]:
    """Live bookings beside the one that the visit has; beside a visit that took place, each one of a later day."""
    if not found.attended:
        booking = _best_live(found.live, when)
        return [m for m in found.live if m is not booking]
    came = chosen.fact.day if chosen else None
    return [m for m in found.live if m.fact.head.kind == "appointment" and m.fact.day != came]


def _latest_over(found: Sorted, as_of: date) -> Match | None:
    """The latest booking or fallen-through one whose day is over; same day: by start, then what fell through wins."""
    over = [m for m in (*found.unconfirmed, *found.fell) if m.fact.day is not None and m.fact.day < as_of]
    if not over[1:]:
        return over[0] if over else None
    return max(over, key=lambda m: (_moment(m.fact), m.fact.says == "fell"))


def _undeclared(item: Item, setting: Setting) -> bool:
    """True if the visit awaits an anchor that the pathway never declared as awaited."""
    anchor = setting.plan.anchor(item.dates.awaited or "")
    return anchor is not None and is_missing(anchor, setting.state)


def _awaited(item: Item, setting: Setting) -> str:
    over = setting.surgery is not None and setting.surgery < setting.as_of
    return "needs-review-awaited" if over and _undeclared(item, setting) else "undated"


def _of_the_day_before(match: Match, why: str, setting: Setting) -> bool:
    """True for a visit that took place for a surgery day that does not hold any more: the record is right, and whether
    the visit still counts somebody must say."""
    day, moved = match.fact.day, setting.moved_on
    return why == "far_too_early" and day is not None and moved is not None and day <= moved


def _line(
    item: Item, own: ItemState, found: Sorted, before: Sequence[tuple[Match, str]], when: Days, setting: Setting
) -> tuple[str, Match | None, str]:
    """The first line of the table that holds: entry of the words, the deciding match, why it contradicts.

    before   what took place for a surgery day that does not hold any more; a booking for the new day settles it
    """
    as_of = setting.as_of
    if found.attended:
        return *_best_attended(found.attended, when), ""
    past = "-past" if setting.of_before(when.closes) else ""
    if found.contradictory:
        first, why = found.contradictory[0]
        return f"needs-review-distant{past}" if why == "at_a_distance" else "needs-review", first, why
    if ended_for(setting, own):
        return "excused", None, ""
    if own.cls == "void":
        return "needs-review-void", None, ""
    if when.opens is None or when.closes is None or when.late_from is None:
        return _awaited(item, setting), None, ""
    live, over = _best_live(found.live, when), _latest_over(found, as_of)
    if live is not None and live.fact.day and when.inside(live.fact.day):
        return "booked", live, ""
    if over is not None and over.fact.says == "unconfirmed":
        return f"unconfirmed{past}", over, ""
    if live is not None and live.fact.day:
        return ("booked-early" if live.fact.day < when.opens else f"booked-late{past}"), live, ""
    if before and not found.fell:
        return f"needs-review-moved{past}", *before[-1]
    return _unbooked(found, when, setting), None, ""


def _missed(found: Sorted, when: Days, setting: Setting) -> str:
    """`missed` in three readings: too late for good, never given a slot (not the patient's doing), not attended."""
    if setting.of_before(when.closes):
        return "missed-past"
    return "missed" if found.fell or found.guesses else "missed-unbooked"


def _unbooked(found: Sorted, when: Days, setting: Setting) -> str:
    """Lines 8 to 12: nothing live, nothing attended."""
    as_of = setting.as_of
    if when.closes is not None and as_of > when.closes:
        return _missed(found, when, setting)
    if when.late_from is not None and as_of >= when.late_from:
        return "overdue"
    if found.fell:
        return "rebook"
    return "to-book" if when.book_from is not None and as_of >= when.book_from else "not-yet-due"


def filling(item: Item, own: ItemState, when: Days, setting: Setting) -> Filling:
    """The named dates and texts that the sentences of a visit may use."""
    return Filling({
        "open": when.opens, "close": when.closes, "target": when.target,
        "book_from": when.book_from, "late_from": when.late_from, "surgery": setting.surgery,
        "after_close": lambda: after(when.closes), "after_surgery": lambda: after(setting.surgery),
        "before_late": lambda: _before_late(when, setting),
        "first_open": lambda: _slots(when, setting)[0], "last_open": lambda: _slots(when, setting)[1],
        "limit": lambda: _limit(when, setting), "earlier_slot": lambda: _earlier_slot(when, setting),
        "days_past": lambda: counted((setting.as_of - when.target).days if when.target else 0, "day"),
        "best": lambda: _best(item, when, setting), "awaited": item.dates.awaited or "",
        "ended": lambda: ended_for(setting, own), "day": None, "after_day": None,
        "unproven": (lambda: sentence("actions", "unproven", {})) if setting.unproven else "",
    })  # fmt: skip


def _best(item: Item, when: Days, setting: Setting) -> date | None:
    """The best day for a slot: the one that the plan rolled to; the first open one where that is over."""
    best = item.dates.at.day if item.dates.at else when.target
    if best is None or when.closes is None or best >= setting.as_of:
        return best
    return open_on_or_after(setting.as_of, when.closes, setting.plan.is_open)


def _before_late(when: Days, setting: Setting) -> date | None:
    """The last open day before the visit is late: by then somebody has to have booked it."""
    if when.late_from is None:
        return None
    last = when.late_from - timedelta(days=1)
    return open_on_or_before(last, setting.as_of, setting.plan.is_open)


def _slots(when: Days, setting: Setting) -> tuple[date | None, date | None]:
    """First and last day worth asking a slot for: open days where the window has any."""
    if when.opens is None or when.closes is None:
        return when.opens, when.closes
    start, is_open = max(when.opens, setting.as_of), setting.plan.is_open
    last = open_on_or_before(when.closes, start, is_open)
    return open_on_or_after(start, last, is_open), last


def _limit(when: Days, setting: Setting) -> str:
    """Surgery, where it is what limits the days worth asking for; else ""."""
    surgery = setting.surgery
    if when.opens is None or when.closes is None or surgery is None or max(when.closes, setting.as_of) > surgery:
        return ""
    return sentence("actions", "limit", {"surgery": surgery})


def _earlier_slot(when: Days, setting: Setting) -> str:
    if when.opens is None or when.closes is None:
        return ""
    first, last = _slots(when, setting)
    name = "earlier_slot" if setting.as_of <= when.closes else "earlier_slot_over"
    return sentence("actions", name, {"first_open": first, "last_open": last})


def what(fact: Fact) -> str:
    """What a person recognises an appointment by: its text and its day."""
    day = written(fact.day) if fact.day else "no day"
    return f"{words(fact.head).strip() or fact.head.status}, {day}"


def past(match: Match) -> str:
    """One line of history: what became of an earlier booking."""
    fact = match.fact
    name: str = fact.says
    if fact.says == "fell":
        name = "noshow"
        if fact.head.status == "cancelled":
            name = f"cancelled_{fact.head.fell}" if fact.head.fell in ("patient", "clinic") else "cancelled"
    return _became(name, fact.day)


@lru_cache(maxsize=8192)  # a caseload has the same days again and again
def _became(name: str, day: date | None) -> str:
    return sentence("history", name, {"day": day})


def _asks(
    found: Sorted, chosen: Match | None, word: str, extra: Sequence[Match], more: Filling, in_person: bool
) -> list[str]:
    """What a person should find out beside the verdict."""
    asks: list[str] = []
    for match in found.guesses:
        name = "guess" if match.certainty == "guessed" else "recognised_not_closing"
        name = "guess_two_links" if match.note == "two_links" else name
        about = {"reference": match.fact.head.reference, "what": what(match.fact), "score": match.score}
        asks.append(sentence("questions", name, about))
    for match, why in found.contradictory:
        if why == "at_a_distance":
            asks.append(sentence("questions", why, {"day": match.fact.day}))
        elif match is not chosen:
            said = explained(match, why, more)
            asks.append(sentence("questions", "contradictory", {"reference": match.fact.head.reference, "why": said}))
    if in_person and chosen is not None and chosen.fact.says == "live" and _at_a_distance(chosen.fact):
        asks.append(sentence("questions", "booked_at_a_distance", {"day": chosen.fact.day}))
    if not word.startswith("attended"):
        older = [m for m in found.unconfirmed if m is not chosen]
        asks += [sentence("questions", "older_unconfirmed", {"day": m.fact.day}) for m in older]
    second = "still_booked" if found.attended else "duplicate"
    asks += [sentence("questions", second, {"reference": m.fact.head.reference, "day": m.fact.day}) for m in extra]
    return asks


def explained(match: Match, why: str, more: Filling) -> str:
    """The sentence that says what contradicts."""
    head = match.fact.head
    speaker = next((p for p in match.fact.parts if p.day == match.fact.day and p.status == "finished"), head)
    about = {"reference": speaker.reference, "status": speaker.status or "no status", "day": match.fact.day}
    return sentence("why", why, dict(more) | about)


def _followed(found: Sorted, chosen: Match | None, word: str, when: Days, as_of: date) -> list[str]:
    """The sentences that follow the reason of a visit."""
    ends: list[str] = []
    if word == "unconfirmed" or (word == "needs-review" and found.contradictory):
        live = _best_live(found.live, when)
        if live is not None and live.fact.day is not None:
            where = "live_inside" if when.inside(live.fact.day) else "live_elsewhere"
            where = "live_undated" if when.opens is None else where
            ends.append(sentence("tails", where, {"other": live.fact.day}))
    if word == "unconfirmed" and when.closes is not None and as_of > when.closes:
        ends.append(sentence("tails", "window_closed", {"close": when.closes}))
    if word in ("missed", "overdue", "rebook", "to-book"):
        fell = _fell(found)
        if fell and word != "rebook":  # its own sentence says it
            ends.append(sentence("tails", "fell", {"fell": fell}))
        asked = min((m.fact.head.asked_on for m in found.asked if m.fact.head.asked_on), default=None)
        if found.asked:
            ends.append(sentence("tails", "asked" if asked else "asked_undated", {"asked": asked}))
    if chosen is not None and chosen.fact.head.site:
        ends.append(sentence("tails", "site", {"site": chosen.fact.head.site}))
    if chosen is not None and chosen.certainty == "recognised":
        ends.append(sentence("tails", "recognised", {}))
    return ends


def _fell(found: Sorted) -> str:
    """What became of every earlier booking, in one line."""
    return "; ".join(past(m) for m in (*found.fell, *found.unconfirmed))


def visit_verdict(item: Item, setting: Setting, matches: Sequence[Match]) -> Verdict:
    """The verdict of one planned visit, with everything that is known about it."""
    settings, own = setting.plan.settings, setting.of(item)
    when = days(item, settings.grace_days)
    found = sort(matches, when, settings.recognised_closes, not item.recognise.telehealth)
    before = [pair for pair in found.contradictory if _of_the_day_before(*pair, setting)] if found.contradictory else []
    if before:
        found = replace(found, contradictory=tuple(pair for pair in found.contradictory if pair not in before))
    name, chosen, why = _line(item, own, found, before, when, setting)
    more = filling(item, own, when, setting)
    more["fell"] = lambda: _fell(found)
    if chosen is not None:
        day, reference = chosen.fact.day, chosen.fact.head.reference
        more.update({"day": day, "after_day": lambda: after(day), "reference": reference})
        more["why"] = explained(chosen, why, more) if why else ""
    said = say("visit", name, item, more, setting.as_of)
    extra = _further(found, chosen, when)
    earlier = [m for m in (*found.fell, *found.unconfirmed, *found.attended) if m is not chosen]
    if earlier[1:]:
        earlier.sort(key=lambda m: _moment(m.fact))
    follow = _followed(found, chosen, said.word, when, setting.as_of)
    return Verdict(
        said.word, said.gap, said.severity, said.reason + tails(item, said, setting, *follow),
        action(item, said, setting),
        said.who, said.by, said.since, when.closes,
        chosen.fact.references if chosen else (), chosen.certainty if chosen else "none",
        chosen.fact.day if chosen else None,
        tuple(_asks(found, chosen, said.word, extra, more, not item.recognise.telehealth)),
        tuple([m.fact.head.reference for m in found.guesses]),
        tuple([past(m) for m in earlier]),
        tuple([m.fact.head.reference for m in extra]), setting.rests(item),
    )  # fmt: skip
