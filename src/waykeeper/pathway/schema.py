"""The keys of pathway, part, overlay and clinic files, as data: the reader, the JSON Schema and the docs read it."""

from __future__ import annotations

from waykeeper.pathway.strict import Bool, Choice, Either, Int, Key, ListOf, MapOf, Record, Text, Tree

GRADES = ("guideline", "regulation", "study", "label", "common practice", "clinic setting")
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
PARTS = ("morning", "afternoon", "evening")

TEXT = Text()
NAME = Text("a name of small letters, digits and hyphens", r"[a-z0-9]+(-[a-z0-9]+)*")
FACT = Text("a name of small letters, digits and underscores", r"[a-z][a-z0-9]*(_[a-z0-9]+)*")
LANGUAGE = Text("a language such as en or es", r"[a-z]{2}(-[A-Z]{2})?")
VERSION = Text("a version such as 1.0.0", r"(0|[1-9]\d*)\.(0|[1-9]\d*)\.(0|[1-9]\d*)")
URL = Text("a URL that begins with https:// or http:// and ends without a slash", r"https?://[^\s|]+[^\s|/]")
PHRASE = Text("a phrase such as 2 weeks after surgery", of="phrase")
FHIRPATH = Text("a FHIRPath expression", of="fhirpath")
TOKEN = Text("a code written system|code", r"[^\s|]+\|[^\s|]+")
CLOCK = Text("a time such as 07:30", r"([01]\d|2[0-3]):[0-5]\d")
HOURS = Text("hours such as 08:00 to 16:30", r"([01]\d|2[0-3]):[0-5]\d to ([01]\d|2[0-3]):[0-5]\d")
DAY = Text("a date such as 2026-12-24", r"\d{4}-\d{2}-\d{2}")
DAYS = Text("a number of days such as 7 days", r"1 day|(0|[2-9]|[1-9]\d{1,2}) days")

NO_COUNTRY = "none"  # the closures alone are the clinic's closed days
COUNTRY = Text("a country such as US, a part such as US-IL, or none", rf"[A-Z]{{2}}(-[A-Z0-9]{{1,5}})?|{NO_COUNTRY}")

CODING = Record("a coding", (
    Key("system", URL, "the code system's URL", True),
    Key("code", TEXT, "the code", True),
    Key("display", TEXT, "what the code means"),
))  # fmt: skip
CODINGS = ListOf(Either((TOKEN, CODING)))
WORDS = MapOf(TEXT, LANGUAGE)
SOURCE = Record("source", (
    Key("cite", TEXT, "the publication"),
    Key("grade", Choice(GRADES), "how strong it is", True),
))  # fmt: skip
RECOGNISE = Record("recognise", (
    Key("service_type", CODINGS, "codes of the booked service"),
    Key("specialty", CODINGS, "codes of the specialty"),
    Key("words", ListOf(TEXT), "words of a booking's description"),
    Key("telehealth", Bool(), "true where it may be a call or video"),
))  # fmt: skip
POINTS = Either((PHRASE, MapOf(PHRASE, NAME)))

_EVERY = (
    Key("title", TEXT, "one short line, without a date", True),
    Key("who", TEXT, "the role that does it", True),
    Key("why", TEXT, "what it is good for", True),
    Key("source", SOURCE, "where the rule comes from"),
    Key("harm", Int(1, 3), "harm if missed: 1 little, 2 some, 3 grave", True),
    Key("only_if", ListOf(FACT), "facts that must be yes"),
    Key("unless", ListOf(FACT), "facts that must not be yes"),
    Key("words", WORDS, "what the patient reads, by language"),
    Key("listed_before", NAME, "the item of its phase and kind before which it stands; else it stands last"),
)
_AT = Key("at", POINTS, "when: a phrase, or a mapping of names to phrases")
_ROLL = Key("roll", Choice(("in window", "earlier")), "how it moves off a closed day")
_NEEDS = Key("needs", ListOf(NAME), "items that must be done first")

KINDS: dict[str, tuple[str, Record]] = {
    "visits": ("visit", Record("a visit", (
        *_EVERY,
        Key("at", POINTS, "when the visit should be", True),
        Key("window", PHRASE, "the span of days in which the visit counts", True),
        _ROLL,
        Key("book_from", NAME, "the anchor from which it is booked"),
        Key("minutes", Int(1, 1440), "how long it takes"),
        Key("recognise", RECOGNISE, "how a booking made elsewhere is recognised"),
        _NEEDS,
    ))),
    "tasks": ("task", Record("a task", (
        *_EVERY,
        _AT,
        Key("by", PHRASE, "the day on which it is due"),
        Key("from", PHRASE, "the first day on which it can be done"),
        Key("before", NAME, "the item that needs it"),
        Key("valid_for", PHRASE, "done earlier than this does not count"),
        Key("redo", Choice(("on move", "never")), "whether it is done again when the anchor moves"),
        _NEEDS,
        _ROLL,
    ))),
    "instructions": ("instruction", Record("an instruction", (
        *_EVERY,
        Key("at", POINTS, "a point, a span or a series", True),
    ))),
    "holds": ("hold", Record("a hold", (
        *(Key(k.name, k.type, k.note) for k in _EVERY),
        Key("rules", ListOf(NAME), "the medicine rules that apply", True),
    ))),
    "restrictions": ("restriction", Record("a restriction", (
        *_EVERY,
        Key("from", PHRASE, "when it begins", True),
        Key("until", PHRASE, "the release that ends it", True),
        Key("at_least", PHRASE, "a release before this would be early"),
    ))),
    "gates": ("gate", Record("a gate", (
        *_EVERY,
        Key("at", PHRASE, "the day on which it should be released", True),
        Key("needs", ListOf(NAME), "items that must be done first", True),
        Key("released_by", TEXT, "the role that releases it", True),
    ))),
    "goals": ("goal", Record("a goal", (
        *_EVERY,
        Key("by", PHRASE, "when it should be reached", True),
        Key("measure", TEXT, "what is measured", True),
        Key("target", TEXT, "the value to reach", True),
    ))),
}  # fmt: skip

_ITEM_KEYS = tuple(Key(plural, MapOf(shape, NAME), f"{plural} by name") for plural, (_, shape) in KINDS.items())
ANCHOR = Record("an anchor", (
    Key("required", Bool(), "true where compile must be given it"),
    Key("assume", PHRASE, "its moment until it is known"),
    Key("awaited", Bool(), "true where it has no moment until it is recorded"),
    Key("recognise", Record("an anchor's recognise", (
        Key("procedure", ListOf(TOKEN), "codes of the procedure that proves it"),
        Key("encounter_end", Either((TEXT, ListOf(TEXT))), "class of the encounter whose end proves it"),
    )), "what proves it in a record"),
))  # fmt: skip
FACT_RULE = Record("a fact", (
    Key("yes", FHIRPATH, "true means yes"),
    Key("no", FHIRPATH, "true means no"),
    Key("ask", TEXT, "the question where the record does not say", True),
))  # fmt: skip
PHASE = Record("a phase", (
    Key("title", TEXT, "the phase's heading", True),
    Key("days", PHRASE, "its span"),
    Key("words", WORDS, "the heading that the patient reads, by language"),
    *_ITEM_KEYS,
))  # fmt: skip

CHANGED = Text(
    "the name of an item, or `fact NAME`, `anchor NAME`, `phase NAME`",
    r"((fact|anchor|phase) )?[a-z0-9][a-z0-9_-]*",
)
REMOVED = Text("an item, ITEM.KEY, or `fact NAME`, `anchor NAME`, `phase NAME`", CHANGED.pattern + r"(\.[a-z_]+)?")

INCLUDES = ListOf(Record("an include", (
    Key("part", NAME, "the name of the part, a file of parts/", True),
    Key("version", VERSION, "the version of the part that was reviewed for this file", True),
    Key("replace", MapOf(Tree(), CHANGED), "item name: the keys that differ here, each with its whole new value"),
    Key("remove", ListOf(REMOVED), "items that are left out here, or single keys of items"),
)))  # fmt: skip
_INCLUDE = Key("include", INCLUDES, "the parts that it shares with other pathways")

PATHWAY = Record("a pathway", (
    Key("pathway", NAME, "its name", True),
    Key("version", VERSION, "its version", True),
    Key("url", URL, "its canonical URL, without version", True),
    Key("title", TEXT, "its title", True),
    Key("words", WORDS, "what the patient reads in place of the title, by language"),
    Key("description", TEXT, "what it is for"),
    _INCLUDE,
    Key("reading", MapOf(Int(1, 18), LANGUAGE), "the highest school grade of patient words, by language"),
    Key("codes", MapOf(CODINGS), "codes of the operation, by name"),
    Key("anchors", MapOf(ANCHOR, NAME), "the events that phrases count from", True),
    Key("facts", MapOf(FACT_RULE, FACT), "three-valued facts of the patient"),
    Key("phases", MapOf(PHASE, NAME), "what happens, in the order of the patient's days"),
    *_ITEM_KEYS,
))  # fmt: skip


_PART_PHASE = Record("a phase of a part", (Key("title", TEXT, "the phase's heading"), *PHASE.keys[1:]))
_SHARED = (
    Key("anchors", MapOf(ANCHOR, NAME), "the events that phrases count from"),
    Key("facts", MapOf(FACT_RULE, FACT), "three-valued facts of the patient"),
    Key("phases", MapOf(_PART_PHASE, NAME), "what happens, in the order of the patient's days"),
    *_ITEM_KEYS,
)
SHARED_KEYS = tuple(key.name for key in _SHARED)  # what a part gives to the pathway that includes it
PART = Record("a part", (
    Key("part", NAME, "its name, the name of its file", True),
    Key("version", VERSION, "its version; a change of meaning is a new one", True),
    Key("title", TEXT, "what it holds, in a line", True),
    Key("why", TEXT, "why it is shared"),
    _INCLUDE,
    *_SHARED,
))  # fmt: skip


def _partly(shape: Record) -> Record:
    """The same keys, none required: in an overlay the pathway may have the others."""
    return Record(shape.name, tuple(Key(key.name, key.type, key.note) for key in shape.keys))


_ADDED = tuple(
    Key(plural, MapOf(_partly(shape), NAME), f"new {plural}, or new keys of one")
    for plural, (_, shape) in KINDS.items()
)
_ADDED_PHASE = Record("a phase of add", (*(_partly(PHASE).keys[:3]), *_ADDED))

OVERLAY = Record("an overlay", (
    Key("overlay", NAME, "its name", True),
    Key("version", VERSION, "its version"),
    Key("title", TEXT, "what it changes, in a line", True),
    Key("for", Either((NAME, ListOf(NAME))), "the pathways that it changes, or any", True),
    Key("why", TEXT, "why the clinic differs"),
    Key("source", SOURCE, "who decided it, where it comes from"),
    Key("add", Record("add", (
        Key("anchors", MapOf(_partly(ANCHOR), NAME), "new anchors"),
        Key("facts", MapOf(_partly(FACT_RULE), FACT), "new facts"),
        Key("phases", MapOf(_ADDED_PHASE, NAME), "new phases, and new items in phases that are there"),
        *_ADDED,
    )), "new items, in the pathway's own shape"),
    Key("replace", MapOf(Tree(), CHANGED), "item name: the keys that change, each with its whole new value"),
    Key("remove", ListOf(REMOVED), "items, or single keys of items"),
    Key("policies", MapOf(TEXT), "medicine policies that it sets"),
))  # fmt: skip

_WORDS = Text("a name that a medicine list has", r"\S.*")
CLINIC = Record("a clinic", (
    Key("clinic", TEXT, "its name", True),
    Key("url", URL, "the base of its identifiers", True),
    Key("zone", TEXT, "its IANA time zone", True),
    Key("holidays", Record("holidays", (
        Key("calendar", COUNTRY, "public holidays; none where the closures name every closed day", True),
        Key("closures", MapOf(TEXT, DAY), "further closed days, with the reason"),
        Key("open", MapOf(TEXT, DAY), "public holidays on which the clinic works, with the reason"),
    )), "the days on which it is closed", True),
    Key("hours", Record("hours", tuple(Key(day, HOURS, "opening hours") for day in WEEKDAYS)), "open weekdays", True),
    Key("parts", Record("parts", tuple(Key(p, CLOCK, "its hour", True) for p in PARTS)), "parts of the day", True),
    Key("roles", MapOf(Record("a role", (
        Key("title", TEXT, "what is printed", True),
        Key("telephone", TEXT, "the number that is printed"),
    )), NAME), "who answers for what", True),
    Key("identifiers", Record("identifiers", (
        Key("own", URL, "the system of identifiers that the clinic gives"),
        Key("patient", URL, "the system of the patient's number", True),
    )), "identifier systems", True),
    Key("overlays", ListOf(NAME, 0), "overlays in force, in order"),
    Key("policies", MapOf(TEXT), "medicine policies"),
    Key("medicine_words", MapOf(Either((TEXT, ListOf(TEXT))), _WORDS), "its own words for medicines"),
    Key("settings", Record("settings", (
        Key("grace", DAYS, "days after the target before a visit is late"),
        Key("booking_lead", DAYS, "days before the window in which a visit is booked"),
        Key("creatinine_stale", DAYS, "a value older than this is shown as old"),
        Key("creatinine_refused", DAYS, "a value older than this is not used"),
        Key("contact_attempts", Int(1, 20), "attempts before the surgeon is told"),
        Key("contact_routes", Int(1, 10), "different routes among them"),
        Key("contact_days", Int(1, 365), "days within which they are made"),
        Key("proposed_appointments", Bool(), "write a proposed appointment for each visit"),
        Key("recognised_closes", Bool(), "a recognised booking closes a visit"),
    )), "what the clinic decides"),
))  # fmt: skip
