"""The rule files of the package, as values. `check.py` is the strict reader; this one trusts what it passed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from importlib.resources import files
from typing import Any

from waykeeper.medicines.model import Case, HalfLife, Ingredient, Rule
from waykeeper.medicines.tables import normal, rule_tables

RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"


@dataclass(frozen=True, slots=True, eq=False)
class Ruleset:
    """All rules and ingredients, indexed for the engine.

    names   normalised spelling -> ingredient names      codes   RxNorm code -> ingredient name
    single  ingredient name -> its rule                  joint   rules for a whole combination
    """

    groups: Mapping[str, str]
    ingredients: Mapping[str, Ingredient]
    rules: Mapping[str, Rule]
    single: Mapping[str, Rule]
    joint: tuple[Rule, ...]
    names: Mapping[str, tuple[str, ...]]
    codes: Mapping[str, str]
    longest_days: int

    def rule_for(self, ingredients: Iterable[str]) -> tuple[Rule, ...]:
        """The rules for the ingredients of one row: a joint rule if there is one, else one for each."""
        wanted = tuple(ingredients)
        for rule in self.joint:
            if set(rule.ingredients) == set(wanted):
                return (rule,)
        return tuple(self.single[name] for name in wanted)


def ruleset(sources: Mapping[str, str]) -> Ruleset:
    """Build a ruleset from file texts by name. The texts must have passed `check_rules`."""
    import yaml

    loader = getattr(yaml, "CBaseLoader", yaml.BaseLoader)
    return _built({name: yaml.load(text, Loader=loader) for name, text in sources.items()})


def _built(tables: Mapping[str, Any]) -> Ruleset:
    groups: dict[str, str] = {}
    ingredients: dict[str, Ingredient] = {}
    rules: dict[str, Rule] = {}
    for data in tables.values():
        group = data["group"]
        groups[group] = data["title"]
        for name, fields in (data.get("ingredients") or {}).items():
            ingredients[name] = _ingredient(name, group, fields or {})
        for name, fields in (data.get("rules") or {}).items():
            rules[name] = _rule(name, group, fields, data)
    return _indexed(groups, ingredients, rules)


@cache
def package_rules() -> Ruleset:
    """The rules that ship with the package."""
    return _built(rule_tables())


@cache
def must_not_stop() -> frozenset[str]:
    """The ingredients that are never left out without a reason: beta blockers, steroids, insulin and others."""
    return frozenset(name for rule in package_rules().rules.values() if rule.never_stop for name in rule.ingredients)


def rule_files() -> list[Any]:
    """The package's rule files (Traversable), sorted by name."""
    folder = files("waykeeper.medicines") / "rules"
    return sorted((f for f in folder.iterdir() if f.name.endswith(".yaml")), key=lambda f: f.name)


def rule_names() -> tuple[str, ...]:
    """The group names that a pathway's `holds: rules:` may name."""
    return tuple(f.name.removesuffix(".yaml") for f in rule_files())


def _indexed(groups: dict[str, str], ingredients: dict[str, Ingredient], rules: dict[str, Rule]) -> Ruleset:
    single = {i: rule for rule in rules.values() if not rule.together for i in rule.ingredients}
    names = {normal(n): (i.name,) for i in ingredients.values() for n in (i.name, *i.names)}
    codes = {i.rxnorm: i.name for i in ingredients.values() if i.rxnorm}
    days = [c.missed_days for r in rules.values() for c in (*r.cases, *r.neuraxial) if c.missed_days]
    joint = tuple(r for r in rules.values() if r.together)
    return Ruleset(groups, ingredients, rules, single, joint, names, codes, max([28, *days]))


def _ingredient(name: str, group: str, fields: Mapping[str, Any]) -> Ingredient:
    return Ingredient(
        name=name,
        group=group,
        rxnorm=fields.get("rxnorm", ""),
        unsure=fields.get("unsure", "") == "true",
        names=tuple(fields.get("names", ())),
        salts=tuple(fields.get("salts", ())),
        weekly=frozenset(fields.get("weekly", ())),
        daily_harm=fields.get("daily_harm", ""),
        tags=frozenset(fields.get("tags", ())),
    )


def _rule(name: str, group: str, fields: Mapping[str, Any], data: Mapping[str, Any]) -> Rule:
    shared = {**(data.get("defaults") or {}), **fields}
    cases = [*(data.get("before") or ()), *fields["cases"]]
    return Rule(
        name=name,
        group=group,
        ingredients=tuple(fields["for"]),
        cases=tuple(_case(c) for c in cases),
        neuraxial=tuple(_case(c) for c in fields.get("neuraxial", ())),
        asks=tuple(_case({**c, "decision": "ask"}) for c in (*(data.get("asks") or ()), *fields.get("asks", ()))),
        together=fields.get("together", "") == "true",
        never_stop=fields.get("never_stop", "") == "true",
        policy=shared.get("policy", ""),
        half_life=_half_life(fields.get("half_life")),
        restart=shared.get("restart", ""),
        restart_by=shared.get("restart_by", "prescriber"),
        restart_days=_int(shared.get("restart_days")),
        source=shared.get("source", ""),
        year=shared.get("year", ""),
        confidence=shared.get("confidence", ""),
        tests=tuple(fields.get("tests", ())),
    )


def _case(fields: Mapping[str, Any]) -> Case:
    when = {k: (v,) if isinstance(v, str) else tuple(v) for k, v in (fields.get("when") or {}).items()}
    cycle = fields.get("cycle_days")
    return Case(
        when=when,
        decision=fields["decision"],
        missed_days=_int(fields.get("missed_days")),
        hours=_int(fields.get("hours")),
        cycle_days=(int(cycle[0]), int(cycle[1])) if cycle else None,
        cycle_months=_int(fields.get("cycle_months")),
        question=fields.get("question", ""),
        notes=tuple(fields.get("notes", ())),
        others={k: int(v) for k, v in (fields.get("others") or {}).items()},
        longest_days=_int(fields.get("longest_days")),
        restart=fields.get("restart", ""),
        restart_days=_int(fields.get("restart_days")),
        source=fields.get("source", ""),
        year=fields.get("year", ""),
        confidence=fields.get("confidence", ""),
        confirm_by=fields.get("confirm_by", ""),
        morning=fields.get("morning", "") == "true",
    )


def _half_life(fields: Mapping[str, Any] | None) -> HalfLife | None:
    if not fields:
        return None
    low, high = Fraction(fields["low"]), Fraction(fields["high"])
    lists = tuple(int(n) for n in fields.get("lists", ()))
    return HalfLife(low, Fraction(fields.get("typical", fields["high"])), high, lists)


def _int(text: str | None) -> int | None:
    return None if text is None else int(text)
