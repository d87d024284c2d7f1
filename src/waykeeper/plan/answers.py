"""What people recorded, as one value with a digest, so that an old bundle can be told from a new one."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict

from waykeeper.plan.model import Answers, Item, Key, PlanPhase


def digest(answers: Answers, items: Iterable[Item] = (), phases: Iterable[PlanPhase] = ()) -> str:
    """Twelve hex digits of everything recorded that changes the plan of these items; "" where nothing does.

    A completed task or a released gate counts only where a phrase of the plan counts from it: that somebody called
    the patient makes no other plan, and must not make the bundle of the same morning look old. Rounds count.
    """
    phrases = [p for i in items for p in (i.phrase, i.window_phrase, i.valid_for)] + [p.days for p in phases]
    counted_from = " and ".join(phrases)
    holds = {str(k): {f: str(v) for f, v in asdict(a).items()} for k, a in answers.holds.items()}
    told = {
        "holds": holds,
        "released": {k: str(v) for k, v in answers.released.items() if f"release of {k}" in counted_from},
        "completed": {str(k): str(v) for k, v in answers.completed.items() if _counts(k, counted_from)},
        "facts": dict(answers.facts),
        "rounds": {str(k): n for k, n in answers.rounds.items() if n > 1},
    }
    if answers.proposed:
        told["proposed"] = {str(k): {f: str(v) for f, v in asdict(a).items()} for k, a in answers.proposed.items()}
    if not any(told.values()):
        return ""
    return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:12]


def _counts(key: Key, counted_from: str) -> bool:
    return f"completion of {key.item}" in counted_from or f"visit {key.item}" in counted_from
