"""What a push did or would do, as text and JSON."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

from waykeeper.exchange.fields import fields_of
from waykeeper.findings import Finding
from waykeeper.merge.model import Decision, Decisions, Question, Word

QUIET = ("unchanged", "history")
ORDER: tuple[Word, ...] = (
    "create",
    "write",
    "reinstate",
    "replace",
    "withdraw",
    "close",
    "conflict",
    "keep",
    "unchanged",
    "history",
)


@dataclass(frozen=True, slots=True)
class PushReport:
    """The decisions of one push, whether they were sent, and what the re-read found (nothing is well)."""

    decided: Decisions
    server: str
    dry_run: bool = False
    sent: bool = False
    findings: tuple[Finding, ...] = ()

    @property
    def decisions(self) -> tuple[Decision, ...]:
        """A decision for each resource."""
        return self.decided.rows

    @property
    def changes(self) -> tuple[Decision, ...]:
        """The decisions that send something."""
        return self.decided.changing

    @property
    def written(self) -> tuple[Decision, ...]:
        """As `changes`."""
        return self.decided.changing

    @property
    def unchanged(self) -> tuple[Decision, ...]:
        """Resources that stay as they are."""
        return tuple(d for d in self.decided.rows if not d.changes)

    @property
    def conflicts(self) -> tuple[Question, ...]:
        """What waits for a person."""
        return self.decided.conflicts

    def text(self) -> str:
        """What a person reads: a line each for what changes or waits, then one of summary and proof."""
        lines = []
        for d in self.decisions:
            if d.word not in QUIET and (d.word != "keep" or self.dry_run):
                lines.append(decision_line(d))
                lines += [f"           {one.text()}" for one in fields_of(d)] if self.dry_run else []
        if not self.dry_run and self.sent and all(d.word == "create" for d in self.changes):
            lines = []
        lines += [f"note: {notice}" for notice in self.decided.notices]
        if self.conflicts:
            items = list(dict.fromkeys(str(q.key) for q in self.conflicts))
            lines.append(f"{len(items)} waiting for a person: {', '.join(items)}")
            lines.append("answer with --take ours:ITEM or --take theirs:ITEM")
        counted = Counter(d.word for d in self.decisions)
        summary = ", ".join(f"{counted[word]} {word}" for word in ORDER if counted[word])
        return "\n".join([*lines, self._sentence(summary), *self._proof()]) + "\n"

    def _sentence(self, what: str) -> str:
        """What was sent, would be sent, or stands, in counts."""
        if self.dry_run:
            return f"would be sent: {what or 'nothing'}"
        verb = "sent" if self.sent else "nothing to send"
        return f"{verb}: {what}" if what else verb

    def _proof(self) -> list[str]:
        if self.findings:
            return [f.line() for f in self.findings]
        return ["read back: the server holds what was sent, nothing is left to change"] if self.sent else []

    def json(self) -> dict[str, Any]:
        """The same with stable names."""
        return {
            "schema_version": 1,
            "server": self.server,
            "dry_run": self.dry_run,
            "sent": self.sent,
            "decisions": [{**d.json(), "fields": [f.json() for f in fields_of(d)]} for d in self.decisions],
            "conflicts": [
                {"item": str(q.key), "part": q.part, "groups": list(q.groups), "why": q.why} for q in self.conflicts
            ],
            "notices": list(self.decided.notices),
            "findings": [
                {"code": f.code, "severity": f.severity, "details": f.details, "help": f.help} for f in self.findings
            ],
        }


def decision_line(decision: Decision) -> str:
    """One decision: its word, item, part and groups, and why."""
    groups = f" {'+'.join(decision.groups)}" if decision.groups else ""
    round_ = f" round {decision.round}" if decision.round > 1 else ""
    reason = f": {decision.reason}" if decision.reason else ""
    return f"{decision.word:<10} {decision.item} [{decision.part}{round_}]{groups}{reason}"
