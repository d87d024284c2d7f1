"""State -> Answers: what people recorded, in the form that the next compile takes."""

from __future__ import annotations

from waykeeper.plan.model import Answers, State


def answers(state: State) -> Answers:
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
