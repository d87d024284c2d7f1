"""Move one plan: read, compile again, decide, send one transaction, read back and prove it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from zoneinfo import ZoneInfo

from waykeeper.exchange.pushing import TRIES, PlanPush, Why
from waykeeper.exchange.reading import of_several, plan_resources
from waykeeper.exchange.server import Held, Server
from waykeeper.exchange.trial import Trial
from waykeeper.exchange.versions import before_last_move
from waykeeper.fhir import read_all
from waykeeper.findings import Finding
from waykeeper.merge.decide import decide
from waykeeper.merge.model import Decisions
from waykeeper.plan.model import Identifier, Plan, State

Recompile = Callable[[Plan, State, Sequence[Held]], Plan]


@dataclass(frozen=True)
class Moved:
    """What a move did, or would do.

    old, old_state   the plan before; `held` what was read with it
    decided          what becomes of each resource; `new`, `new_state` the plan after
    earlier          it stood so already: what is shown was done by an earlier run
    findings         what the re-read found (nothing is well)
    """

    old: Plan
    old_state: State
    held: Sequence[Held]
    decided: Decisions
    new: Plan
    new_state: State
    server: str = ""
    dry_run: bool = False
    sent: bool = False
    earlier: bool = False
    findings: tuple[Finding, ...] = ()


@dataclass
class Mover:
    """Moves plans on one server. The server is tried out once, however many plans are moved."""

    server: Server
    now: datetime
    why: Why = Why("move")
    today: date | None = None
    _proven: Trial | None = field(default=None, init=False)

    def move(
        self, patient: Identifier, recompile: Recompile, *, episode: int = 1, pathway: str = "",
        reinstate: bool = False, dry_run: bool = False,
    ) -> Moved:  # fmt: skip
        """Move one plan in one transaction. Run again it changes nothing and says the same.

        recompile   gives the plan as it is wanted now, from the plan, the state and everything read
        pathway     which, where the patient has several plans
        reinstate   a plan that was withdrawn is wanted again

        Raises BadAnswerError WKX221 (no such plan), PlanRefusedError (a guard), and as a push does.
        """
        for attempt in range(TRIES):
            held = plan_resources(self.server, patient)
            old, state = of_several(held, episode, pathway, patient)
            push = PlanPush(self.server, recompile(old, state, held), {}, self.now, self._proven, self.why)
            push.today = self._today(old)
            push.brought_back = reinstate
            push.reinstate = reinstate or state.plan_status == "on-hold"
            decisions = push.decided(held, moving=True)
            if not decisions.changing:
                return self._earlier(held, old, state, decisions, dry_run)
            if dry_run:
                return _moved(old, state, held, decisions, self.server.base, dry_run=True)
            if not push.sent(decisions, attempt):
                continue
            self._proven = push.proven or self._proven
            proof = push.repaired(decisions)
            return _moved(old, state, held, decisions, self.server.base, sent=True, findings=proof)
        raise AssertionError  # the last attempt returns or raises

    def _today(self, plan: Plan) -> date:
        return self.today or self.now.astimezone(ZoneInfo(plan.zone)).date()

    def _earlier(self, held: Sequence[Held], old: Plan, state: State, decisions: Decisions, dry_run: bool) -> Moved:
        """Nothing is left to change: what the last move changed is found in the server's own history."""
        before = before_last_move(self.server, held, old.episode, state.plan_reference)
        if before is None:
            return _moved(old, state, held, decisions, self.server.base, dry_run=dry_run)
        was, was_state = next((p, s) for p, s in read_all(before) if p.episode == old.episode)
        again = decide(decisions.plan, before, today=self._today(old))
        return Moved(was, was_state, before, again, old, state, self.server.base, dry_run, earlier=True)


def _moved(
    old: Plan, state: State, held: Sequence[Held], decisions: Decisions, server: str, *,
    dry_run: bool = False, sent: bool = False, findings: tuple[Finding, ...] = (),
) -> Moved:  # fmt: skip
    new, new_state = next((p, s) for p, s in read_all(decisions.standing) if p.episode == old.episode)
    return Moved(old, state, held, decisions, new, new_state, server, dry_run, sent, findings=findings)


def moved_in_files(
    held: Sequence[Held], recompile: Recompile, today: date | None, *, episode: int = 1, pathway: str = ""
) -> Moved:
    """The same over what files hold; nothing is sent. Raises BadAnswerError WKX221."""
    old, state = of_several(list(held), episode, pathway)
    day = today or datetime.now(ZoneInfo(old.zone)).date()
    decisions = decide(recompile(old, state, held), held, today=day)
    return _moved(old, state, held, decisions, "", dry_run=True)
