"""What a push may change: nobody's work is lost, and no wrong date is left standing. See README.md."""

from waykeeper.merge.apply import apply
from waykeeper.merge.decide import decide
from waykeeper.merge.difference import Row, difference
from waykeeper.merge.end import withdraw
from waykeeper.merge.model import Decision, Decisions, Question

__all__ = ["Decision", "Decisions", "Question", "Row", "apply", "decide", "difference", "withdraw"]
