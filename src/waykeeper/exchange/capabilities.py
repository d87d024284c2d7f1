"""What a server can do for each thing that Waykeeper needs, and how that was found out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal
from urllib.parse import urlencode

from waykeeper.exchange.definitions import installed
from waykeeper.exchange.errors import BadAnswerError
from waykeeper.exchange.kinds import EVIDENCE, OURS
from waykeeper.exchange.server import NO_BATCH, STRICT, Server, status_of
from waykeeper.exchange.statement import Statement
from waykeeper.exchange.trial import Trial, trial
from waykeeper.fhir.names import BASE, IDENTIFIER_PATH
from waykeeper.findings import Finding, finding

Word = Literal["yes", "no", "unknown"]
How = Literal["declared", "probed", "not declared"]
NOBODY = "Patient/nobody"  # searches are tried for a patient that does not exist: nobody's data come back
R4 = ("4.0.0", "4.0.1")


@dataclass(frozen=True, slots=True)
class Ability:
    """One thing that is needed. What the CapabilityStatement omits is unknown, not missing, until it was probed.

    required   without it a push is refused
    """

    name: str
    can: Word
    how: How
    required: bool = True
    detail: str = ""

    def json(self) -> dict[str, Any]:
        """With stable names."""
        return {
            "name": self.name, "can": self.can, "how": self.how, "required": self.required, "detail": self.detail,
        }  # fmt: skip


def capabilities(server: Server, *, try_out: bool = True) -> tuple[Ability, ...]:
    """Read the CapabilityStatement once, try searches, and where allowed write one trial resource and take it back.

    Raises BadAnswerError where there is no CapabilityStatement, NoAnswerError, CannotSendError.
    """
    said = server.statement()
    if said is None:
        raise BadAnswerError(finding("WKX211", "metadata: the answer is no CapabilityStatement"), 200)
    found = [
        Ability("FHIR R4 (4.0.1)", _word(said.version in R4, bool(said.version)), "declared", detail=said.version),
        *(_proven(trial(server)) if try_out else _declared_only(said)),
        _private_search(server),
        *_searches(server, said),
        _export(said),
        _definitions(server),
        _sign_in(server),
    ]
    return tuple(found)


def lacking(found: Sequence[Ability]) -> tuple[Ability, ...]:
    """What is needed and certainly not there."""
    return tuple(a for a in found if a.required and a.can == "no")


def missing(found: Sequence[Ability]) -> tuple[Finding, ...]:
    """What is needed and certainly not there, as findings (WKX112)."""
    return tuple(finding("WKX112", f"{a.name}: no{f' ({a.detail})' if a.detail else ''}") for a in lacking(found))


def _word(holds: bool, known: bool = True) -> Word:
    return "yes" if holds else "no" if known else "unknown"


def _declared_only(said: Statement) -> list[Ability]:
    declared = "transaction" in said.interactions
    how: How = "declared" if declared else "not declared"
    names = [name for name, _ in PROVEN if name != PROVEN[0][0]]
    return [
        Ability(PROVEN[0][0], _word(declared, False), how),
        *(Ability(name, "unknown", "not declared") for name in names),
    ]


# What a trial proves -> whether it showed so. A push is refused where one of these is not there.
PROVEN = (
    ("transactions", lambda t: not t.transactions),
    ("transactions whole or not at all", lambda t: t.whole),
    ("updates only of the version read (If-Match)", lambda t: t.guarded),
    ("conditional creation, once only", lambda t: t.once),
    ("our extensions survive", lambda t: t.extensions),
    ("searches show what was just written", lambda t: t.seen),
)


def _proven(shown: Trial) -> list[Ability]:
    if shown.transactions:
        rest = [Ability(name, "unknown", "not declared") for name, _ in PROVEN[1:]]
        return [Ability(PROVEN[0][0], "no", "probed", detail=shown.transactions), *rest]
    put = shown.form == "put"
    detail = 'by PUT with If-Match W/"0"' if put else "ids are given by the server: POST with ifNoneExist is used"
    return [
        *(Ability(name, _word(showed(shown)), "probed") for name, showed in PROVEN),
        Ability("ids of ours, without overwriting", _word(put), "probed", required=False, detail=detail),
    ]


def proof(server: Server) -> tuple[Finding, ...]:
    """What a push needs and this server was found to lack, as findings; nothing where all is there. Tried once.

    Raises BadAnswerError, NoAnswerError, CannotSendError.
    """
    return missing(_proven(trial(server)))


def _private_search(server: Server) -> Ability:
    name = "searches in a body, so that no identifier enters an address"
    answer = server.send("POST", "Patient/_search", [("_id", "nobody")], form=True)
    return Ability(name, _word(answer.status < 400), "probed", detail="" if answer.status < 400 else str(answer.status))


def _wanted() -> dict[str, list[tuple[str, str]]]:
    """Each type that is written or read, with the search that finds it."""
    who = ("patient", NOBODY)
    ours = ("identifier", f"{BASE}{IDENTIFIER_PATH}|")
    return {kind: [who, ours] for kind in OURS} | {kind: [who] for kind in EVIDENCE}


def _searches(server: Server, statement: Statement) -> list[Ability]:
    """Each search that a push needs is tried, all in one batch where the server has batches."""
    wanted = _wanted()
    urls = {kind: f"{kind}?{urlencode([*params, ('_count', '1')])}" for kind, params in wanted.items()}
    entries = [{"request": {"method": "GET", "url": url}} for url in urls.values()]
    batch = Ability("batches of searches", "yes", "probed", required=False)
    try:
        answers = server.bundle({"resourceType": "Bundle", "type": "batch", "entry": entries})
        found_by = {kind: (status_of(a), a.get("resource")) for kind, a in zip(urls, answers, strict=True)}
    except BadAnswerError as refused:
        if refused.status not in NO_BATCH:
            raise
        batch = Ability("batches of searches", "no", "probed", required=False, detail="one after the other is used")
        singly = {kind: server.send("GET", url, headers=STRICT) for kind, url in urls.items()}
        found_by = {kind: (a.status, a.document) for kind, a in singly.items()}
    declared = statement.types
    found = [batch]
    for kind, (status, document) in found_by.items():
        by = f"a search by {', '.join(n for n, _ in wanted[kind])}"
        left_out = bool(isinstance(document, dict) and _matched(document))
        said = "" if kind in declared else "not in the CapabilityStatement"
        said = f"{status} to {by}" if status >= 400 else f"{by} gives what was not asked for" if left_out else said
        found.append(Ability(kind, _word(status < 400 and not left_out), "probed", detail=said))
    written = Ability("Provenance", _word("Provenance" in declared, bool(declared)), "declared")
    return [*found, written if declared else Ability("Provenance", "unknown", "not declared")]


def _matched(bundle: Mapping[str, Any]) -> bool:
    """True where a search for nobody found somebody: the server left a parameter out without a word."""
    found = [e.get("resource") or {} for e in bundle.get("entry") or () if _mode(e) == "match"]
    return any(r.get("resourceType") not in (None, "OperationOutcome") for r in found)


def _mode(entry: Mapping[str, Any]) -> str:
    return str((entry.get("search") or {}).get("mode", "match"))


def _export(said: Statement) -> Ability:
    offered = "export" in said.operations
    how: How = "declared" if offered else "not declared"
    return Ability("bulk export ($export)", _word(offered, False), how, required=False)


def _definitions(server: Server) -> Ability:
    """Whether our own definitions are there as this version writes; a server that holds none does not check by them."""
    name = "our definitions, where it checks by them"
    found = installed(server)
    other = [one.name for one in found if one.state in ("older", "other")]
    if other:
        return Ability(name, "no", "probed", required=False, detail=f"not those of this version: {', '.join(other)}")
    there = any(one.state == "same" for one in found)
    return Ability(name, _word(there, False), "probed" if there else "not declared", required=False)


def _sign_in(server: Server) -> Ability:
    """Whether the server says where tokens are given; an answer of another kind means that it does not."""
    name = "sign-in by SMART Backend Services"
    try:
        answer = server.send("GET", ".well-known/smart-configuration", headers={"Accept": "application/json"})
    except BadAnswerError:
        return Ability(name, "unknown", "not declared", required=False)
    said = answer.document if answer.status == 200 and isinstance(answer.document, dict) else {}
    methods = said.get("token_endpoint_auth_methods_supported") or []
    if not said.get("token_endpoint"):
        return Ability(name, "unknown", "not declared", required=False)
    offered = "private_key_jwt" in methods
    return Ability(name, _word(offered), "declared", required=False, detail=str(said["token_endpoint"]))


@dataclass(frozen=True, slots=True)
class ServerReport:
    """What a server can do, how that was found out, and whether a push may go there.

    done   a line for each of our definitions that was to be put there
    """

    server: str
    holds: str
    abilities: tuple[Ability, ...]
    done: tuple[str, ...] = ()

    @property
    def lacking(self) -> tuple[Ability, ...]:
        """What a push needs and is certainly not there."""
        return lacking(self.abilities)

    @property
    def unknown(self) -> tuple[Ability, ...]:
        """What a push needs and nobody knows of; the first push finds it out."""
        return tuple(a for a in self.abilities if a.required and a.can == "unknown")

    def text(self) -> str:
        """A line for each ability, then what follows from them."""
        lines = [f"{self.server} (may hold {'patients' if self.holds == 'patients' else 'test data only'})"]
        for one in self.abilities:
            needed = "" if one.required else ", not needed"
            detail = f": {one.detail}" if one.detail else ""
            lines.append(f"{one.can:<8} {one.how:<13} {one.name}{needed}{detail}")
        return "\n".join([*lines, *self.done, self._verdict()]) + "\n"

    def _verdict(self) -> str:
        if self.lacking:
            return f"not fit for a push, it lacks: {', '.join(a.name for a in self.lacking)}"
        if self.unknown:
            return f"unknown until something is written: {', '.join(a.name for a in self.unknown)}"
        return "fit for a push: everything that Waykeeper needs is there"

    def json(self) -> dict[str, Any]:
        """With stable names."""
        return {
            "schema_version": 1, "server": self.server, "holds": self.holds, "fit": not self.lacking,
            "abilities": [a.json() for a in self.abilities],
            **({"definitions": list(self.done)} if self.done else {}),
        }  # fmt: skip


def survey(server: Server, *, try_out: bool = True) -> ServerReport:
    """Ask a server what it can do; raises as `capabilities`."""
    return ServerReport(server.base, server.kind, capabilities(server, try_out=try_out))
