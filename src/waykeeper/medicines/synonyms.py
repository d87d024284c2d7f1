"""A clinic's own words for medicines: `word: generic name`, or a list of them for a combination."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from waykeeper.findings import Finding, did_you_mean, finding
from waykeeper.medicines.ruleset import Ruleset
from waykeeper.medicines.spelling import normalise
from waykeeper.pathway.reader import read_yaml

Synonyms = Mapping[str, tuple[str, ...]]


def read_synonyms(name: str, source: bytes, rules: Ruleset) -> tuple[Synonyms, list[Finding]]:
    """Read and check a synonym file. A word with a finding is left out, so that its rows still ask."""
    node, read = read_yaml(source, name)
    found, words = list(read), {}
    if node is None:
        return {}, found
    if node.kind != "map":
        return {}, [*found, finding("WKM111", "a mapping of words to generic names must stand here", node.position)]
    for key, value in node.entries:
        generics = tuple(i.text for i in value.items) if value.kind == "list" else (value.text,)
        wrong = [g for g in generics if g not in rules.ingredients]
        for generic in wrong:
            details = f"{key.text!r} stands for {generic!r}, which is no generic name of the rules"
            found.append(finding("WKM111", details, value.position, did_you_mean(generic, rules.ingredients)))
        word = normalise(key.text)
        taken = rules.names.get(word)
        if not word or (taken and set(taken) != set(generics)):
            details = f"{key.text!r} already means {' and '.join(taken or ('nothing',))}"
            found.append(finding("WKM111", details, key.position))
        elif not wrong:
            words[word] = generics
    return words, found


def check_synonyms(name: str, source: bytes, rules: Ruleset) -> list[Finding]:
    """The findings of a synonym file."""
    return read_synonyms(name, source, rules)[1]


def with_synonyms(rules: Ruleset, words: Synonyms) -> Ruleset:
    """The ruleset with the clinic's words added; a word never replaces a name that the rules have."""
    return replace(rules, names={**words, **rules.names})
