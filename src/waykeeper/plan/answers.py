"""What people recorded, as one value with a digest, so that an old bundle can be told from a new one."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict

from waykeeper.plan.model import Answers


def digest(answers: Answers) -> str:
    """Twelve hex digits of everything recorded; "" where nothing is. Rounds count, their order does not."""
    holds = {str(k): {f: str(v) for f, v in asdict(a).items()} for k, a in answers.holds.items()}
    told = {
        "holds": holds,
        "released": {k: str(v) for k, v in answers.released.items()},
        "completed": {str(k): str(v) for k, v in answers.completed.items()},
        "facts": dict(answers.facts),
        "rounds": {str(k): n for k, n in answers.rounds.items() if n > 1},
    }
    if answers.proposed:
        told["proposed"] = {str(k): {f: str(v) for f, v in asdict(a).items()} for k, a in answers.proposed.items()}
    if not any(told.values()):
        return ""
    return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:12]
