"""Push one plan: read, decide, send one transaction, read back and prove it."""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from waykeeper.exchange.capabilities import NOBODY, capabilities, missing, proof
from waykeeper.exchange.definitions import outdated
from waykeeper.exchange.dropped import altered, forgetting, lost, without_dead_entries
from waykeeper.exchange.errors import BadAnswerError, DroppedError, EntryRefusedError, NotProvenError
from waykeeper.exchange.reading import of_patients, one_person, under_another_number
from waykeeper.exchange.report import PushReport
from waykeeper.exchange.server import WAIT_AND_AGAIN, Held, Server, only_of
from waykeeper.exchange.trial import Trial, trial
from waykeeper.exchange.unreadable import legible
from waykeeper.exchange.wire_json import dumps, loads
from waykeeper.fhir import read
from waykeeper.fhir.identity import parse_key
from waykeeper.fhir.names import IDENTIFIER_PATH, TEST_LABEL
from waykeeper.findings import Finding, WaykeeperError, did_you_mean, finding
from waykeeper.merge import apply, decide
from waykeeper.merge.guards import guards
from waykeeper.merge.held import ROOT, holding
from waykeeper.merge.model import Decision, Decisions, Side
from waykeeper.plan.model import Plan
from waykeeper.record import identifier_names, resources_of

TRIES = 4  # the first, and three times read and decided again
STALE = (409, 412)
CHECKED_CONTENT = (400, 412, 422)  # how servers refuse what is not legal by the definitions that they hold


@dataclass(frozen=True, slots=True)
class Why:
    """What the Provenance of a change says beside the run: what was done, by whom, for what reason.

    activity   push, move or withdrawal
    by         the person who asked for it, "" where only the tool is known
    """

    activity: str = "push"
    by: str = ""
    reason: str = ""


class PlanRefusedError(WaykeeperError):
    """A guard stopped the push; nothing was sent."""

    exit_code = 1


def push(
    bundle: Mapping[str, Any],
    server: Server,
    *,
    dry_run: bool = False,
    take: Mapping[str, str] | None = None,
    now: datetime,
) -> PushReport:
    """Merge the plan of a compiled bundle into a server.

    take   answers to conflicts: item key or name -> "ours" or "theirs"
    now    goes into the Provenance, which is written only if something changed

    Raises PlanRefusedError (a guard; nothing was sent), BadAnswerError, NoAnswerError, CannotSendError.
    """
    plan, _ = read(resources_of(bundle))
    sides: dict[str, Side] = {name: "ours" if side == "ours" else "theirs" for name, side in (take or {}).items()}
    return PlanPush(server, plan, sides, now).run(dry_run)


def looked_at(bundle: Mapping[str, Any], server: Server, now: datetime) -> Decisions:
    """What a push would decide about each item, no guard asked: an answer to a guard is looked up here too."""
    plan, _ = read(resources_of(bundle))
    return PlanPush(server, plan, {}, now)._decided(guarded=False)


@dataclass
class PlanPush:
    """One push; lives no longer than the call."""

    server: Server
    plan: Plan
    take: Mapping[str, Side]
    now: datetime
    proven: Trial | None = field(default=None)
    why: Why = Why()
    reinstate: bool = False
    brought_back: bool = False  # by a person's word: the state of the plan is not asked about
    today: date | None = None  # the day to decide on, where it is not that of `now`
    versions: Mapping[str, str] = field(default_factory=dict, init=False)  # of what was read last

    def run(self, dry_run: bool) -> PushReport:
        """Decide, send and prove; decided again where somebody wrote in between."""
        for attempt in range(TRIES):
            decisions = self._decided()
            self._known(decisions)
            if dry_run or not decisions.changing:
                return PushReport(decisions, self.server.base, dry_run=dry_run)
            if not self.sent(decisions, attempt):
                continue
            return PushReport(decisions, self.server.base, sent=True, findings=self.repaired(decisions))
        raise AssertionError  # the last attempt returns or raises

    def sent(self, decisions: Decisions, attempt: int) -> bool:
        """Send; False where everything is to be read and decided again. The last of `TRIES` attempts raises instead.

        True also where fewer entries were answered than were sent: what stands is read, and tells what was dropped.
        """
        try:
            self.send(decisions, again=attempt > 0)
        except DroppedError:
            return True
        except BadAnswerError as refused:
            if attempt < TRIES - 1 and self._heals(refused):
                return False
            raise
        return True

    def _heals(self, refused: BadAnswerError) -> bool:
        """True where it may go through once everything was read and decided again; waits where the server wants it.

        409 is a newer version, or another transaction at the same moment. 412 is a newer version too on some servers,
        and several matches on all: that one stays, so it is tried again only where something has changed meanwhile.
        """
        if isinstance(refused, EntryRefusedError) and refused.status in (*STALE, *WAIT_AND_AGAIN):
            self.server.pause(refused.pause)
            return True
        if refused.status == 412:
            before = self.versions
            self._held()
            return self.versions != before
        return refused.status == 409

    def repaired(self, decisions: Decisions) -> tuple[Finding, ...]:
        """Read everything again; what the server was given to create and does not hold is sent once more.

        Raises NotProvenError where it cannot be read.
        """
        with reading_back():
            return self._repaired(decisions)

    def _repaired(self, decisions: Decisions) -> tuple[Finding, ...]:
        held = self._held()
        gone = lost(decisions, held)
        if not gone:
            return (*altered(decisions, held), *self.proof(held))
        self.take = {}
        self.sent(self.decided(forgetting(held, gone), guarded=False), TRIES - 1)
        again = self._held()
        still = lost(decisions, again)
        said = [
            finding("WKX230", f"{d.item} {d.part}: not there although it was sent twice")
            if d in still
            else finding("WKX213", f"{d.item} {d.part}: was not there at first, it was sent again", severity="warning")
            for d in gone
        ]
        return (*said, *(() if still else self.proof(again)))

    def _known(self, decisions: Decisions) -> None:
        """An answer to a conflict of an item that is not there is a slip of the keyboard."""
        items = {name for d in decisions.rows for name in (d.item, parse_key(d.item).item)}
        for name in sorted(set(self.take) - items):
            raise WaykeeperError(finding("WKX221", f"no item {name!r} in the plan", help=did_you_mean(name, items)))

    def _decided(self, *, guarded: bool = True) -> Decisions:
        return self.decided(self._held(), guarded=guarded)

    def decided(self, held: list[Held], *, guarded: bool = True, moving: bool = False) -> Decisions:
        """The merge over what was read. Raises PlanRefusedError where a guard does not let it pass."""
        held = without_dead_entries(self.server, held, self.plan.episode)
        plan = self._located(held)
        if guarded:
            self._guard(plan, held, moving)
        return decide(plan, held, take=self.take, today=self._today(), reinstate=self.brought_back)

    def _held(self) -> list[Held]:
        people = one_person(self.server, self.plan.episode.patient)
        if not people and self.server.proven is None:
            of_patients(self.server, [NOBODY])  # a search that the server refuses is met before anything is sent
        held = legible([*people, *of_patients(self.server, [ref for ref, _ in people])]) if people else []
        self.versions = {ref: str((r.get("meta") or {}).get("versionId")) for ref, r in held}
        return held

    def _located(self, held: list[Held]) -> Plan:
        """The plan with the Patient as this server names them: of several that were merged, the one that it names."""
        name = str(self.plan.episode.patient)
        people = [(ref, r) for ref, r in held if r.get("resourceType") == "Patient"]
        reference = next((ref for ref, r in people if name in identifier_names(r)), "")
        return replace(self.plan, patient=replace(self.plan.patient, reference=reference))

    def _today(self) -> date:
        return self.today or self.now.astimezone(ZoneInfo(self.plan.zone)).date()

    # guards

    def _guard(self, plan: Plan, held: list[Held], moving: bool = False) -> None:
        patient = next((r for _, r in held if r.get("resourceType") == "Patient"), None)
        found: list[Finding] = []
        if self.server.kind != "patients" and not (plan.patient.test_data or _labelled(patient)):
            found.append(finding("WKX110", "the Patient has no test-data label"))
        if patient is None and not plan.patient.name and not plan.source_patient:
            found.append(finding("WKX221", "the server has no patient with this identifier, and the bundle has none"))
        holds = holding(plan.episode, held)
        if ROOT not in holds.own:
            apart = under_another_number(self.server, plan.episode)
            found += [
                finding("WKU111", f"{ref} is this plan, of {whose}, who does not have its number")
                for ref, whose in apart
                if whose != plan.patient.reference
            ]
        said = self.take.get("plan") == "ours"  # a person's word
        let_go = [name for name, side in self.take.items() if side == "ours"]
        found += guards(
            plan, holds, reinstate=self.reinstate or said, moving=moving,
            going_back=self.brought_back or said, let_go=let_go, today=self._today(),
        )  # fmt: skip
        if found:
            raise PlanRefusedError(found)

    def _outside(self, decisions: Decisions) -> None:
        """Refuse where something that the plan refers to anew is not on the server, or would be written back in part.

        What the server's own copy referred to already stays as it is, gone or not: a plan that lost parts on a server
        that lets go of them can be withdrawn all the same.

        Raises BadAnswerError WKX112 where what would be updated has no version.
        """
        for d in decisions.changing:
            if d.reference:
                only_of(d.reference, d.before or {})
        known = {ref for ref, _ in decisions.standing}
        wanted = set[str]().union(*(_references(d.after) - _references(d.before) for d in decisions.changing)) - known
        wanted = {r for r in wanted if not r.startswith(("urn:", "#")) and r != _computed_patient(decisions.plan)}
        absent = self.server.absent(sorted(wanted))
        found = [finding("WKX111", f"{ref} is not on the server") for ref in absent]
        found += [finding("WKX113", f"{d.item} {d.part}: {d.reference}") for d in decisions.changing if _in_part(d)]
        if found:
            raise PlanRefusedError(found)

    def _fit(self) -> None:
        """Refuse, with the whole list, a server that lacks what a push needs."""
        if not proof(self.server):
            return
        try:
            found = missing(capabilities(self.server))
        except BadAnswerError:  # no CapabilityStatement: what was tried is enough
            found = proof(self.server)
        raise PlanRefusedError(found)

    # sending

    def send(self, decisions: Decisions, *, again: bool = False) -> None:
        """One transaction. Raises PlanRefusedError where something is missing, BadAnswerError with the items named.

        again   it was refused as stale: what is not there after reading again may have been deleted, and no id is put
                a second time
        """
        if any(not d.reference for d in decisions.changing):
            self._fit()
            self.proven = trial(self.server)
        self._outside(decisions)
        transaction = apply(decisions, form=self.proven.form if self.proven and not again else "post")
        names = _names(transaction["entry"], decisions)
        transaction["entry"].append(_provenance(decisions, transaction["entry"], self.now, self.why))
        try:
            self.server.bundle(transaction)
        except BadAnswerError as refused:
            why = outdated(self.server) if refused.status in CHECKED_CONTENT else ()
            raise refused.about([*(_mapped(f, names) for f in refused.findings), *why]) from None

    def proof(self, held: list[Held]) -> tuple[Finding, ...]:
        """Decide again over what was read again: a push that went through leaves nothing to send."""
        self.take = {}
        left = self.decided(held, guarded=False).changing
        return tuple(
            finding("WKX230", f"{d.item} {d.part}: still to {d.word} after the push ({d.reason or 'not there'})")
            for d in left
        )


@contextmanager
def reading_back() -> Iterator[None]:
    """What fails here comes after the server carried the change out: it stands, and nobody has seen how.

    Raises NotProvenError, with what kept it from being read.
    """
    try:
        yield
    except WaykeeperError as failed:
        said = finding("WKX302", "the server carried it out; what stands now could not be read back")
        raise NotProvenError([said, *failed.findings]) from None


def _labelled(patient: Mapping[str, Any] | None) -> bool:
    labels = ((patient or {}).get("meta") or {}).get("security") or []
    return any((label.get("system"), label.get("code")) == TEST_LABEL for label in labels)


_REFERENCE = re.compile(rb'"reference":"((?:[^"\\]|\\.)*)"')


def _references(resource: Mapping[str, Any] | None) -> set[str]:
    """Every literal reference of a resource; found in its JSON, which is many times quicker than a walk."""
    return {str(loads(b'"' + found + b'"')) for found in set(_REFERENCE.findall(dumps(resource)))}


def _computed_patient(plan: Plan) -> str:
    return f"Patient/{plan.episode.uuid('patient', '', 'patient')}"


def _in_part(decision: Decision) -> bool:
    """True for a resource that the server calls a subset of itself."""
    tags = ((decision.before or {}).get("meta") or {}).get("tag") or []
    return bool(decision.reference) and any(tag.get("code") == "SUBSETTED" for tag in tags)


def _names(entries: list[dict[str, Any]], decisions: Decisions) -> list[str]:
    """Whose each entry is, for the message of a refusal."""
    whose = {d.reference or str((d.after or {}).get("id")): f"{d.item} {d.part}" for d in decisions.changing}
    known = [(str(e.get("fullUrl") or "").removeprefix("urn:uuid:"), str(e["request"]["url"])) for e in entries]
    return [whose.get(url) or whose.get(made) or "patient" for made, url in known]


ENTRY = re.compile(r"entry\[(\d+)\]")


def _mapped(one: Finding, names: list[str]) -> Finding:
    """A refusal with the items that it speaks of."""
    numbers = [int(n) for n in ENTRY.findall(one.details)]
    items = dict.fromkeys(names[n] for n in numbers if n < len(names))
    return replace(one, details=f"{', '.join(items)}: {one.details}") if items else one


def _provenance(decisions: Decisions, entries: list[dict[str, Any]], now: datetime, why: Why) -> dict[str, Any]:
    """Who made this change, why, from which version, and of what; the run is named here and nowhere else."""
    targets = [
        {"reference": e["fullUrl"] if e.get("fullUrl") else e["request"]["url"]}
        for e in entries
        if e["request"]["url"] != "Patient"
    ]
    plan = decisions.plan
    system = plan.episode.clinic_url + IDENTIFIER_PATH
    run = {"identifier": {"system": f"{system}/run", "value": str(uuid.uuid4())}, "display": "The push that wrote this"}
    tool = {"identifier": {"system": system, "value": "waykeeper"}, "display": f"Waykeeper {plan.waykeeper}"}
    resource = {
        "resourceType": "Provenance",
        "text": {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml"><p>Plan pushed</p></div>'},
        "target": targets,
        "recorded": now.isoformat(timespec="milliseconds"),
        "activity": {"text": why.activity},
        "agent": [*([{"who": {"display": why.by}}] if why.by else []), {"who": tool}],
        "entity": [{"role": "source", "what": run}, *_revised(decisions, system)],
    }
    if why.reason:
        resource["reason"] = [{"text": why.reason}]
    if plan.patient.test_data:
        resource["meta"] = {"security": [{"system": TEST_LABEL[0], "code": TEST_LABEL[1]}]}
    return {
        "fullUrl": f"urn:uuid:{uuid.uuid4()}",
        "resource": resource,
        "request": {"method": "POST", "url": "Provenance"},
    }


def _revised(decisions: Decisions, system: str) -> list[dict[str, Any]]:
    """The version of the root that this change was made from; nothing where the plan is new.

    By this a change is found again that left the root itself as it was.
    """
    root = next((d for d in decisions.rows if d.item.startswith("plan/") and d.part == "plan" and d.reference), None)
    version = str(((root.before if root else None) or {}).get("meta", {}).get("versionId") or "")
    if root is None or not version:
        return []
    named = {"identifier": {"system": f"{system}/version", "value": f"{root.reference}/_history/{version}"}}
    what = {"reference": root.reference, **named, "display": f"{root.reference} version {version}"}
    return [{"role": "revision", "what": what}]
