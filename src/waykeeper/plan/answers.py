"""What people recorded, as one value with a digest, so that an old bundle can be told from a new one."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, replace

from waykeeper.medicines import REASON_ONLY, Ruleset, by_medicine
from waykeeper.plan.model import Answers, HoldAnswer, Item, Key, Plan, PlanPhase, State
from waykeeper.record.model import MedicineEntry

YES_NO = ("yes", "no")  # the answers to a question that compile understands
_TOLD = tuple(f.name for f in fields(HoldAnswer) if f.compare)  # what a person said; not about which medicine


def digest(answers: Answers, items: Iterable[Item] = (), phases: Iterable[PlanPhase] = ()) -> str:
    """Twelve hex digits of everything recorded that changes the plan of these items; "" where nothing does.

    The answers to questions follow in words (`facts_told`): what was compiled with one that was changed or taken back
    since must be found, and of digits nobody can tell which of many answers changed.

    A completed task or a released gate counts only where a phrase of the plan counts from it: that somebody called
    the patient makes no other plan, and must not make the bundle of the same morning look old. Rounds count.
    """
    phrases = [p for i in items for p in (i.phrase, i.window_phrase, i.valid_for)] + [p.days for p in phases]
    counted_from = " and ".join(phrases)
    told = {
        "holds": _as_told(answers.holds),
        "released": {k: str(v) for k, v in answers.released.items() if f"release of {k}" in counted_from},
        "completed": {str(k): str(v) for k, v in answers.completed.items() if _counts(k, counted_from)},
        "facts": dict(answers.facts),
        "rounds": {str(k): n for k, n in answers.rounds.items() if n > 1},
    }
    if answers.proposed:
        told["proposed"] = _as_told(answers.proposed)
    if not any(told.values()):
        return ""
    digits = hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:12]
    return " ".join([digits, *(f"{fact}={said}" for fact, said in sorted(answers.facts.items()) if said in YES_NO)])


def facts_told(digest: str) -> dict[str, str]:
    """The answers to questions in a digest, by fact. A digest of before they were told has none."""
    return {fact: said for fact, _, said in (word.partition("=") for word in digest.split()[1:])}


def recorded(state: State) -> Answers:
    """Everything recorded that changes a plan: holds answered, gates released, tasks done, questions answered."""
    items = state.items.values()
    done = {s.key: s.done_on for s in items if s.cls == "done" and s.status == "completed" and s.done_on}
    return Answers(
        holds={s.key: s.answer for s in items if s.answer is not None},
        released={key.item: day for key, day in done.items() if key.kind == "gate"},
        completed={key: day for key, day in done.items() if key.kind in ("task", "visit")},
        facts={
            s.key.item: s.fact_answer
            for s in items
            if s.key.kind == "question" and s.fact_answer and s.cls != "void"  # entered in error: nobody said it
        },
        rounds={s.key: s.round for s in items if s.round > 1},
        proposed={s.key: s.earlier for s in items if s.answer is None and s.earlier is not None},
    )


def made_with(plan: Plan, state: State) -> dict[str, str] | None:
    """The answers to questions that a plan was made with, by fact; None where it is too old to say."""
    told = facts_told(plan.answers)
    return told if told or not plan.answers else facts_by_digits(plan, state)


def facts_by_digits(plan: Plan, state: State) -> dict[str, str] | None:
    """The answers to questions that went into a plan whose digest has digits and no words; None where they do not say.

    Its digits are compared with those of what is recorded now: as it stands, with one answer the other way, given or
    taken away, and with none. They say nothing where more than that was recorded since.
    """
    now = recorded(state)
    gone = {key for key, own in state.items.items() if own.cls == "withdrawn"}
    items = [item for item in plan.items if item.key not in gone]
    questions = [item.fact for item in plan.items if item.fact]
    for facts in _perhaps(now.facts, questions):
        if digest(replace(now, facts=facts), items, plan.phases).split()[:1] == plan.answers.split()[:1]:
            return {fact: said for fact, said in facts.items() if said in YES_NO}
    return None


def _perhaps(facts: Mapping[str, str], questions: Iterable[str]) -> Iterator[dict[str, str]]:
    yield dict(facts)
    for fact in questions:
        others = {name: said for name, said in facts.items() if name != fact}
        yield others
        yield from ({**others, fact: said} for said in YES_NO)
    yield {}


def _as_told(answers: Mapping[Key, HoldAnswer]) -> dict[str, dict[str, str]]:
    return {str(key): {name: str(getattr(answer, name)) for name in _TOLD} for key, answer in answers.items()}


def for_list(
    answers: Answers, medicines: Sequence[MedicineEntry], rules: Ruleset
) -> tuple[Answers, dict[str, HoldAnswer]]:
    """Answers about a list of medicines as it is now: those that speak for it, and by row those that do not.

    An answer that was given for another medicine under the same order counts no more, neither as a decision nor as a
    number to propose. It is told for as long as nobody has answered about the medicine that stands there now.
    """
    if not answers.holds and not answers.proposed:
        return answers, {}
    past: dict[str, HoldAnswer] = {}
    standing: list[dict[Key, HoldAnswer]] = []
    for told in (answers.proposed, answers.holds):
        kept = dict(told)
        for kind in dict.fromkeys(key.kind for key in told):
            rows = {key.item: answer for key, answer in told.items() if key.kind == kind}
            for row, answer in by_medicine(rows, medicines, rules)[1].items():
                past[row] = answer
                del kept[Key(kind, row)]
        standing.append(kept)
    proposed, holds = standing
    answered = {key.item for key, answer in holds.items() if answer.decision != REASON_ONLY}
    return replace(answers, holds=holds, proposed=proposed), {r: a for r, a in past.items() if r not in answered}


def _counts(key: Key, counted_from: str) -> bool:
    return f"completion of {key.item}" in counted_from or f"visit {key.item}" in counted_from
