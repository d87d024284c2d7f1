"""State -> Answers: what people recorded, in the form that the next compile takes."""

from __future__ import annotations

from waykeeper.plan.answers import recorded as answers

__all__ = ["answers"]
