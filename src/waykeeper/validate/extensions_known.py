"""Extensions in use: known ones must fit their definition, unknown ones are named."""

from __future__ import annotations

from typing import Any

from waykeeper.validate.bindings import coded_check
from waykeeper.validate.extension_context import container_names
from waykeeper.validate.profile_check import check_rules
from waykeeper.validate.references import check_reference
from waykeeper.validate.run import Place, Run
from waykeeper.validate.tables import extension_table

_NONE: dict[str, Any] = {}


def check_extension(value: Any, here: Place, run: Run, modifier: bool) -> None:
    """ext-1, and what the definition of a known extension asks for."""
    if bool(_values(value)) == ("extension" in value):
        run.add("WKV401", here, "invariant ext-1 is broken: an extension has either extensions or a value, not both")
    url = value.get("url")
    if not isinstance(url, str) or (":" not in url and _is_nested(here)):
        return
    if ":" not in url:
        run.add("WKV705", (here, "url"), f"url {url!r} of an extension must be absolute")
        return
    record = run.extension(url) or extension_table(url)
    if record is None and "|" in url and _known(url.partition("|")[0], run):
        plain = url.partition("|")[0]
        run.add("WKV705", (here, "url"), f"url {url!r} of an extension has a version", f"Write {plain!r}.")
        return
    if record is None:
        _unknown(url, here, run, modifier)
        return
    _check_context(url, record, here, run)
    if bool(record.get("mod")) != modifier:
        wanted = "modifierExtension" if record.get("mod") else "extension"
        run.add("WKV701", here, f"extension {url} must stand in {wanted}")
    _check_content(url, record, value, here, run)
    if url in run.ruled:
        check_rules(run.ruled[url], value, here, run)


def _known(url: str, run: Run) -> bool:
    return run.extension(url) is not None or extension_table(url) is not None


_PLAIN = frozenset({"url", "extension", "id"})


def _values(value: Any) -> list[str]:
    """The keys of an extension that give its value, and their `_` siblings; any spelling of `valueX` counts."""
    return [k for k in value if k not in _PLAIN and type(k) is str and k.startswith(("value", "_value"))]


def _is_nested(here: Place) -> bool:
    """Whether the extension stands inside another one: `extension[i].extension[j]`."""
    above = here[0][0]
    return above is not None and above[0] is not None and above[0][1] in ("extension", "modifierExtension")


def _unknown(url: str, here: Place, run: Run, modifier: bool) -> None:
    if modifier and run.stricter:
        run.add("WKV703", here, f"modifier extension {url} is not known, so the meaning of what it modifies is not")
    elif run.stricter and url not in run.unknown_extensions:
        run.unknown_extensions.add(url)
        run.add("WKV704", here, f"extension {url} is not known here and was not checked")


def _check_context(url: str, record: dict[str, Any], here: Place, run: Run) -> None:
    contexts = record["ctx"]
    if not contexts or any(kind == "fhirpath" for kind, _ in contexts):
        return
    names = container_names(here, run)
    if names is None or any(f"{kind}:{expression}" in names for kind, expression in contexts):
        return
    allowed = ", ".join(expression for _, expression in contexts[:8])
    run.add("WKV701", here, f"extension {url} may not be used here; allowed on {allowed}")


def _check_content(url: str, record: dict[str, Any], value: dict[str, Any], here: Place, run: Run) -> None:
    """Value types and nested extensions of one level of a known extension."""
    held = _values(value)
    for key in held:
        if key[0] == "_":
            continue
        if key not in record["v"]:
            allowed = ", ".join(sorted(record["v"])) or "nested extensions only"
            run.add("WKV702", (here, key), f"extension {url} has {key}; allowed: {allowed}")
        else:
            _check_value(record, record["v"][key], value[key], (here, key), run)
    if record.get("vm") and not held:
        run.add("WKV702", here, f"extension {url} must have a value")
    _check_nested(url, record, value, here, run)


def _check_value(record: dict[str, Any], allowed: dict[str, Any], held: Any, here: Place, run: Run) -> None:
    if isinstance(held, dict):
        if "r" in allowed:
            check_reference(tuple(allowed["r"]))(held, here, run)
        if "b" in record:
            coded_check(allowed["t"], *record["b"])(held, here, run)
    elif isinstance(held, str) and allowed["t"] == "code" and "b" in record and record["b"][0] == "required":
        from waykeeper.validate.terminology import value_set

        if not value_set(record["b"][1]).has_code(held):
            run.add("WKV301", here, f"code {held!r} is not in the required value set {record['b'][1]}")


def _check_nested(url: str, record: dict[str, Any], value: dict[str, Any], here: Place, run: Run) -> None:
    below = record.get("sub", _NONE)
    if not below and "extension" not in value:
        return
    nested = value.get("extension")
    counts = dict.fromkeys(below, 0)
    for index, held in enumerate(nested if isinstance(nested, list) else ()):
        name = held.get("url") if isinstance(held, dict) else None
        place = ((here, "extension"), index)
        if isinstance(name, str) and name in below:
            counts[name] += 1
            _check_content(f"{url}#{name}", below[name], held, place, run)
        elif isinstance(name, str) and ":" not in name:
            run.add("WKV702", place, f"extension {url} has no part {name!r}")
    for name, count in counts.items():
        most = below[name]["M"]
        if count < below[name]["m"] or (most is not None and count > most):
            run.add("WKV702", here, f"extension {url} has {name!r} {count} times; allowed {below[name]['m']} to {most}")
