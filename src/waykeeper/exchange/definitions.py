"""Our own StructureDefinitions and CodeSystems on a server that checks what it is given by them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from waykeeper.exchange.errors import BadAnswerError, refusal
from waykeeper.exchange.server import NOT_OFFERED, Server
from waykeeper.exchange.wire_json import loads
from waykeeper.findings import Finding, finding
from waykeeper.validate.own import own_definition_files

Resource = dict[str, Any]
CHECKED = ("StructureDefinition", "CodeSystem")  # what decides whether a resource of ours is legal there
NO_SEARCH = "our definitions: the server offers no search for StructureDefinitions, nothing was put there"
State = Literal["same", "older", "other", "absent"]


@dataclass(frozen=True, slots=True)
class Installed:
    """One of our definitions and how it stands on a server.

    state   `older` is ours and lacks parts or has them of another type; `other` says what ours does not say, or is of
            another publisher or version; `absent` is not there
    lacks   what it does not say, or says in another way
    """

    ours: Mapping[str, Any]
    state: State
    reference: str = ""
    version: str = ""
    lacks: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """`StructureDefinition plan`."""
        return f"{self.ours['resourceType']} {self.ours['id']}"


def installed(server: Server) -> tuple[Installed, ...]:
    """How each of our definitions stands on the server; nothing where it offers no such searches.

    Raises BadAnswerError, NoAnswerError.
    """
    ours = [loads(text) for text in own_definition_files()]
    wanted = {kind: [one for one in ours if one["resourceType"] == kind] for kind in CHECKED}
    searches = [(kind, [("url", ",".join(one["url"] for one in every))]) for kind, every in wanted.items()]
    try:
        held = server.searches(searches)
    except BadAnswerError as refused:
        if refused.status not in NOT_OFFERED:
            raise
        return ()
    return tuple(_standing(one, held) for every in wanted.values() for one in every)


def _standing(ours: Mapping[str, Any], held: Sequence[tuple[str, Resource]]) -> Installed:
    """The copy that has the most of ours counts, where several versions are kept."""
    found = [_compared(ours, ref, theirs) for ref, theirs in held if theirs.get("url") == ours["url"]]
    return min(found, key=lambda one: len(one.lacks), default=Installed(ours, "absent"))


def _compared(ours: Mapping[str, Any], ref: str, theirs: Mapping[str, Any]) -> Installed:
    wanted, there = dict(_parts(ours)), dict(_parts(theirs))
    lacks = tuple(name for name, said in wanted.items() if there.get(name) != said)
    says_less = bool(there) and all(
        name in wanted and said.says_no_more_than(wanted[name]) for name, said in there.items()
    )
    state: State = "same" if wanted == there else "older" if says_less and _is_ours(ours, theirs) else "other"
    return Installed(ours, state, ref, str((theirs.get("meta") or {}).get("versionId") or ""), lacks)


def _is_ours(ours: Mapping[str, Any], theirs: Mapping[str, Any]) -> bool:
    """False for one of another publisher or version: every form of ours so far has one and the same."""
    return all(str(theirs.get(name, ours[name])) == str(ours[name]) for name in ("publisher", "version"))


class _Part(NamedTuple):
    """What a check goes by of one element, or of one code: then nothing but that it is there."""

    types: tuple[str, ...] = ()
    least: object = None
    most: object = None
    constraints: frozenset[str] = frozenset()

    def says_no_more_than(self, ours: _Part) -> bool:
        """True where it differs from ours in its types at most: the same numbers, and no further constraint."""
        return (self.least, self.most) == (ours.least, ours.most) and self.constraints <= ours.constraints


def _parts(definition: Mapping[str, Any]) -> Iterator[tuple[str, _Part]]:
    """Each element, or each code, by its name."""
    if definition["resourceType"] == "CodeSystem":
        yield from ((str(one.get("code")), _Part()) for one in definition.get("concept") or ())
        return
    for one in (definition.get("snapshot") or {}).get("element") or ():
        types = tuple(sorted(str(kind.get("code")) for kind in one.get("type") or ()))
        keys = frozenset(str(c.get("key")) for c in one.get("constraint") or ())
        yield str(one.get("id")), _Part(types, one.get("min"), one.get("max"), keys)


def outdated(server: Server) -> tuple[Finding, ...]:
    """A finding for each of our definitions that the server holds in another form: why it refuses a plan of today.

    Nothing where that cannot be found out: the refusal itself is told anyway.
    """
    try:
        found = installed(server)
    except BadAnswerError:
        return ()
    return tuple(
        finding("WKX215", f"{one.name} on the server ({one.reference}) is {_said(one)}")
        for one in found
        if one.state in ("older", "other")
    )


def _said(one: Installed) -> str:
    lacks = f"; it lacks {', '.join(one.lacks[:5])}{' and more' if len(one.lacks) > 5 else ''}" if one.lacks else ""
    return f"{'older than' if one.state == 'older' else 'other than'} that of this version{lacks}"


def install(server: Server) -> tuple[str, ...]:
    """Put our definitions on the server where they are absent or older; a line for each of what was done.

    One that says anything else is newer, or somebody's own: it is left as it is, and so is one of which the server does
    not say which version it is, as somebody may change it meanwhile. Raises BadAnswerError, NoAnswerError.
    """
    found = installed(server)
    return tuple(_put(server, one) for one in found) or (NO_SEARCH,)


def _put(server: Server, one: Installed) -> str:
    kind, key = str(one.ours["resourceType"]), one.reference.partition("/")[2]
    if one.state == "same":
        return f"{one.name}: there as it is in this version"
    if one.state == "other":
        return f"{one.name}: left as it is, {one.reference} says what this version does not know"
    if one.state == "older" and not one.version:
        return f"{one.name}: left as it is, the server does not say which version {one.reference} is; put ours there"
    if one.state == "older":
        answer = server.send("PUT", one.reference, {**one.ours, "id": key}, headers={"If-Match": f'W/"{one.version}"'})
    else:
        body = {name: value for name, value in one.ours.items() if name != "id"}
        answer = server.send("POST", kind, body, headers={"If-None-Exist": f"url={one.ours['url']}"})
    if answer.status >= 400:
        raise refusal(answer.status, one.name, answer.document, answer.kind)
    return f"{one.name}: {'brought up to this version' if one.state == 'older' else 'put there'}"
