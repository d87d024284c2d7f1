"""Profiles: StructureDefinitions with snapshots, compiled once and laid over resources."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from waykeeper.findings import Position, WaykeeperError, finding
from waykeeper.validate.extensions import extension_record
from waykeeper.validate.tables import profile_record
from waykeeper.validate.terminology import ValueSet, value_set

Json = dict[str, Any]


@dataclass(slots=True)
class ProfileElement:
    """One element of a snapshot with what stands below it; `slices` are its named parts."""

    name: str
    path: str
    record: Json
    children: dict[str, ProfileElement] = field(default_factory=dict)
    slices: dict[str, ProfileElement] = field(default_factory=dict)

    @property
    def fixed(self) -> tuple[str, Any] | None:
        """("fixed" | "pattern", value), where the element states one."""
        for key, value in self.record.items():
            if key.startswith("fixed"):
                return "fixed", value
            if key.startswith("pattern"):
                return "pattern", value
        return None

    @property
    def least(self) -> int:
        """The fewest times that the element occurs."""
        return int(self.record.get("min", 0))

    @property
    def most(self) -> int | None:
        """The most times that the element occurs, None for any number."""
        text = str(self.record.get("max", "*"))
        return None if text == "*" else int(text)


@dataclass(frozen=True, slots=True)
class Profile:
    """A profile on a resource type, ready to be laid over resources.

    `always`: over every resource of its type, else over those that claim it in `meta.profile`.
    """

    url: str
    type: str
    root: ProfileElement
    always: bool
    value_sets: dict[str, ValueSet]
    must_support: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Profiles:
    """What was loaded: profiles, and by url extensions; `ruled` are those of them that have invariants of their own."""

    profiles: tuple[Profile, ...] = ()
    extensions: dict[str, Json] = field(default_factory=dict)
    ruled: dict[str, Profile] = field(default_factory=dict)
    code_systems: frozenset[str] = frozenset()  # the urls of those in the package


def load_profiles(definitions: Iterable[Json], *, always: bool = False) -> Profiles:
    """Compile StructureDefinitions; ValueSets and CodeSystems among them serve their bindings.

    `always=True` lays each profile over every resource of its type, `False` over resources that claim it.
    Raises WaykeeperError with WKV801 where a profile has no snapshot, WKV802 where it is no definition.
    """
    held = list(definitions)
    for definition in held:
        if not isinstance(definition, dict) or "resourceType" not in definition:
            raise WaykeeperError(finding("WKV802", "a profile must be a StructureDefinition in JSON"))
    profiles, extensions, ruled = [], {}, {}
    with _readable("the value sets and code systems"):
        sets = _package_sets(held)
    for definition in held:
        if definition["resourceType"] != "StructureDefinition":
            continue
        with _readable(f"profile {definition.get('url', 'without url')}"):
            _need_snapshot(definition)
            if definition.get("type") == "Extension":
                url = str(definition.get("url"))
                extensions[url] = extension_record(definition)
                if _rules(definition):
                    ruled[url] = _profile(definition, False, sets)
            else:
                profiles.append(_profile(definition, always, sets))
    systems = frozenset(str(d["url"]) for d in held if d["resourceType"] == "CodeSystem" and "url" in d)
    return Profiles(tuple(profiles), extensions, ruled, systems)


def _rules(definition: Json) -> list[Json]:
    """The invariants that the definition of an extension adds to those of R4's types."""
    rules = [rule for element in definition["snapshot"]["element"] for rule in element.get("constraint", [])]
    return [rule for rule in rules if str(rule.get("key")) not in ("ele-1", "ext-1")]


@contextmanager
def _readable(what: str) -> Iterator[None]:
    """A definition that is not shaped as one is refused as that, whichever of its parts is not."""
    try:
        yield
    except (AttributeError, KeyError, TypeError, ValueError, IndexError, RecursionError):
        remedy = "Validate the definition itself first."
        raise WaykeeperError(
            finding("WKV802", f"{what} cannot be read: it is not shaped as R4 has it", help=remedy)
        ) from None


def all_profiles(given: Sequence[Any]) -> Profiles:
    """What the caller gave, definitions or `Profiles`, as one."""
    loaded = [p if isinstance(p, Profiles) else load_profiles([p], always=True) for p in given]
    if len(loaded) == 1:
        return loaded[0]
    extensions = {url: record for one in loaded for url, record in one.extensions.items()}
    ruled = {url: profile for one in loaded for url, profile in one.ruled.items()}
    systems = frozenset().union(*(one.code_systems for one in loaded))
    return Profiles(tuple(p for one in loaded for p in one.profiles), extensions, ruled, systems)


def _need_snapshot(definition: Json) -> None:
    url = definition.get("url", "without url")
    elements = (definition.get("snapshot") or {}).get("element")
    if not isinstance(elements, list) or not elements:
        raise WaykeeperError(finding("WKV801", f"profile {url} has no snapshot", Position(path=str(url))))


def _profile(definition: Json, always: bool, sets: dict[str, ValueSet]) -> Profile:
    elements = definition["snapshot"]["element"]
    for record in elements:
        _shaped(record)
    root = ProfileElement(elements[0]["path"], elements[0]["path"], elements[0])
    for record in elements[1:]:
        _place(root, record)
    for record in elements[1:]:
        if record.get("contentReference"):
            _refer(root, record)
    support = tuple(str(e.get("id", e["path"])) for e in elements if e.get("mustSupport"))
    return Profile(str(definition.get("url", "")), str(definition["type"]), root, always, sets, support)


def _shaped(record: Json) -> None:
    """Raises what `_readable` answers where a part that is read later has not the shape that R4 gives it."""
    most = record.get("max", "*")
    if int(record.get("min", 0)) < 0 or (most != "*" and int(most) < 0):
        raise ValueError(most)
    slicing, binding = record.get("slicing", {}), record.get("binding", {})
    discriminators, types, rules = (
        slicing.get("discriminator", []),
        record.get("type", []),
        record.get("constraint", []),
    )
    texts = [binding.get("strength", ""), binding.get("valueSet", ""), record["path"], slicing.get("rules", "")]
    for row in discriminators:
        texts += [row["type"], row.get("path", "$this")]
    for row in types:
        texts += [row["code"], *row.get("profile", []), *row.get("targetProfile", [])]
    for row in rules:
        texts += [row.get("expression", ""), row.get("key", "")]
    if not all(isinstance(text, str) for text in texts):
        raise TypeError(record["path"])


def _place(root: ProfileElement, record: Json) -> None:
    """Hang an element under the one that its id names: `Patient.identifier:mrn.system`; `mrn/old` slices `mrn`."""
    at = root
    steps = str(record.get("id") or record["path"]).split(".")[1:]
    for number, step in enumerate(steps):
        name, _, slice_ = step.partition(":")
        last = number == len(steps) - 1
        if name not in at.children:
            at.children[name] = ProfileElement(name, record["path"], record if last and not slice_ else {})
        at = at.children[name]
        parts = slice_.split("/") if slice_ else []
        for depth, part in enumerate(parts, 1):
            if part not in at.slices:
                at.slices[part] = ProfileElement(name, record["path"], record if last and depth == len(parts) else {})
            at = at.slices[part]


def _refer(root: ProfileElement, record: Json) -> None:
    """Give an element that refers to another (`Questionnaire.item.item`) what stands below that one."""
    wanted = str(record["contentReference"]).rpartition("#")[2]
    at, target = _at(root, str(record.get("id") or record["path"])), _at(root, wanted)
    if at is not None and target is not None and not at.children:
        at.children = target.children


def _at(root: ProfileElement, name: str) -> ProfileElement | None:
    at: ProfileElement | None = root
    for step in name.split(".")[1:]:
        element, _, slice_ = step.partition(":")
        at = at.children.get(element) if at else None
        for part in slice_.split("/") if slice_ else []:
            at = at.slices.get(part) if at else None
    return at


def _package_sets(definitions: list[Json]) -> dict[str, ValueSet]:
    """The value sets of a package, as far as they list their codes."""
    systems = {
        d["url"]: frozenset(_concepts(d)) for d in definitions if d["resourceType"] == "CodeSystem" and "url" in d
    }
    out: dict[str, ValueSet] = {}
    for definition in definitions:
        if definition["resourceType"] == "ValueSet" and "url" in definition:
            out[definition["url"]] = _package_set(definition, systems)
    return out


def _concepts(node: Json) -> list[str]:
    return [c for concept in node.get("concept", []) for c in (str(concept.get("code")), *_concepts(concept))]


def _package_set(definition: Json, systems: dict[str, frozenset[str]]) -> ValueSet:
    """The codes that an expansion lists, else those of the parts; not known where a part cannot be told."""
    by_system: dict[str, frozenset[str] | None] = {}
    expansion = definition.get("expansion", {}).get("contains")
    if expansion:
        for system, code in _expanded(expansion):
            by_system[system] = (by_system.get(system) or frozenset()) | {code}
        return _closed(definition["url"], by_system, known=True)
    known = True
    for include in definition.get("compose", {}).get("include", []):
        if include.get("valueSet") or include.get("filter"):
            known = False
        elif include.get("concept"):
            system = include.get("system", "")
            listed = frozenset(str(c["code"]) for c in include["concept"])
            by_system[system] = listed | (by_system.get(system) or frozenset())
        else:
            by_system[include.get("system", "")] = systems.get(include.get("system", ""))
    for exclude in definition.get("compose", {}).get("exclude", []):
        held = by_system.get(exclude.get("system", ""))
        if held is None or exclude.get("valueSet") or exclude.get("filter") or not exclude.get("concept"):
            known = False
        else:
            by_system[exclude.get("system", "")] = held - {str(c["code"]) for c in exclude["concept"]}
    return _closed(definition["url"], by_system, known=known)


def _expanded(contains: list[Json]) -> Iterator[tuple[str, str]]:
    for row in contains:
        if "code" in row and not row.get("abstract"):
            yield str(row.get("system", "")), str(row["code"])
        yield from _expanded(row.get("contains", []))


def _closed(url: str, by_system: dict[str, frozenset[str] | None], *, known: bool) -> ValueSet:
    listed = [codes for codes in by_system.values() if codes is not None]
    whole = known and len(listed) == len(by_system) and bool(listed)
    return ValueSet(url, by_system, frozenset().union(*listed) if whole else None, known=known)


@cache
def published_profile(url: str) -> Profile | None:
    """The profile of that url that 4.0.1 itself publishes, such as the vital signs, or None."""
    record = profile_record(url)
    if record is None:
        return None
    return _profile({"url": url, "type": record["t"], "snapshot": {"element": record["e"]}}, False, {})


def bound_set(profile: Profile, url: str) -> ValueSet:
    """The value set that an element of a profile binds: of its package, else of the specification."""
    plain = url.partition("|")[0]
    return profile.value_sets.get(plain) or value_set(plain)
