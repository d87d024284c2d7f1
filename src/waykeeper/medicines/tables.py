"""The package's tables as plain data, from one JSON file that is compiled from the YAML that people write and review.

Reading the YAML takes 40 ms, which the first patient of every process would pay. A test holds the two together;
`python tests/medicines/write_rule_table.py` compiles again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache
from importlib.resources import files
from typing import Any

import orjson

from waykeeper.medicines.spelling import normalise

COMPILED = "compiled.json"
LONGEST_WORD = 40  # characters; longer texts are questions and sources


@cache
def _compiled() -> Mapping[str, Any]:
    loaded: Mapping[str, Any] = orjson.loads((files("waykeeper.medicines") / "data" / COMPILED).read_bytes())
    return loaded


def table(name: str) -> Mapping[str, Any]:
    """One file of `data/` by its name without `.yaml`."""
    found: Mapping[str, Any] = _compiled()["data"][name]
    return found


def rule_tables() -> Mapping[str, Any]:
    """The rule files by their names, sorted; what `ruleset` builds from."""
    found: Mapping[str, Any] = _compiled()["rules"]
    return found


def normal(word: str) -> str:
    """`normalise` for a word of the package's own tables, where it is written down already."""
    known: str | None = _compiled()["normal"].get(word)
    return normalise(word) if known is None else known


def compiled() -> bytes:
    """What the compiled file must hold: every scalar as written, files and keys in their order."""
    import yaml

    def folder(name: str) -> dict[str, Any]:
        found = sorted((f for f in (files("waykeeper.medicines") / name).iterdir()), key=lambda f: f.name)
        texts = {f.name: f.read_text("utf-8") for f in found if f.name.endswith(".yaml")}
        return {n: yaml.load(text, Loader=getattr(yaml, "CBaseLoader", yaml.BaseLoader)) for n, text in texts.items()}

    data = {name.removesuffix(".yaml"): content for name, content in folder("data").items()}
    rules = folder("rules")
    words = sorted({w for part in (rules, data["words"]) for w in _words(part)})
    normal = {word: normalise(word) for word in words}
    return orjson.dumps({"data": data, "rules": rules, "normal": normal}, option=orjson.OPT_APPEND_NEWLINE)


def _words(part: Any) -> Iterator[str]:
    """Every short text of a table, keys too: what may be a name, a salt or a word of an order."""
    if isinstance(part, str):
        yield from [part] if len(part) <= LONGEST_WORD else []
    for inner in part if isinstance(part, list) else [*part, *part.values()] if isinstance(part, dict) else []:
        yield from _words(inner)
