"""One resource, group by group: what is wanted (N), what stands (S), what was offered (B), compared by value."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any, Literal

from waykeeper.fhir import ownership
from waykeeper.fhir.extensions import find
from waykeeper.fhir.names import HOLD, ITEM, PLAN
from waykeeper.fhir.ownership import GROUPS, OWNERSHIP, SCHEME, digest, offered_of
from waykeeper.fhir.recorded import CLOSED, opened, output_of
from waykeeper.merge.model import Resource

Verdict = Literal["same", "write", "theirs", "conflict"]
OURS = (ITEM, HOLD, PLAN)
PEOPLES = ("note", "output")  # what people write on a resource outside of every group


def offer(resource: Mapping[str, Any], name: str) -> str:
    """One value of what we last offered, "" where it is not there."""
    return str(next(iter(offered_of(resource).get(name, [])), "") or "")


def scheme(resource: Mapping[str, Any]) -> int:
    """The scheme of the digests that the resource carries."""
    told = offer(resource, "scheme")
    return int(told) if told.isdecimal() else SCHEME


def judge(wanted: Mapping[str, Any], standing: Mapping[str, Any], group: str) -> Verdict:
    """One group: the same, ours to write, theirs to keep, or changed on both sides."""
    if digest(wanted, group) == digest(standing, group):
        return "same"
    if offer(standing, group) and untouched(standing, group):
        return "write"
    return "theirs" if wanted_before(wanted, standing, group) else "conflict"


def wanted_before(wanted: Mapping[str, Any], standing: Mapping[str, Any], group: str) -> bool:
    """Whether what is wanted now is what was last offered, also where it was offered for whole days.

    An earlier version named no hours of some tasks: that the plan names them now is no other date. Neither is a date
    that a nurse set on such a task a question then, nor is what was done on the day to be done again.
    """
    offered, old = offer(standing, group), scheme(standing)
    return offered == digest_under(old, wanted, group) or offered == digest_under(old, _by_days(wanted), group)


def _by_days(wanted: Mapping[str, Any]) -> Mapping[str, Any]:
    """A Task without the hours of its restriction."""
    restriction = wanted.get("restriction") or {}
    days = {name: str(at)[:10] for name, at in (restriction.get("period") or {}).items()}
    return {**wanted, "restriction": {**restriction, "period": days}} if days else wanted


def digest_under(old: int, resource: Mapping[str, Any], group: str) -> str:
    """The digest as the scheme of that number made it: without the fields that later schemes added."""
    return digest(_without_later(resource, old), group)


def _without_later(resource: Mapping[str, Any], old: int) -> Mapping[str, Any]:
    later = [path for path, since in ownership.SINCE.items() if since > old]
    if not later:
        return resource
    made = {k: v for k, v in resource.items() if k not in later}
    parts = {tuple(path.removeprefix("ext:").split("#")) for path in later if path.startswith("ext:")}
    made["extension"] = [
        {**e, "extension": [p for p in e["extension"] if (e.get("url"), p.get("url")) not in parts]}
        if "extension" in e
        else e
        for e in resource.get("extension") or []
    ]
    return made


def untouched(standing: Mapping[str, Any], group: str) -> bool:
    """True if the group stands as we last offered it. A field that a later scheme added: absent = untouched."""
    old = scheme(standing)
    as_then = digest_under(old, standing, group)
    return as_then == offer(standing, group) and as_then == digest(standing, group)


def touched(standing: Mapping[str, Any]) -> bool:
    """True if a person changed a group of ours, or wrote a note or an output on it."""
    wrote = standing["resourceType"] != "CarePlan" and any(standing.get(name) for name in PEOPLES)
    return wrote or not all(untouched(standing, group) for group in GROUPS)


def only_closed(standing: Mapping[str, Any]) -> bool:
    """True if all that a person did with it was to close it with a reason: nobody works on it, nobody needs it."""
    closed = output_of(standing, CLOSED) is not None and "output" not in opened(standing)
    return closed and all(untouched(standing, group) for group in GROUPS)


def offers(wanted: Mapping[str, Any], standing: Mapping[str, Any], verdicts: Mapping[str, Verdict]) -> dict[str, str]:
    """The digests to write: N for what is ours or equal, the old ones for what waits for a person."""
    found = {}
    for group in GROUPS:
        verdict = verdicts.get(group, "conflict")
        keeps = verdict == "conflict" or (verdict == "theirs" and scheme(standing) == SCHEME)
        if verdict == "conflict" and scheme(standing) != SCHEME:
            found[group] = ""  # a digest of an older scheme cannot be carried over: without one, it stays a conflict
        else:
            found[group] = offer(standing, group) if keeps else digest(wanted, group)
    return found


def weave(standing: Mapping[str, Any], wanted: Mapping[str, Any], groups: Collection[str]) -> Resource:
    """What stands, with these groups as wanted. Narrative and the rest of our extensions go with any write."""
    made: Resource = dict(standing)
    for group in groups:
        for path in OWNERSHIP[standing["resourceType"]][group]:
            if not path.startswith("ext:"):
                _put(made, wanted, path)
    made["extension"] = _extensions(standing, wanted, groups)
    if "text" in wanted and wanted.get("language") == standing.get("language"):
        made["text"] = wanted["text"]
    return made


_FIRST_DAY = frozenset({"validFor", "validFrom"})


def with_first_day(standing: Mapping[str, Any], wanted: Mapping[str, Any]) -> Resource | None:
    """What was done, with the first day on which doing it counts as wanted; None where nothing of that differs."""
    extension = find(standing, ITEM)
    if extension is None or ownership.normal(_first_day(standing)) == ownership.normal(_first_day(wanted)):
        return None
    parts = [p for p in extension["extension"] if p.get("url") not in _FIRST_DAY]
    ours = {**extension, "extension": [*parts, *_first_day(wanted)]}
    return {**standing, "extension": [ours if e is extension else e for e in standing["extension"]]}


def _first_day(resource: Mapping[str, Any]) -> list[Any]:
    """The parts of our item extension that say from which day on what was done counts."""
    return [p for p in (find(resource, ITEM) or {}).get("extension") or [] if p.get("url") in _FIRST_DAY]


def _put(made: Resource, wanted: Mapping[str, Any], path: str) -> None:
    head, _, rest = path.partition(".")
    if rest:
        _put_inside(made, wanted, head, rest)
        return
    for name in (head, f"_{head}"):
        if name in wanted:
            made[name] = wanted[name]
        else:
            made.pop(name, None)


def _put_inside(made: Resource, wanted: Mapping[str, Any], head: str, rest: str) -> None:
    """One field of the first entry of a list (Goal.target); further entries are theirs."""
    entries = [dict(e) for e in made.get(head) or [{}]]
    ours: Mapping[str, Any] = next(iter(wanted.get(head) or []), {})
    if rest in ours:
        entries[0][rest] = ours[rest]
    else:
        entries[0].pop(rest, None)
    made[head] = [e for e in entries if e]


def _extensions(standing: Mapping[str, Any], wanted: Mapping[str, Any], groups: Collection[str]) -> list[Any]:
    kept = [e for e in standing.get("extension") or [] if e.get("url") not in OURS]
    ours = [e for url in OURS if (e := _extension(standing, wanted, url, groups)) is not None]
    return [*ours, *kept]


def _extension(
    standing: Mapping[str, Any], wanted: Mapping[str, Any], url: str, groups: Collection[str]
) -> dict[str, Any] | None:
    """Our extension: parts of groups that are not written stay as they stand, all others are as wanted."""
    theirs = _names(standing["resourceType"], url, [g for g in GROUPS if g not in groups])
    new, old = find(wanted, url), find(standing, url)
    if new is None and old is None:
        return None
    parts = [p for p in (new or {}).get("extension") or [] if p.get("url") not in theirs]
    parts += [p for p in (old or {}).get("extension") or [] if p.get("url") in theirs]
    return {"url": url, "extension": parts}


def _names(kind: str, url: str, groups: Collection[str]) -> frozenset[str]:
    head = f"ext:{url}#"
    return frozenset(p.removeprefix(head) for g in groups for p in OWNERSHIP[kind][g] if p.startswith(head))
