"""Record what a person decided or did, as a change of the standard resource that `fhir.read` takes it back from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

from waykeeper.exchange.completing import complete
from waykeeper.exchange.created_once import THERE, Created, created, standing
from waykeeper.exchange.errors import BadAnswerError, refusal
from waykeeper.exchange.in_hand import asks_still, comes_back, plan_itself, task_in_hand
from waykeeper.exchange.made_again import to_make_again
from waykeeper.exchange.noted_before import noted_before
from waykeeper.exchange.noted_changes import (
    Noted,
    answered,
    closed,
    completed,
    fact,
    opened_by,
    owner,
    reopened,
    snoozed,
    whose,
    written_on,
)
from waykeeper.exchange.noted_checked import checked, closable, said_of_it, too_early, unfit
from waykeeper.exchange.noted_made import communication, encounter, name_in, statement
from waykeeper.exchange.reading import meant_perhaps, plan_resources, told_apart
from waykeeper.exchange.server import Server, only_of, status_of
from waykeeper.fhir import identity, read_all, status_class
from waykeeper.fhir.conditions import condition
from waykeeper.fhir.identity import own_identifier
from waykeeper.fhir.recorded import CLOSED, before_the_end, done_on, output_of
from waykeeper.fhir.write import LEADING
from waykeeper.findings import WaykeeperError, did_you_mean, finding
from waykeeper.gaps.answered import by_command
from waykeeper.medicines import NOT_TAKEN, unclear
from waykeeper.merge.end import NO_SURGERY
from waykeeper.merge.held import holding
from waykeeper.merge.stopped import RESTART, Stopped, answered_since, restart_asked
from waykeeper.merge.withdrawal import by_us
from waykeeper.plan.holds import goes_on, pauses
from waykeeper.plan.model import HoldAnswer, Identifier, Item, ItemState, Key, Plan, State
from waykeeper.plan.unlisted import unanswered

Resource = dict[str, Any]
TRIES = 3
STALE = (409, 412)
CORRECTED = "corrected"  # answered, in place of the answer that stands
ANEW = "make the plan again {}, and tell the patient, whose older sheet says otherwise"
ASK_FIRST = "ask the patient whether it was stopped or taken meanwhile, and note that (stopped, taken); then "
OF_A_PAUSE = ("stop", "restart")  # Tasks of a plan that was made with a pause; a note makes them where it was not yet
PAUSED_BY = "It comes with the answer that pauses it: note that answer, then note this."
GOES_ON = "The answer of today does not pause it: note the day of a dose that was taken since (taken)."
INSTEAD = f"Where another answer shall take its place, note it as {CORRECTED}; the one before stays in the notes."
ANOTHER = ". It counts once; another one of that day needs words of its own: add --text"
BEFORE, AS_BEFORE = ", which was there before", ": as it was noted before"


@dataclass(frozen=True, slots=True)
class _Way:
    """How one word is written: for which kinds, on which part, and by which change."""

    kinds: tuple[str, ...]
    part: Mapping[str, str]
    change: Callable[[Resource, Noted], Resource]


def _leading(*kinds: str) -> dict[str, str]:
    return {kind: LEADING[kind][1] for kind in kinds}


def note(
    server: Server,
    patient: Identifier,
    item: str,
    what: str,
    *,
    by: str,
    on: date | None,
    text: str = "",
    days: int | None = None,
    decision: str = "",
    episode: int = 1,
    pathway: str = "",
    table: Counter[str] | None = None,
) -> str:
    """Record one thing about one item; gives a sentence with the resource that was written.

    what       a word of WHAT
    on         the day on which it was done or decided (snoozed: the day until which); today where it is not given
    text       fact: yes or no; owner, closed, contact: the words; completed: why what is open is let go
    days       answered, corrected: days without a dose; without it and without a decision the proposal as it stands is
               confirmed
    pathway    the name of the plan's pathway, where it is known
    table      what the same table noted before this row: a call or a dose has the name of its words and of its number
               among equal ones, by which what is run again finds what it wrote

    Raises WaykeeperError WKX221 (no such patient, plan or item), WKX240 (does not fit); BadAnswerError, NoAnswerError.
    """
    anew, what = what == CORRECTED, "answered" if what == CORRECTED else what
    said_of_it(what, days, decision, on)
    for attempt in range(TRIES):
        held = plan_resources(server, patient)
        plan, state, found = _find(held, item, episode, pathway, what, patient)
        if state.completed is None or what not in KEPT:  # what became known since is written on what it was then
            held = [(ref, dict(before_the_end(resource))) for ref, resource in held]
        today = datetime.now(ZoneInfo(plan.zone)).date()
        noted = Noted(by, on or today, text, days, decision, today, anew)
        if found.key.kind == "plan" and what not in OF_THE_PLAN:
            help_text = "What it asks is settled where it belongs: move the plan, correct the list, record the surgery."
            fit = f"{', '.join(OF_THE_PLAN[:-1])} and {OF_THE_PLAN[-1]}"
            raise unfit(f"{found.key} is the plan as a whole: of it only {fit} fit", help_text)
        if what == COMPLETED:
            if found.key.kind != "plan":
                raise unfit(f"{what} fits the plan as a whole; {found.key} is a {found.key.kind}", "Note it as done.")
            return complete(
                server, patient, by=by, on=on, text=text, episode=episode, pathway=plan.pathway.url,
                now=datetime.now(UTC),
            )  # fmt: skip
        if what in ABOUT:
            return _write_about(server, held, plan, state, found, what, noted, table)
        try:
            return _written(server, held, plan, state, found, what, noted)
        except _AgainError as stale:
            if attempt == TRIES - 1:
                raise stale.refused from None
    raise AssertionError  # the last attempt returns or raises


class _AgainError(Exception):
    """Somebody wrote at the same moment: to be read and noted again; `refused` where nothing comes of it."""

    def __init__(self, refused: Exception) -> None:
        self.refused = refused


def _written(
    server: Server, held: Sequence[tuple[str, Resource]], plan: Plan, state: State, found: Item, what: str, noted: Noted
) -> str:
    """One word written on what stands, or as a Task in hand; the line that says so. Raises _AgainError."""
    if what == "done" and found.key.kind == "visit":
        return _attended(server, held, plan, state, found, noted)
    closable(plan, state, found, what, noted)
    ends = _ends_the_asking(state, found, what, noted)
    if what in KEPT and found.key.kind not in _TASKS and not unanswered(found, plan, state):
        ref, resource = task_in_hand(held, plan, state, found, what, noted.today)
    else:
        ref, resource = _part(held, plan, state, found, what)
        if not ends and _over(resource) and _says_so(resource, what, checked(found, what, noted)):
            again = to_make_again(plan, state, found, what, noted.text)
            return f"{_told(plan, found, what, noted, ref)}{AS_BEFORE}{again}"
        if not ends and (plan.withdrawn or not asks_still(found, resource, plan.zone, noted.today)):
            _open_yet(held, plan, state, found, what, resource, anew=noted.anew)
    changed = WHAT_WAYS[what].change(resource, checked(found, what, noted))
    if not ref:
        try:
            made = created(server, plan, found, changed)
        except BadAnswerError as met:  # of two creations at one moment some servers refuse the second (409)
            raise _perhaps_again(met, met.status) from None
        if made.stood:  # somebody took it in hand at the same moment: what they noted is read, and this is added
            raise _AgainError(unfit(f"{found.key}: somebody else is noting about it", "Run it again in a moment."))
        return _told(plan, found, what, noted, made.reference) + opened_by(what, resource)
    if ends:
        _with_the_restart(server, held, state, found, noted, _update(server, ref, changed, resource))
    else:
        answer = server.send("PUT", ref, changed, headers={"If-Match": only_of(ref, resource)})
        if answer.status >= 400:
            raise _perhaps_again(refusal(answer.status, f"note about {found.key}", answer.document), answer.status)
    again = _in_place_of(plan, state, found, what, noted) + to_make_again(plan, state, found, what, noted.text)
    return _told(plan, found, what, noted, ref) + opened_by(what, resource) + again


def _ends_the_asking(state: State, item: Item, what: str, noted: Noted) -> bool:
    """True where a restart is asked for, and the answer is that the medicine is not taken any more.

    Only where it is noted as corrected: "already stopped" is said of a medicine that is paused too, and its restart
    must be asked for.
    """
    own = state.items.get(item.key)
    return what == "answered" and noted.anew and noted.decision in NOT_TAKEN and own is not None and own.restart_asked


def _with_the_restart(
    server: Server, held: Sequence[tuple[str, Resource]], state: State, item: Item, noted: Noted, entry: Resource
) -> None:
    """The answer, and the Task that asks for the restart answered with it: both or neither. Raises _AgainError."""
    ref = state.items[item.key].references[RESTART]
    asked = next(r for known, r in held if known == ref)
    _together(server, [entry, _update(server, ref, answered(asked, noted), asked)])


def _in_place_of(plan: Plan, state: State, item: Item, what: str, noted: Noted) -> str:
    """What is to be told where an answer took the place of one that stood; "" else.

    Where the plan was made with a pause the patient is asked first: the plan that is made again has no stop any more.
    """
    own = state.items.get(item.key)
    if what != "answered" or not noted.anew or own is None or own.answer is None:
        return ""
    if plan.withdrawn:
        return f"; in place of {_answer_told(own.answer)}"
    first = ASK_FIRST if "stop" in own.references else ""
    return f"; in place of {_answer_told(own.answer)}: {first}{ANEW.format(by_command(plan, state))}"


def _attended(
    server: Server, held: Sequence[tuple[str, Resource]], plan: Plan, state: State, item: Item, noted: Noted
) -> str:
    """A visit that a person says was kept: an Encounter of that day, based on our request, and the request completed.

    The Encounter is the fact that the gap report, the gates and the month count; a completed request alone says no day.
    """
    own = state.items.get(item.key)
    name = plan.episode.uuid("visit", item.key.item, "attended", item.key.occurrence, own.round if own else 1)
    ref = own.references.get("request", "") if own else ""
    request = next((r for known, r in held if known == ref), None)
    if request is None:
        raise unfit(f"{item.key} has no request on the server")
    made = encounter(plan, ref, name, item, noted)
    told = next(((known, r) for known, r in held if own_identifier(r) == name), None) or noted_before(held, made, 1)
    if told and told[1].get("status") != "entered-in-error":
        if all(told[1].get(part) == made[part] for part in ("status", "type", "period")):
            return f"{_told(plan, item, 'done', noted, ref)}{AS_BEFORE}"
        raise _kept_already(item, *told)
    if status_class(request) not in ("open", "busy", "done"):
        raise unfit(f"{item.key} is {request.get('status')} already", _STANDS.format(ref))
    entries = [_anew(server, *told, made) if told else _once(made, name)]
    if status_class(request) != "done":
        entries.append(_update(server, ref, completed(request, noted), request))
    first = _together(server, entries)[0]
    if not told and status_of(first) == THERE:
        raise _AgainError(_kept_already(item, "its Encounter", {}))
    return _told(plan, item, "done", noted, ref)


# What was noted is not written over by another note, but where it says that it does (corrected): of two days nobody
# could tell which is right.
_STANDS = "If that is wrong, correct {} on the server: a note does not write over what is done or withdrawn."


def _kept_already(item: Item, ref: str, encounter: Resource) -> WaykeeperError:
    """WKX240 for a visit that has its Encounter, with what corrects a wrong one."""
    day = str((encounter.get("period") or {}).get("start") or "")[:10]
    remedy = f"If that is wrong, set {ref} to entered-in-error on the server, then note the visit again."
    return unfit(f"{item.key} is recorded as kept already{f', on {day}' if day else ''} ({ref})", remedy)


def _anew(server: Server, ref: str, standing: Resource, made: Resource) -> Resource:
    """An Encounter that was entered in error says what happened after all; what others put on it stays."""
    kept: Resource = {name: standing[name] for name in ("meta", "identifier") if name in standing}
    return _update(server, ref, {**standing, **made, **kept}, standing)


def _once(made: Resource, name: str) -> Resource:
    """Created unless somebody noted the same visit at the same moment."""
    entry = _entry("POST", "Encounter", made, f"urn:uuid:{uuid4()}")
    entry["request"]["ifNoneExist"] = condition(made["identifier"][0]["system"], name)
    return entry


def _together(server: Server, entries: list[Resource]) -> Sequence[Resource]:
    """The answers to one transaction. Raises _AgainError where somebody wrote at the same moment."""
    try:
        return server.bundle({"resourceType": "Bundle", "type": "transaction", "entry": entries})
    except BadAnswerError as refused:
        raise _perhaps_again(refused, refused.status) from None


def _perhaps_again(refused: WaykeeperError, status: int) -> WaykeeperError | _AgainError:
    """The refusal itself; where somebody wrote at the same moment, that everything is to be read again."""
    return _AgainError(refused) if status in STALE else refused


def _update(server: Server, ref: str, changed: Resource, before: Resource) -> Resource:
    return _entry("PUT", ref, changed, f"{server.base}/{ref}", only_of(ref, before))


def _entry(method: str, url: str, resource: Resource, full: str, version: str = "") -> Resource:
    request = {"method": method, "url": url} | ({"ifMatch": version} if version else {})
    return {"fullUrl": full, "resource": resource, "request": request}


def _told(plan: Plan, item: Item, what: str, noted: Noted, ref: str) -> str:
    """The line that says what was written, and of whom and which operation: a slip may name another patient's plan, and
    of two plans of one patient with such an item the first is taken where no episode is given."""
    when, back = (
        ("until", comes_back(item, noted.on)) if what == "snoozed" else ("on", too_early(plan, item, what, noted))
    )
    return f"{item.key}: {what} by {noted.by} {when} {noted.on.isoformat()} for {whose(plan)} ({ref}){back}"


# which item, which resource


def _find(
    held: Sequence[tuple[str, Resource]], item: str, episode: int, pathway: str, what: str, patient: Identifier
) -> tuple[Plan, State, Item]:
    every = [(p, s) for p, s in read_all(held) if p.episode.number == episode]
    plans = [(p, s) for p, s in every if pathway in ("", p.pathway.name)]
    plans = [(p, s) for p, s in plans if p.episode.patient == patient] or plans  # of merged records each has its plan
    if not plans:
        of = f" and pathway {pathway}" if every else ""
        raise _unknown(f"the server holds no plan of this patient with episode {episode}{of}")
    found = [(p, s, i) for p, s in plans for i in (*p.items, plan_itself(p)) if item in (str(i.key), i.key.item)]
    if not found:
        known = [str(i.key) for p, _ in plans for i in p.items]
        raise _unknown(f"no item {item!r} in the plan", did_you_mean(item, known))
    if len(found) > 1:
        keys = sorted({str(i.key) for _, _, i in found})
        meant = _meant(found, what, patient) if len(keys) == 1 else []
        if len(meant) == 1:
            return meant[0]
        if len(keys) == 1:
            names = ", ".join(sorted(p.pathway.name for p, _, _ in found))
            raise _unknown(f"{item!r} is an item of several plans", f"Name the pathway: {names}.")
        raise _unknown(f"{item!r} names several items: {', '.join(keys)}", "Write the whole key.")
    return found[0]


def _meant(found: Sequence[tuple[Plan, State, Item]], what: str, patient: Identifier) -> list[tuple[Plan, State, Item]]:
    """Of plans that no option tells apart the one that asks for the restart that is noted, else the one in force."""
    asking = [one for one in found if (own := one[1].items.get(one[2].key)) and own.restart_asked]
    in_force = [p for p, _ in told_apart([(p, s) for p, s, _ in found], patient)]
    if what == "restarted" and len(in_force) == 1 and asking:
        return asking
    return [one for one in found if one[0] in in_force]


def _unknown(text: str, help_text: str = "") -> BadAnswerError:
    return BadAnswerError(finding("WKX221", text, help=help_text), 404)


def _part(
    held: Sequence[tuple[str, Resource]], plan: Plan, state: State, item: Item, what: str
) -> tuple[str, Resource]:
    way = WHAT_WAYS[what]
    known: ItemState | None = state.items.get(item.key)
    asked = what in OF_THE_UNLISTED and unanswered(item, plan, state)  # withdrawn, and still waits for a word
    if asked and item.key.kind == "hold":
        way = WHAT_WAYS["answered"]
    if item.key.kind not in way.kinds:
        allowed = ", ".join(way.kinds)
        raise unfit(f"{what} fits {allowed}; {item.key} is a {item.key.kind}")
    part = way.part[item.key.kind]
    if what == "restarted" and known and (known.restart_asked or (plan.withdrawn and part not in known.references)):
        part = RESTART  # stopped for a surgery that was cancelled or moved: that Task asks
        if part not in known.references and _paused_and_withdrawn(plan, known):
            return "", _restart(held, plan, item)
    ref = known.references.get(part, "") if known else ""
    resource = next((r for name, r in held if name == ref), None)
    if resource is None or (said := identity(resource)) is None or said.part != part:
        if part in OF_A_PAUSE and known and not ref and not plan.withdrawn:
            task = answered_since(plan, item, known, part)
            if task is not None:
                return "", {k: v for k, v in task.items() if k != "id"}  # the server names it
        on_again = what == "restarted" and known and known.answer and goes_on(known.answer)
        remedy = GOES_ON if on_again else PAUSED_BY
        raise unfit(f"{item.key} has no {part} on the server", remedy if part in OF_A_PAUSE else "")
    return ref, resource


def _paused_and_withdrawn(plan: Plan, own: ItemState) -> bool:
    """True where a pause was answered, the plan not made again with it, and withdrawn: the list asks for the restart,
    and no Task does."""
    return bool(plan.withdrawn) and own.answer is not None and pauses(own.answer)


def _restart(held: Sequence[tuple[str, Resource]], plan: Plan, item: Item) -> Resource:
    """The Task that a withdrawal would have written had the pause begun by then; the server names it."""
    found = holding(plan.episode, held)
    asked = restart_asked(plan, Stopped(item, "planned"), found, max(found.highest(item.key), 1), NO_SURGERY, None)
    assert asked is not None and asked.after is not None  # none stands
    return {name: value for name, value in asked.after.items() if name != "id"}


def _over(resource: Resource) -> bool:
    return status_class(resource) not in ("open", "busy")


def _says_so(resource: Resource, what: str, noted: Noted) -> bool:
    """True where this very note was written before: its answer had been lost, and it is run again."""
    if written_on(resource, noted) not in (resource.get("note") or []):
        return False
    told = {code: output_of(resource, code) for code in ("decision", "missed-days", "answer")}
    if what == "fact":
        return told["answer"] == noted.text
    if what in ("owner", "snoozed"):  # they leave no such note: it is of what was done on that day
        return False
    if what in ("closed", "reopened"):  # one takes the other back, in the same words perhaps
        return (output_of(resource, CLOSED) or "") == (noted.text if what == "closed" else "")
    if what != "answered":
        return True
    decision = noted.decision or ("hold" if noted.days is not None else None)
    return (told["decision"], told["missed-days"]) == (decision, None if noted.days is None else str(noted.days))


def _open_yet(
    held: Sequence[tuple[str, Resource]], plan: Plan, state: State, item: Item, what: str, resource: Resource, *,
    anew: bool,
) -> None:  # fmt: skip
    """Raises WaykeeperError WKX240 where the resource is done or withdrawn, and nothing more is asked about it.

    A clear answer about a medicine stands unless the note says that it takes its place: of two people who answer, the
    second may not know of the first.
    """
    own = state.items.get(item.key)
    answer = own.answer if own is not None else None
    if item.key.kind == "restriction" and own is not None and own.cls == "done" and own.done_on is None:
        return  # that it has ended is known, on which day is asked for
    asked = what in OF_THE_UNLISTED and unanswered(item, plan, state)
    if not _over(resource) or asked or (what == "answered" and answer is not None and unclear(answer)):
        return
    if what == "fact" and status_class(resource) == "done" and not plan.withdrawn:  # a slip is put right
        return
    open_plan = not plan.withdrawn or _taken_again_is_asked(own) or _restart_is_asked(own)
    if what == "stopped" and own is not None and own.was_to_stop and open_plan:  # by the answer of before
        return
    said = identity(resource)
    status = resource.get("status") or resource.get("lifecycleStatus")
    stands = answer is not None and what == "answered" and open_plan
    if stands and anew:
        return
    day = done_on(resource, plan.zone)
    details = f"{item.key} {said.part if said else ''} is {status} already{f', on {day.isoformat()}' if day else ''}"
    meant = meant_perhaps(held, plan) if plan.withdrawn else ""
    if answer is not None and stands:
        raise unfit(f"{details}: {_answer_told(answer)}", f"{meant} {INSTEAD}".strip())
    if not plan.withdrawn:
        ref = f"{resource['resourceType']}/{resource.get('id')}"
        again = what == "restarted" and answer is not None and goes_on(answer)
        raise unfit(f"{details} ({ref})", GOES_ON if again else _STANDS.format(ref))
    paused = answer is not None and not unclear(answer) and not goes_on(answer)
    if what == "restarted" and paused and by_us(resource) and not meant:
        return  # its last dose came after the withdrawal, so that no Task of its own asks: the list does
    remedy = meant or "Nothing is noted on a withdrawn plan."
    raise unfit(f"{details}: the plan was withdrawn ({plan.withdrawn})", remedy)


def _restart_is_asked(own: ItemState | None) -> bool:
    """True where a withdrawn plan's medicine was paused and nobody recorded its restart: that it is not taken any more
    is an answer too."""
    return own is not None and own.answer is not None and pauses(own.answer) and own.restarted_on is None


def _taken_again_is_asked(own: ItemState | None) -> bool:
    """True where the patient stopped, or was to, and the answer since then is to go on: no withdrawal ends that."""
    begun = own is not None and (own.stopped_on is not None or own.was_to_stop is not None)
    return begun and own is not None and own.answer is not None and goes_on(own.answer)


def _answer_told(answer: HoldAnswer) -> str:
    """An answer that stands: what, by whom, when."""
    who = " ".join((f"by {answer.by}" if answer.by else "", f"on {answer.on.isoformat()}" if answer.on else "")).strip()
    return f"{answer.told}{f' ({who})' if who else ''}"


_TASKS = ("task", "gate", "question", "medicine")
WHAT_WAYS: Mapping[str, _Way] = {
    "done": _Way(("task", "visit", "restriction", "goal"), _leading("task", "visit", "restriction", "goal"), completed),
    "released": _Way(("gate", "restriction"), _leading("gate", "restriction"), completed),
    "answered": _Way(("hold", "medicine"), {"hold": "confirm", "medicine": "review"}, answered),
    "fact": _Way(("question",), _leading("question"), fact),
    "stopped": _Way(("hold", "medicine"), {"hold": "stop", "medicine": "stop"}, completed),
    "restarted": _Way(("hold", "medicine"), {"hold": "restart", "medicine": "restart"}, completed),
    "owner": _Way(_TASKS, _leading(*_TASKS), owner),
    "snoozed": _Way(_TASKS, _leading(*_TASKS), snoozed),
    "closed": _Way(_TASKS, _leading(*_TASKS), closed),
    "reopened": _Way(_TASKS, _leading(*_TASKS), reopened),
}
COMPLETED = "completed"  # the plan as a whole, after its last day
OF_THE_PLAN = ("owner", "snoozed", COMPLETED)
OF_THE_UNLISTED = ("answered", "closed", "reopened")  # noted of a medicine whose row went, on what asked about it
KEPT = ("owner", "snoozed", "closed", "reopened")  # the day's work, of any kind of item: what is no Task gets one
# words that write a resource of their own about the item
ABOUT = ("contact", "no-answer", "taken")
WHAT = (*WHAT_WAYS, CORRECTED, *ABOUT, COMPLETED)


def _write_about(
    server: Server, held: Sequence[tuple[str, Resource]], plan: Plan, state: State, item: Item, what: str, noted: Noted,
    table: Counter[str] | None,
) -> str:  # fmt: skip
    known = state.items.get(item.key)
    part = LEADING[item.key.kind][1]
    ref = known.references.get(part, "") if known else ""
    if not ref:
        raise unfit(f"{item.key} is not on the server")
    resource = statement(plan, item, ref, noted) if what == "taken" else communication(plan, ref, what, noted)
    name, number = name_in(Counter() if table is None else table, plan, item, what, noted, ref)
    before = noted_before(held, resource, number)
    made = Created(standing(item, *before), True) if before else created(server, plan, item, resource, name)
    told = _told(plan, item, what, noted, made.reference + (BEFORE if made.stood else ""))
    return told + (ANOTHER if made.stood and table is None else "")


__all__ = ["WHAT", "Key", "note"]
