"""Laying a profile over a resource: cardinality, fixed and pattern values, bindings, slices, types."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from waykeeper.validate.fhirpath import NotEvaluated, evaluate
from waykeeper.validate.profiles import Profile, ProfileElement, bound_set, published_profile
from waykeeper.validate.references import target_type
from waykeeper.validate.run import Place, Run
from waykeeper.validate.slicing import NotTold, fits_pattern, slice_of
from waykeeper.validate.tables import SPEC_VERSION, extension_table, type_record

Json = dict[str, Any]
Held = list[tuple[Any, Place, str]]  # value, place, JSON name


def check_profiles(profiles: tuple[Profile, ...], resource: Json, place: Place, run: Run) -> None:
    """Lay every profile that applies over a resource."""
    meta = resource.get("meta")
    claimed = meta.get("profile") if isinstance(meta, dict) else None
    claims = [url for url in claimed if isinstance(url, str)] if isinstance(claimed, list) else []
    urls = {url.partition("|")[0] for url in claims}
    for profile in profiles:
        if profile.type == resource.get("resourceType") and (profile.always or profile.url in urls):
            _lay(profile, resource, place, run)
    for claim in dict.fromkeys(claims):
        _check_claim(claim, resource, place, run)


def _check_claim(claim: str, resource: Json, place: Place, run: Run) -> None:
    """A claimed profile is of the type of the resource; one that was not given is R4's own, or is not checked."""
    url, _, version = claim.partition("|")
    type_ = str(resource.get("resourceType"))
    given = run.known.get(url)
    own = given or (published_profile(url) if version in ("", SPEC_VERSION) else None)
    needed = own.type if own else _type_of(url, version, run)
    if needed is not None and needed not in (type_, *_ABSTRACT):
        run.add("WKV816", place, f"profile {url} is claimed, which is of {needed}; the resource is of {type_}")
    elif own and not given:
        _lay(own, resource, place, run)
    elif needed is None:
        _not_checked(f"profile {claim}", "it is claimed and was not given", place, run)


_ABSTRACT = ("Resource", "DomainResource")  # what fits its own type fits these


def _type_of(url: str, version: str, run: Run) -> str | None:
    """The type of a claim that is no profile: of a type of R4 that type, of a known extension that."""
    if run.extension(url) is not None or extension_table(url) is not None:
        return "Extension"
    name = url.removeprefix(_BASE)
    return name if url.startswith(_BASE) and type_record(name) and version in ("", SPEC_VERSION) else None


UNCHECKED = ("WKV809", "WKV812", "WKV815")  # the codes that say that something of a profile was not checked
_BASE = "http://hl7.org/fhir/StructureDefinition/"


def _lay(profile: Profile, value: Json, place: Place, run: Run) -> None:
    _check_children(profile, profile.root, value, place, run)
    _check_invariants(profile, profile.root, value, profile.type, place, run)


def _not_checked(what: str, why: str, here: Place, run: Run, code: str = "WKV812") -> None:
    """Say once in a run what of the profiles was not checked, so that silence means that it was."""
    if what not in run.unchecked:
        run.unchecked.add(what)
        run.add(code, here, f"{what} was not checked: {why}")


def _check_children(profile: Profile, element: ProfileElement, value: Any, place: Place, run: Run) -> None:
    if not isinstance(value, dict):
        return
    for child in element.children.values():
        held = values_of(child.name, value, place)
        _check_count(profile, child, held, place, run)
        for item, here, key in held:
            _check_value(profile, child, item, here, key, run)
        if child.slices:
            _check_slices(profile, child, held, place, run)


def values_of(name: str, value: Json, place: Place) -> Held:
    """The values of an element in an object; of a choice such as `value[x]` whichever form is there."""
    if name.endswith("[x]"):
        stem = name.removesuffix("[x]")
        keys = [
            k for k in value if isinstance(k, str) and k.startswith(stem) and k[len(stem) : len(stem) + 1].isupper()
        ]
    else:
        keys = [name] if name in value else [f"_{name}"] if f"_{name}" in value else []
    out: Held = []
    for key in keys:
        held = value[key]
        if isinstance(held, list):
            out += [(item, ((place, key), index), key) for index, item in enumerate(held)]
        else:
            out.append((held, (place, key), key))
    return out


def _check_count(
    profile: Profile, element: ProfileElement, held: Held, place: Place, run: Run, label: str = ""
) -> None:
    name = label or element.name
    if len(held) < element.least:
        run.add("WKV803", place, f"{name} is there {len(held)} times; profile {profile.url} needs {element.least}")
    if element.most is not None and len(held) > element.most:
        run.add(
            "WKV804",
            held[element.most][1],
            f"{name} is there {len(held)} times; profile {profile.url} allows {element.most}",
        )


def _check_value(profile: Profile, element: ProfileElement, value: Any, here: Place, key: str, run: Run) -> None:
    """One value against one element or slice of the profile, and what stands below it."""
    _check_fixed(profile, element, value, here, run)
    _check_type(profile, element, value, here, key, run)
    _check_binding(profile, element, value, here, run)
    _check_limits(profile, element, value, here, run)
    _check_type_profiles(element, value, here, run)
    _check_children(profile, element, value, here, run)
    _check_invariants(profile, element, value, _base_of(element, key), here, run)


def _check_fixed(profile: Profile, element: ProfileElement, value: Any, here: Place, run: Run) -> None:
    demand = element.fixed
    if demand is None:
        return
    kind, wanted = demand
    if kind == "fixed" and value != wanted:
        run.add("WKV805", here, f"the value must be {_short(wanted)} in profile {profile.url}")
    elif kind == "pattern" and not fits_pattern(value, wanted):
        run.add("WKV806", here, f"the value must contain {_short(wanted)} in profile {profile.url}")


def _check_limits(profile: Profile, element: ProfileElement, value: Any, here: Place, run: Run) -> None:
    """maxLength, minValue[x], maxValue[x]."""
    longest = element.record.get("maxLength")
    if isinstance(longest, int) and isinstance(value, str) and len(value) > longest:
        run.add("WKV813", here, f"{len(value)} characters; profile {profile.url} allows {longest}")
    for key, limit in element.record.items():
        least = key.startswith("minValue")
        if not least and (not key.startswith("maxValue") or key.startswith("maxValueSet")):
            continue
        order = _compared(value, limit)
        if order is None:
            _not_checked(f"{key} of {element.path} in profile {profile.url}", "it cannot be compared here", here, run)
        elif (order < 0) if least else (order > 0):
            run.add("WKV813", here, f"{value} lies beyond {limit}, the {key} of profile {profile.url}")


def _compared(value: Any, limit: Any) -> int | None:
    """-1, 0 or 1 for numbers, and for dates of one precision; None for what has no plain order."""
    if isinstance(value, int | float | Decimal) and isinstance(limit, int | float | Decimal):
        return (Decimal(str(value)) > Decimal(str(limit))) - (Decimal(str(value)) < Decimal(str(limit)))
    if isinstance(value, str) and isinstance(limit, str) and len(value) == len(limit) and "T" not in value + limit:
        return (value > limit) - (value < limit)
    return None


def _check_type_profiles(element: ProfileElement, value: Any, here: Place, run: Run) -> None:
    """A value whose type has profiles fits one of them; an extension is held to its definition elsewhere."""
    urls = [str(u).partition("|")[0] for t in element.record.get("type", []) for u in t.get("profile", [])]
    if not urls or not isinstance(value, dict) or element.name in ("extension", "modifierExtension"):
        return
    found = {url: run.known.get(url) or published_profile(url) for url in urls}
    known = [profile for profile in found.values() if profile is not None]
    for url, profile in found.items():
        if profile is None and not (url.startswith(_BASE) and type_record(url.removeprefix(_BASE))):
            _not_checked(f"profile {url}", f"{element.path} must fit it, and it was not given", here, run)
    if len(known) < len(urls):
        return
    tries = []
    for profile in known:
        before = len(run.found)
        _lay(profile, value, here, run)
        tries.append(run.found[before:])
        del run.found[before:]
    run.found += min(tries, key=lambda found: sum(1 for f in found if f[0] not in UNCHECKED))


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 120 else text[:120] + " ..."


def _check_type(profile: Profile, element: ProfileElement, value: Any, here: Place, key: str, run: Run) -> None:
    types = element.record.get("type", [])
    codes = [str(t["code"]) for t in types if "code" in t]
    if element.name.endswith("[x]") and codes:
        stem = element.name.removesuffix("[x]")
        allowed = {stem + code[0].upper() + code[1:] for code in codes}
        if key not in allowed:
            run.add(
                "WKV808", here, f"{key} is not allowed in profile {profile.url}; allowed: {', '.join(sorted(allowed))}"
            )
    if "Reference" in codes and isinstance(value, dict) and isinstance(value.get("reference"), str):
        _check_target(profile, types, value["reference"], here, run)


def _check_target(profile: Profile, types: list[Json], text: str, here: Place, run: Run) -> None:
    """Only targets that are plain resource types can be told without reading the target."""
    urls = [u for t in types for u in t.get("targetProfile", [])]
    names = {u.rpartition("/")[2] for u in urls}
    found = target_type(text, run)
    plain = all(
        type_record(n) is not None and u.startswith("http://hl7.org/fhir/StructureDefinition/")
        for n, u in zip((u.rpartition("/")[2] for u in urls), urls, strict=True)
    )
    if urls and plain and found and found not in names and "Resource" not in names:
        run.add(
            "WKV808", here, f"the reference leads to {found}; profile {profile.url} allows {', '.join(sorted(names))}"
        )


def _check_binding(profile: Profile, element: ProfileElement, value: Any, here: Place, run: Run) -> None:
    binding = element.record.get("binding", {})
    if binding.get("strength") != "required" or "valueSet" not in binding:
        return
    bound = bound_set(profile, binding["valueSet"])
    if not bound.known:
        _not_checked(
            f"value set {binding['valueSet']}", f"profile {profile.url} requires it, and it is not listed", here, run
        )
        return
    if isinstance(value, str):
        ok = bound.has_code(value)
    elif isinstance(value, dict):
        codings = value.get("coding") if "coding" in value or "system" not in value else [value]
        ok = not bound.known or any(
            isinstance(c, dict) and isinstance(c.get("code"), str) and bound.has(c.get("system"), c["code"])
            for c in (codings if isinstance(codings, list) else [])
        )
    else:
        return
    if not ok:
        run.add(
            "WKV807",
            here,
            f"the code is not in the value set {binding['valueSet']} that profile {profile.url} requires",
        )


def _check_slices(profile: Profile, element: ProfileElement, held: Held, place: Place, run: Run) -> None:
    slicing = element.record.get("slicing", {})
    groups: dict[str, Held] = {name: [] for name in element.slices}
    _check_order(profile, element, held, run)
    for value, here, key in held:
        try:
            name = slice_of(element, slicing, value, key, run)
        except NotTold as why:
            run.add("WKV809", here, f"slices of {element.path} in profile {profile.url} were not checked: {why}")
            return
        if name is not None:
            groups[name].append((value, here, key))
        elif slicing.get("rules") == "closed":
            run.add("WKV810", here, f"the value fits no slice of {element.path}, and profile {profile.url} closes them")
    for name, members in groups.items():
        part = element.slices[name]
        _check_count(profile, part, members, place, run, f"{element.name}:{name}")
        for value, here, key in members:
            _check_value(profile, part, value, here, key, run)
        if part.slices:
            _check_slices(profile, part, members, place, run)


def _check_order(profile: Profile, element: ProfileElement, held: Held, run: Run) -> None:
    """Slices in their order where it counts, and with `openAtEnd` nothing else before the last of them."""
    slicing = element.record.get("slicing", {})
    names = list(element.slices)
    last = 0
    for value, here, key in held if slicing.get("ordered") or slicing.get("rules") == "openAtEnd" else ():
        try:
            name = slice_of(element, slicing, value, key, run)
        except NotTold:
            return  # the slices themselves say so
        rank = len(names) if name is None else names.index(name)
        if rank < last and (slicing.get("ordered") or last == len(names)):
            run.add("WKV814", here, f"the value stands too late among the slices of {element.path} in {profile.url}")
        last = max(last, rank if name is not None or slicing.get("rules") == "openAtEnd" else last)


def _base_of(element: ProfileElement, key: str) -> str:
    """What an expression on a value stands on: its type, or the path of a backbone element, which has no type."""
    codes = [str(t.get("code", "")) for t in element.record.get("type", [])]
    if element.name.endswith("[x]"):
        suffix = key.removeprefix("_").removeprefix(element.name.removesuffix("[x]"))
        return next((code for code in codes if code[:1].upper() + code[1:] == suffix), suffix)
    plain = len(codes) == 1 and codes[0] not in ("BackboneElement", "Element", "Resource") and "/" not in codes[0]
    return codes[0] if plain else element.path


def _check_invariants(profile: Profile, element: ProfileElement, value: Any, base: str, here: Place, run: Run) -> None:
    """The profile's own invariants; those of the base types are checked already."""
    for rule in element.record.get("constraint", []):
        if _is_base(rule, profile, element):
            continue
        name = f"invariant {rule.get('key')} of profile {profile.url}"
        if "expression" not in rule:
            _not_checked(name, "it has no FHIRPath expression", here, run, "WKV815")
            continue
        try:
            held = evaluate(rule["expression"], base, value, run)
        except NotEvaluated as why:
            _not_checked(name, str(why), here, run, "WKV815")
            continue
        if not held:
            severity = "error" if rule.get("severity") == "error" else "warning"
            run.add("WKV811", here, f"{name} is broken: {rule.get('human', '')}", severity=severity)


def check_rules(profile: Profile, value: Json, place: Place, run: Run) -> None:
    """The invariants alone of the definition of an extension; what else it says is held by its record."""
    _rules_below(profile, profile.root, value, profile.type, place, run)


def _rules_below(profile: Profile, element: ProfileElement, value: Any, base: str, place: Place, run: Run) -> None:
    _check_invariants(profile, element, value, base, place, run)
    for child in element.children.values() if isinstance(value, dict) else ():
        for item, here, key in values_of(child.name, value, place):
            _rules_below(profile, child, item, _base_of(child, key), here, run)
            for part in child.slices.values():
                if _is_part(part, item):
                    _rules_below(profile, part, item, "Extension", here, run)


def _is_part(part: ProfileElement, value: Any) -> bool:
    """Whether a nested extension is the part of this slice, by the url that the definition fixes."""
    url = part.children.get("url")
    return isinstance(value, dict) and url is not None and url.fixed == ("fixed", value.get("url"))


def _is_base(rule: Json, profile: Profile, element: ProfileElement) -> bool:
    """Whether R4 itself has the invariant: by the type that it names as source, else by key and expression."""
    key, source = str(rule.get("key")), str(rule.get("source", ""))
    if key in {"ele-1", "ext-1", "dom-2", "dom-3", "dom-4", "dom-5", "dom-6"}:
        return True
    if source:
        return source.startswith(_BASE) and type_record(source.removeprefix(_BASE)) is not None
    types = [profile.type, *(str(t.get("code")) for t in element.record.get("type", []))]
    held = [(type_record(name) or {}).get("inv", {}).get(key) for name in types]
    return any(known is not None and known[2] == rule.get("expression") for known in held)
