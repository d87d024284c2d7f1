"""The coordinator's medicines page: text for a terminal, JSON, and HTML with the prescriber's sign-off form."""

from __future__ import annotations

from datetime import date
from typing import Any

from waykeeper.counting import counted
from waykeeper.medicines import MedicinesPage, PageLine, page_json
from waykeeper.report.page import render
from waykeeper.report.plain import clean, day, moment, wrap

DUPLICATE, TOO_OFTEN = "WKM302", "WKM205"
CAUTIONS = {"WKM305": "an allergy of the record meets", "WKM306": "a pregnancy of the record meets"}
_INDENT = "    "
USED_UP = (
    "Dispensed without an order, and used up long before surgery by the days of supply",
    "Nothing says that any of them is still taken, and nothing says that none is: ask once, and answer each.",
)
DAYS = frozenset({"last dose", "last dose between", "at or before", "first day without"})
_VERBS = {
    "hold": "HOLD", "continue": "CONTINUE", "adjust": "ADJUST", "time": "TIME", "ask": "ASK",
    "already stopped": "ALREADY STOPPED", "entered in error": "ENTERED IN ERROR, NOT COUNTED:",
}  # fmt: skip


def medicines_json(page: MedicinesPage) -> dict[str, Any]:
    """The page as plain data, one row for each entry of the list (schema_version 1)."""
    return page_json(page)


def medicines_text(page: MedicinesPage, width: int = 80, *, explain: bool = False) -> str:
    """The page as text, with the arithmetic of each line if asked to explain. Words carry the meaning, not colour."""
    out = ["Medicines before surgery", *wrap(_heading(page), width), ""]
    out += [line for text in _today(page) for line in wrap(text, width)]
    for number, line in enumerate(page.lines, 1):
        if line is first_used_up(page):
            out += ["", *(x for text in USED_UP for x in wrap(text, width))]
        out += ["", *wrap(f"{number}. {title(line)}", width, "", _INDENT)]
        for label, text in facts(line, page.as_of):
            out += wrap(f"{label}: {text}", width, _INDENT, _INDENT * 2)
        for step in line.row.arithmetic if explain else ():
            out += wrap(f"how: {step}", width, _INDENT, _INDENT * 2)
    if page.sums:
        out += ["", "Opioids and acetaminophen of a day"]
        out += [x for text in page.sums for x in wrap(clean(text), width, _INDENT, _INDENT * 2)]
    out += ["", "Kidney"] + [x for text in page.kidney for x in wrap(text, width, _INDENT)]
    out += ["", "Policies"]
    out += [x for t, v, m in page.policies for x in wrap(f"{t}: {v} - {m}", width, _INDENT, _INDENT * 2)]
    out += [""] + [x for text in page.cautions for x in wrap(text, width)]
    return "\n".join(out) + "\n"


def first_used_up(page: MedicinesPage) -> PageLine | None:
    """The line before which the used-up medicines are announced."""
    return next((line for line in page.lines if line.used_up), None)


def medicines_html(page: MedicinesPage) -> str:
    """One self-contained page, black on white, 12 point, with boxes for the prescriber to sign line by line."""
    return render(
        "medicines.html.j2",
        style="medicines.css",
        page=page,
        heading=_heading(page),
        today=_today(page),
        lines=[_signed(number, line, page.as_of, first_used_up(page)) for number, line in enumerate(page.lines, 1)],
    )


def _signed(number: int, line: PageLine, as_of: date | None, first: PageLine | None) -> dict[str, Any]:
    """One medicine as the template takes it."""
    told = [(label, text, label in DAYS) for label, text in facts(line, as_of)]
    row = line.row
    return {
        "before": USED_UP if line is first else (),
        "number": number, "title": title(line), "facts": told, "late": line.late, "row": row,
        "proposes": row.recognised and (row.decision != "ask" or row.stops) and not row.answered,
    }  # fmt: skip


def title(line: PageLine) -> str:
    """`HOLD warfarin 5 mg tablet`; a row that no rule may answer says so before anything else."""
    row = line.row
    verb = _VERBS[row.decision]
    if not row.recognised:
        verb = f"{'NEEDS REVIEW' if row.doubted else 'NOT RECOGNISED'}, THE PRESCRIBER MUST DECIDE:"
    return f"{verb} {clean(row.words)}"


def facts(line: PageLine, as_of: date | None = None) -> list[tuple[str, str]]:
    """What the page says of one medicine, in reading order. A late line prints no day as an instruction."""
    row = line.row
    found = [("late", line.late)] if line.late else []
    found.append(("read as", "; ".join(f"{label} {clean(text)}" for label, text in line.reading)))
    if not line.late:
        found += _days(line)
    found += [("question", one) for one in questions(row.question)]
    found += [
        ("also shown", "" if line.late else "; ".join(row.alternatives)),
        ("note", "; ".join(row.notes)),
        ("restart", _restart(line)),
        ("rule", _rule(line)),
        ("source", " ".join(p for p in (row.source, f"({row.year})" if row.year else "") if p)),
        ("confirms", f"{row.confirm_by}{_needed(line, as_of)}"),
    ]
    return [(label, text) for label, text in found if text]


def questions(text: str) -> list[str]:
    """The questions of a row, one by one: `is it A?; is it B?` are two."""
    parts = text.split("?; ")
    return [part if part.endswith("?") or n == len(parts) else f"{part}?" for n, part in enumerate(parts, 1) if part]


def _rule(line: PageLine) -> str:
    row = line.row
    parts = [f"{row.group}/{row.rule}" if row.rule else "", row.policy and f"policy {row.policy}"]
    return "; ".join(p for p in (*parts, row.confidence and f"confidence {row.confidence}") if p)


def _needed(line: PageLine, as_of: date | None) -> str:
    row = line.row
    if not row.due or row.answered or line.late:
        return ""
    overdue = as_of is not None and row.due < as_of
    return f", answer overdue since {day(row.due)}" if overdue else f", answer needed by {day(row.due)}"


def _days(line: PageLine) -> list[tuple[str, str]]:
    row = line.row
    if not row.stops:
        return [("last usual day before surgery", day(row.last_dose))] if row.last_dose else []
    found = []
    if row.window:
        found.append(("last dose between", f"{day(row.window[0])} and {day(row.window[1])}"))
    elif row.last_dose:
        found.append(("last dose", day(row.last_dose)))
    if row.last_limit:
        own_day = row.last_dose in (None, row.last_limit.day)
        label = "at or before" if own_day else "the usual dose is too late for the limit"
        found.append((label, moment(row.last_limit)))
    if row.first_missed:
        found.append(("first day without", day(row.first_missed)))
    if row.missed_days is not None:
        found.append(("missed days before surgery", str(row.missed_days)))
    return found


def _restart(line: PageLine) -> str:
    row = line.row
    if not row.stops or not row.restart:
        return ""
    earliest = f"; not before {day(row.restart_from)}" if row.restart_from and not line.late else ""
    return f"{row.restart}{earliest} ({row.restart_by})"


def _heading(page: MedicinesPage) -> str:
    parts = [
        page.clinic, page.patient, f"surgery {moment(page.surgery)}",
        f"anaesthesia {page.anaesthesia}", f"bleeding class {page.bleed}",
    ]  # fmt: skip
    if page.as_of:
        parts.append(f"as of {day(page.as_of)}")
    return ", ".join(clean(p) for p in parts if p)


def _today(page: MedicinesPage) -> list[str]:
    """What must be read before anything else."""
    found = [f"ALERT: {f.details}" for f in page.findings]
    found += [f"LATE: {clean(x.row.words)}: {x.late}" for x in page.lines if x.late]
    found += _alerts(page)
    doubted = sum(x.row.doubted for x in page.lines)
    unknown = sum(not x.row.recognised for x in page.lines) - doubted
    if doubted:
        found.append(f"{doubted} of {len(page.lines)} in doubt, needs review: the release gate stays shut")
    if unknown:
        found.append(f"{unknown} of {len(page.lines)} not recognised: the release gate stays shut")
    asked = sum(bool(x.row.question) for x in page.lines)
    found.append(f"{counted(sum(x.row.counted for x in page.lines), 'medicine')} on the list, {asked} with a question")
    found += _without_order(page)
    mistaken = sum(not x.row.counted for x in page.lines)
    if mistaken:
        found.append(f"{counted(mistaken, 'entry', 'entries')} made in error, shown last and not counted")
    return found


def _without_order(page: MedicinesPage) -> list[str]:
    """How many medicines no order or statement lists, so that a list made of dispenses is seen to be one."""
    unlisted = [n for n, x in enumerate(page.lines, 1) if x.row.unlisted]
    if not unlisted:
        return []
    whole = len(unlisted) == sum(x.row.counted for x in page.lines)
    said = "all of them were" if whole else f"{len(unlisted)} of them {'was' if len(unlisted) == 1 else 'were'}"
    used = [n for n, x in enumerate(page.lines, 1) if x.used_up]
    lines = f"lines {used[0]} to {used[-1]}" if len(used) > 1 else f"line {used[0]}" if used else ""
    last = f"; {lines}, set apart: used up long ago by the days of supply, asked all the same" if used else ""
    return [f"{said} dispensed or given without an order: ask the patient what is taken{last}"]


def _alerts(page: MedicinesPage) -> list[str]:
    """What must not be overlooked stands at the head: two anticoagulants, a weekly medicine taken daily, an allergy."""
    often = [clean(x.row.words) for x in page.lines if any(f.code == TOO_OFTEN for f in x.row.findings)]
    found = [f"ALERT: a weekly medicine is ordered more often, ask at once: {', '.join(often)}"] if often else []
    doubled = [clean(x.row.words) for x in page.lines if any(f.code == DUPLICATE for f in x.row.findings)]
    if doubled:
        found.append(f"ALERT: two anticoagulants at once, which one is meant: {', '.join(doubled)}")
    for code, what in CAUTIONS.items():
        if met := [clean(x.row.words) for x in page.lines if any(f.code == code for f in x.row.findings)]:
            found.append(f"ALERT: {what}: {', '.join(met)}")
    return found
