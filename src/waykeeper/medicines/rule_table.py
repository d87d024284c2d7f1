"""The table of all rules for the README: rule, figures, source, confidence, tests. Generated, never edited."""

from __future__ import annotations

from waykeeper.counting import counted
from waykeeper.medicines.model import Case, Rule
from waykeeper.medicines.nsaids import nsaid_days
from waykeeper.medicines.ruleset import Ruleset

START, END = "<!-- rules: generated -->", "<!-- end of rules -->"
_HEAD = ("rule", "medicines", "figures", "source", "year", "confidence", "tests")


def rule_table(rules: Ruleset) -> str:
    """Markdown: one section a group, one line a rule."""
    out: list[str] = []
    for group, title in rules.groups.items():
        out += [f"### {title} (`{group}`)", "", _line(_HEAD), _line(["---"] * len(_HEAD))]
        out += [_line(_cells(rule)) for rule in rules.rules.values() if rule.group == group]
        out.append("")
    return "\n".join(out)


def with_table(readme: str, rules: Ruleset) -> str:
    """The README with its table replaced. Raises ValueError where the marks are missing."""
    before, start, rest = readme.partition(START)
    _, end, after = rest.partition(END)
    if not start or not end:
        raise ValueError("the README has no marks for the table")
    return f"{before}{START}\n\n{rule_table(rules)}\n{END}{after}"


def figures(case: Case) -> str:
    """What one case proposes, in a few words."""
    if case.missed_days is not None:
        what = f"{case.decision} N={case.missed_days}"
    elif case.hours is not None:
        what = f"{case.decision} {case.hours} h"
    elif case.cycle_days is not None:
        what = f"{case.decision}, last dose {case.cycle_days[0]}-{case.cycle_days[1]} d before"
    elif case.cycle_months is not None:
        what = f"{case.decision}, last dose over {counted(case.cycle_months, 'month')} before"
    else:
        what = case.decision
    when = ", ".join(f"{name} {'/'.join(values)}" for name, values in case.when.items())
    return f"{when}: {what}" if when else what


def _cells(rule: Rule) -> list[str]:
    cases = [figures(c) for c in rule.cases]
    cases += [f"needle possible: {figures(c)}" for c in rule.neuraxial]
    if rule.half_life is not None:
        chosen = nsaid_days(rule.half_life, "NSAID_LARGER")
        cases[-1] = f"NSAID_LARGER N={chosen.days} ({chosen.arithmetic[0]})"
    names = ", ".join(rule.ingredients) if not rule.together else " + ".join(rule.ingredients)
    sources = dict.fromkeys([rule.source, *(c.source for c in (*rule.cases, *rule.neuraxial))])
    sure = dict.fromkeys([rule.confidence, *(c.confidence for c in (*rule.cases, *rule.neuraxial))])
    return [
        rule.name,
        names,
        "; ".join(cases),
        "; ".join(s for s in sources if s),
        rule.year,
        ", ".join(c for c in sure if c),
        ", ".join(rule.tests),
    ]


def _line(cells: list[str] | tuple[str, ...]) -> str:
    return "| " + " | ".join(c.replace("|", "\\|") for c in cells) + " |"
