"""What a push may change: nobody's work is lost, and no wrong date is left standing. See README.md."""

from waykeeper.merge.apply import apply
from waykeeper.merge.decide import decide
from waykeeper.merge.model import Decision, Decisions, Question

__all__ = ["Decision", "Decisions", "Question", "apply", "decide"]
