"""A clinic's own words for medicines: `word: generic name`, or a list of them for a combination."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from waykeeper.findings import Finding, did_you_mean, finding
from waykeeper.medicines.ruleset import Ruleset, package_rules
from waykeeper.medicines.spelling import normalise
from waykeeper.pathway.model import MedicineWords
from waykeeper.pathway.reader import Node


def read_synonyms(node: Node) -> tuple[MedicineWords, list[Finding]]:
    """The words of a mapping, normalised, and WKM111 for each that cannot be one; those are left out, so they ask."""
    rules = package_rules()
    words: dict[str, tuple[str, ...]] = {}
    found: list[Finding] = []
    for key, value in node.entries:
        generics = tuple(i.text for i in value.items) if value.kind == "list" else (value.text,)
        wrong = [g for g in generics if g not in rules.ingredients]
        for generic in wrong:
            details = f"{key.text!r} stands for {generic!r}, which is no generic name of the rules"
            found.append(finding("WKM111", details, value.position, did_you_mean(generic, rules.ingredients)))
        word = normalise(key.text)
        taken = words.get(word) or rules.names.get(word)
        if not word or (taken and set(taken) != set(generics)):
            details = f"{key.text!r} already means {' and '.join(taken or ('nothing',))}"
            found.append(finding("WKM111", details, key.position))
        elif not wrong:
            words[word] = generics
    return tuple(words.items()), found


@lru_cache(maxsize=8)
def rules_with(words: MedicineWords) -> Ruleset:
    """The package's rules with a clinic's words added; a word never replaces a name that the rules have."""
    rules = package_rules()
    return replace(rules, names={**dict(words), **rules.names}) if words else rules
