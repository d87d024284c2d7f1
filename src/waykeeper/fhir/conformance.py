"""Our StructureDefinitions (with snapshots), CodeSystems and ValueSets, made from one table.

`python -m waykeeper.fhir.conformance DIR` writes them; the package ships them in `definitions/`, a test compares both.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

from waykeeper.fhir import names
from waykeeper.fhir.resource import narrative
from waykeeper.pathway.model import Settings
from waykeeper.validate.own import own_definition_files

VERSION = "1.0.0"
STR, CODE, INT, POS, DATE, WHEN, BOOL, CODING, NEST = (
    "string", "code", "integer", "positiveInt", "date", "dateTime", "boolean", "Coding", "",
)  # fmt: skip

# (name, type, maximum, what it says); a nested one has "" as type and its own rows in NESTED.
Row = tuple[str, str, str, str]
ITEM_ROWS: tuple[Row, ...] = (
    ("key", STR, "1", "Kind, item and occurrence: the stable name of the item in its plan"),
    ("part", STR, "1", "Which of the item's resources this is"),
    ("round", POS, "1", "The round: an item that must be done again gets a new one"),
    ("order", POS, "1", "The item's place in the plan"),
    ("title", STR, "1", "The item in one line"),
    ("phase", STR, "1", "The phase that the item belongs to"),
    ("phrase", STR, "1", "When, as the pathway says it"),
    ("windowPhrase", STR, "1", "The window, as the pathway says it"),
    ("target", WHEN, "1", "The unrolled point that windows and lateness count from"),
    ("at", WHEN, "1", "The day itself, moved to an open day where the pathway says so"),
    ("bookFrom", DATE, "1", "The first day on which somebody should book"),
    ("lateFrom", DATE, "1", "The first day on which it is late"),
    ("dueFrom", DATE, "1", "The first day on which it is due, or on which an unanswered proposal is a gap"),
    ("validFrom", DATE, "1", "Done earlier than this does not count"),
    ("earliest", DATE, "1", "Not before this day, however it is released"),
    ("awaited", STR, "1", "The event that a date waits for"),
    ("who", STR, "1", "The role that acts"),
    ("why", STR, "1", "Why the item is in the plan"),
    ("harm", POS, "1", "Harm if missed, 1 to 3"),
    ("source", STR, "1", "Where the rule comes from"),
    ("grade", STR, "1", "How good that source is"),
    ("overlay", STR, "*", "The overlays that made or changed the item"),
    ("validFor", STR, "1", "How long it stays valid, as the pathway says it"),
    ("redo", STR, "1", "When it must be done again"),
    ("needs", STR, "*", "Keys of the items that it needs"),
    ("before", STR, "1", "The item that needs it"),
    ("releasedBy", STR, "1", "The role that releases the gate"),
    ("until", STR, "1", "The release that ends the restriction"),
    ("measure", STR, "1", "What is measured"),
    ("minutes", POS, "1", "Planned length of the visit"),
    ("word", STR, "*", "Words by which a booking made elsewhere is recognised"),
    ("specialty", CODING, "*", "Specialty by which a booking is recognised"),
    ("telehealth", BOOL, "1", "Whether a visit from afar counts"),
    ("fact", STR, "1", "The fact that the question asks for"),
    ("asksFor", STR, "*", "Keys of the items that depend on the answer"),
    ("undecided", STR, "*", "Facts of its conditions that are not known"),
    ("words", NEST, "*", "What the patient reads, a part for each language"),
    ("mirrors", STR, "1", "Key of the item that this child of a gate stands for"),
)
HOLD_ROWS: tuple[Row, ...] = (
    ("medicine", STR, "1", "The medicine as the list has it"),
    ("decision", STR, "1", "What is proposed: hold, continue, adjust, time, ask, already stopped"),
    ("missedDays", INT, "1", "No dose on this many days before surgery, nor on the day itself before surgery"),
    ("lastDose", DATE, "1", "The day of the last dose"),
    ("firstMissed", DATE, "1", "The first day without a dose"),
    ("lastLimit", WHEN, "1", "The last dose is at or before this moment"),
    ("restart", STR, "1", "On which condition it is started again"),
    ("restartFrom", DATE, "1", "The earliest day on which a restart is proposed"),
    ("rule", STR, "1", "The rule"),
    ("policy", STR, "1", "The clinic's policy that chose between rules"),
    ("confidence", STR, "1", "How sure the figure is"),
    ("confirmBy", STR, "1", "The role that must answer"),
    ("question", STR, "1", "What must be asked"),
    ("recognised", BOOL, "1", "False: not classified, needs review"),
    ("ingredient", STR, "*", "Its ingredients"),
    ("doseMg", STR, "1", "Milligrams of one dose, where a case of its rule turns on them"),
    ("note", STR, "*", "What else to know"),
    ("alternative", STR, "*", "Other dates by other rules or policies"),
    ("reference", STR, "1", "The source order"),
    ("code", CODING, "*", "The codes of the medicine"),
    ("proposed", NEST, "1", "What the rules propose, whatever was answered, and on what that rests"),
    ("answer", STR, "1", "What the prescriber had decided when the plan was compiled"),
    ("answerDays", INT, "1", "The number of days that the prescriber decided"),
    ("answerBy", STR, "1", "Who answered"),
    ("answerOn", DATE, "1", "When"),
    ("answerText", STR, "1", "In which words"),
    ("answerTaken", WHEN, "1", "The last dose actually taken"),
    ("answeredTo", NEST, "1", "What was proposed when it was answered, and on what that rested"),
)
_OFFER_ROWS: tuple[Row, ...] = (
    *(row for row in HOLD_ROWS if row[0] in ("decision", "missedDays", "lastDose", "lastLimit", "question")),
    ("ground", STR, "*", "What the rule looked at: the kidney value, the anaesthetic, the policy, the order"),
    ("clearance", STR, "1", "The creatinine clearance that it was proposed for in mL/min, or none"),
    ("measured", DATE, "1", "The day of the newest value of that"),
    ("turnsOn", STR, "*", "What would make another proposal if the record named it, named it otherwise or no more"),
    ("waykeeper", STR, "1", "Version that proposed it"),
)
PLAN_ROWS: tuple[Row, ...] = (
    ("pathway", STR, "1", "Name of the pathway"),
    ("words", NEST, "*", "What the patient reads in place of its title, a part for each language"),
    ("clinicUrl", STR, "1", "Base of the clinic's identifiers"),
    ("episode", POS, "1", "Number of the episode"),
    ("side", STR, "1", "Side of the operation"),
    ("anaesthesia", STR, "1", "Planned anaesthesia"),
    ("zone", STR, "1", "Time zone of the clinic"),
    ("anchor", NEST, "*", "An anchor and its standing"),
    ("letterhead", NEST, "1", "What letters print of the clinic"),
    ("telephone", NEST, "*", "A role's telephone number"),
    ("role", NEST, "*", "A role's title"),
    ("overlay", STR, "*", "Overlays in force"),
    ("settings", NEST, "1", "The clinic's settings"),
    ("weekday", STR, "*", "A weekday on which the clinic is open, a code of DaysOfWeek"),
    ("closed", DATE, "*", "A day from the plan's first to its last on which the clinic is closed all the same"),
    ("answers", STR, "1", "Digest of the answers that the plan was compiled with"),
    ("caution", STR, "*", "An allergy or a pregnancy of the record that the plan was compiled with, or none"),
    ("withdrawn", STR, "1", "Why the plan was withdrawn"),
    ("waykeeper", STR, "1", "Version that compiled the plan"),
    ("phases", STR, "1", "Names of the phases in order"),
)
NESTED: Mapping[str, tuple[Row, ...]] = {
    "words": (("lang", CODE, "1", "The language"), ("content", STR, "1", "The words")),
    "anchor": (
        ("name", STR, "1", "The event"),
        ("standing", STR, "1", "How well it is known: given, assumed, recorded, awaited"),
        ("moment", WHEN, "1", "When, where it is known"),
        ("phrase", STR, "1", "The assumption"),
        ("evidence", STR, "1", "The resource that proves it"),
        ("recognise", STR, "*", "What in a record proves it: `procedure system|code`, `encounter_end inpatient`"),
    ),
    "letterhead": (("clinic", STR, "1", "Name of the clinic"),),
    "telephone": (("role", STR, "1", "Role"), ("number", STR, "1", "Telephone number")),
    "role": (("role", STR, "1", "Role"), ("title", STR, "1", "Its title in the clinic")),
    "proposed": _OFFER_ROWS,
    "answeredTo": _OFFER_ROWS,
    "settings": tuple(
        (f.name, BOOL if isinstance(f.default, bool) else INT, "1", f.name.replace("_", " ")) for f in fields(Settings)
    ),
}
OFFERED_ROWS: tuple[Row, ...] = (
    ("scheme", POS, "1", "The scheme that made the digests"),
    ("when", STR, "1", "Digest of the dates that were offered"),
    ("what", STR, "1", "Digest of the texts and codes that were offered"),
    ("who", STR, "1", "Digest of the performers that were offered"),
    ("status", STR, "1", "Digest of the status that was offered"),
    ("before", STR, "1", "The status before it was withdrawn"),
    ("ever", STR, "*", "Every id ever offered"),
    ("settled", STR, "*", "Digests of a conflict that a person settled"),
    ("surgery", STR, "1", "The surgery day that it was offered for"),
    ("merged", STR, "1", "Digest of the answers that the server held after the last push"),
)
EXTENSIONS: Mapping[str, tuple[str, tuple[Row, ...], tuple[str, ...]]] = {
    names.ITEM: ("Item", ITEM_ROWS, (
        "CarePlan", "ServiceRequest", "Appointment", "Task", "MedicationRequest", "CommunicationRequest", "Goal",
        "Flag", "DetectedIssue", "MedicationStatement", "Communication",
    )),
    names.PLAN: ("Plan", PLAN_ROWS, ("CarePlan",)),
    names.HOLD: ("Hold", HOLD_ROWS, ("MedicationRequest", "Task")),
    names.OFFERED: ("Offered", OFFERED_ROWS, (
        "CarePlan", "ServiceRequest", "Appointment", "Task", "MedicationRequest", "CommunicationRequest", "Goal",
        "Flag", "DetectedIssue",
    )),
}  # fmt: skip
CODES: Mapping[str, tuple[str, Mapping[str, str]]] = {
    names.TAG_SYSTEM: ("Origin", {names.TAG_CODE: "Made by Waykeeper"}),
    names.TASK_CODES: ("TaskCode", {
        "carry-out": "Carry out a planned task", "gate": "Gate: release what needs it", "mirror": "Needed by a gate",
        "confirm": "Confirm or change a proposal", "review": "Review what could not be classified",
        "ask": "Find out a fact", "stop": "Stop a medicine as decided", "restart": "Restart a medicine when released",
        "conflict": "Decide between two versions", "act": "Act on a gap",
        "in-hand": "Have in hand: whose it is, until when it is put off, why it was closed",
        "decision": "The decision", "missed-days": "Days without a dose", "text": "In words", "answer": "The answer",
        "closed-because": "Why it was closed", "snoozed-until": "Not before this day",
    }),
    names.ROLES: ("Role", {
        "patient": "Patient", "helper": "The patient's helper at home", "coordinator": "Nurse coordinator",
        "surgeon": "Surgeon", "prescriber": "Licensed prescriber", "anaesthesia": "Anaesthesia",
        "scheduler": "Scheduler", "ward": "Ward", "therapist": "Physical therapist", "pharmacist": "Pharmacist",
    }),
    names.CATEGORIES: ("Category", {
        "visit": "Planned visit", "restriction": "Restriction", "read-back": "Read back by the patient",
    }),
    names.GAP_KINDS: ("GapKind", {
        "missed": "Missed", "overdue": "Overdue", "rebook": "To be booked again", "to-book": "To be booked",
        "unconfirmed": "Not known whether it was kept", "booked-early": "Booked before its window",
        "booked-late": "Booked after its window", "needs-review": "Needs review", "unanswered": "Not answered",
        "shut": "Gate is shut", "due": "Due", "failed": "Failed", "taken": "Taken inside a hold",
        "restart-due": "Restart is due", "never-answered": "Never answered before surgery", "renew": "To be done again",
        "ready": "Gate waits for its release", "release-due": "A release may be asked for", "not-met": "Goal not met",
        "no-plan": "On the theatre list without a plan", "no-case": "Not on the theatre list",
        "date-differs": "The theatre list says another day", "unproven": "Not proven that it happened",
        "conflict": "A decision waits", "undated": "Put off, the new day is not known",
        "to-complete": "The plan's days are over, nothing is open",
    }),
}  # fmt: skip


def definitions() -> dict[str, dict[str, Any]]:
    """Every definition by file name."""
    made = {}
    for url, (name, rows, contexts) in EXTENSIONS.items():
        made[f"StructureDefinition-{url.rsplit('/', 1)[1]}.json"] = _extension(url, name, rows, contexts)
    for url, (name, codes) in CODES.items():
        tail = url.rsplit("/", 1)[1]
        made[f"CodeSystem-{tail}.json"] = _code_system(url, name, codes)
        made[f"ValueSet-{tail}.json"] = _value_set(url, name)
    return made


def shipped() -> list[dict[str, Any]]:
    """The definitions that the package ships, for validators and servers."""
    return [json.loads(text) for text in own_definition_files()]


def _head(kind: str, url: str, name: str) -> dict[str, Any]:
    return {
        "resourceType": kind,
        "id": url.rsplit("/", 1)[1],
        "text": narrative(name),
        "url": url,
        "version": VERSION,
        "name": f"Waykeeper{name}",
        "title": name,
        "status": "active",
        "experimental": False,
        "publisher": "Waykeeper",
    }


def _code_system(url: str, name: str, codes: Mapping[str, str]) -> dict[str, Any]:
    concepts = [{"code": code, "display": display} for code, display in codes.items()]
    content = "fragment" if url == names.ROLES else "complete"  # a clinic may have other roles
    return _head("CodeSystem", url, name) | {"caseSensitive": True, "content": content, "concept": concepts}


def _value_set(url: str, name: str) -> dict[str, Any]:
    head = _head("ValueSet", url.replace("/CodeSystem/", "/ValueSet/"), name)
    return head | {"compose": {"include": [{"system": url}]}}


def _extension(url: str, name: str, rows: Sequence[Row], contexts: Sequence[str]) -> dict[str, Any]:
    root: list[dict[str, Any]] = [
        _element("Extension", "Extension", "0", "*", f"{name}: what Waykeeper adds", types=None),
        _element("Extension.id", "Extension.id", "0", "1", "Id", types=["string"], representation=True),
        _element("Extension.extension", "Extension.extension", "0", "*", "Parts", types=["Extension"], sliced=True),
    ]
    for row in rows:
        root += _slice(*row)
    root += [
        _element("Extension.url", "Extension.url", "1", "1", "Url", types=["uri"]) | {"fixedUri": url},
        _element("Extension.value[x]", "Extension.value[x]", "0", "0", "No value of its own", types=["string"]),
    ]
    return _head("StructureDefinition", url, name) | {
        "fhirVersion": "4.0.1",
        "kind": "complex-type",
        "abstract": False,
        "context": [{"type": "element", "expression": c} for c in contexts],
        "type": "Extension",
        "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Extension",
        "derivation": "constraint",
        "snapshot": {"element": root},
    }


def _slice(name: str, kind: str, maximum: str, says: str) -> list[dict[str, Any]]:
    base = f"Extension.extension:{name}"
    made = [
        _element(base, "Extension.extension", "0", maximum, says, types=["Extension"]) | {"sliceName": name},
        _element(f"{base}.id", "Extension.extension.id", "0", "1", "Id", types=["string"], representation=True),
        _element(
            f"{base}.extension", "Extension.extension.extension", "0", "*" if kind == NEST else "0", "Parts",
            types=["Extension"],
        ),
        _element(f"{base}.url", "Extension.extension.url", "1", "1", "Url", types=["uri"]) | {"fixedUri": name},
    ]  # fmt: skip
    low, high = ("0", "0") if kind == NEST else ("1", "1")
    value = _element(f"{base}.value[x]", "Extension.extension.value[x]", low, high, says, types=[kind or "string"])
    if kind == NEST:
        made[2]["slicing"] = {"discriminator": [{"type": "value", "path": "url"}], "ordered": False, "rules": "open"}
        made[3:3] = [element for row in NESTED[name] for element in _inner(base, *row)]
    return [*made, value]


def _inner(base: str, name: str, kind: str, maximum: str, says: str) -> list[dict[str, Any]]:
    """The elements of one part of a nested part."""
    place, path = f"{base}.extension:{name}", "Extension.extension.extension"
    return [
        _element(place, path, "0", maximum, says, types=["Extension"]) | {"sliceName": name},
        _element(f"{place}.id", f"{path}.id", "0", "1", "Id", types=["string"], representation=True),
        _element(f"{place}.extension", f"{path}.extension", "0", "0", "Parts", types=["Extension"]),
        _element(f"{place}.url", f"{path}.url", "1", "1", "Url", types=["uri"]) | {"fixedUri": name},
        _element(f"{place}.value[x]", f"{path}.value[x]", "1", "1", says, types=[kind]),
    ]


def _element(
    ident: str,
    path: str,
    low: str,
    high: str,
    says: str,
    *,
    types: Sequence[str] | None,
    representation: bool = False,
    sliced: bool = False,
) -> dict[str, Any]:
    element: dict[str, Any] = {"id": ident, "path": path}
    if representation:
        element["representation"] = ["xmlAttr"]
    if sliced:
        by = {"discriminator": [{"type": "value", "path": "url"}], "ordered": False, "rules": "open"}
        element["slicing"] = by
    element |= {"short": says, "definition": says, "min": int(low), "max": high}
    last = path.rsplit(".", 1)[-1]
    base = "Extension" if path == "Extension" else ("Element." if last in ("id", "extension") else "Extension.") + last
    once = last in ("url", "value[x]", "id")
    element["base"] = {"path": base, "min": 1 if last == "url" else 0, "max": "1" if once else "*"}
    if types:
        element["type"] = [{"code": t} for t in types]
    return element


def main(folder: str) -> None:
    """Write every definition into a folder."""
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    for name, definition in definitions().items():
        (target / name).write_text(json.dumps(definition, indent=1, ensure_ascii=False) + "\n", "utf-8")


if __name__ == "__main__":
    main(sys.argv[1])
