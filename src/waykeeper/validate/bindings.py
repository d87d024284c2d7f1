"""Codings and concepts against the value sets that elements bind and the code systems that are known whole."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from waykeeper.validate.run import Place, Run
from waykeeper.validate.tables import code_system_record
from waykeeper.validate.terminology import UCUM, ValueSet, is_unknown_code, system_codes, value_set
from waykeeper.validate.ucum import is_unit

One = Callable[[Any, Place, Run], None]


def check_coding(value: Any, here: Place, run: Run) -> None:
    """A code must be in the code system it names, where that is published whole, whatever the binding."""
    system, code = value.get("system"), value.get("code")
    if isinstance(system, str) and isinstance(code, str) and is_unknown_code(system, code):
        run.add("WKV302", (here, "code"), f"code {code!r} is not in the code system {system}")


# R4 terminologies-systems.html: each of these systems has exactly this uri. What only begins with it (a slash at the
# end, an edition, a value set of it) names no code system, so nobody finds the code.
_EXACT = ("http://snomed.info/sct", "http://loinc.org", UCUM, "http://www.nlm.nih.gov/research/umls/rxnorm")
_EXACT_START = tuple(uri + mark for uri in _EXACT for mark in "/#|? ")


def _check_exact(value: Any, here: Place, run: Run) -> None:
    """Asked, as the official validator does, of a coding by itself and of a quantity, where there is a code."""
    system = value.get("system")
    if isinstance(system, str) and system.startswith(_EXACT_START) and isinstance(value.get("code"), str):
        _say_exact(system, "WKV305", here, run)


def _say_exact(system: str, code: str, here: Place, run: Run) -> None:
    meant = next(uri for uri in _EXACT if system.startswith(uri))
    run.add(code, (here, "system"), f"system {system!r} is no code system", f"Write {meant!r}; the version goes apart.")


def check_concept_coding(value: Any, here: Place, run: Run) -> None:
    """As `check_coding`; in a concept, naming a known system without a code is refused too."""
    system = value.get("system")
    if isinstance(system, str) and "code" not in value and "_code" not in value and system_codes(system):
        run.add("WKV302", (here, "system"), f"system {system} is named, and no code of it is given")
    check_coding(value, here, run)
    if run.stricter and isinstance(system, str) and system.startswith(_EXACT_START):
        _say_exact(system, "WKV306", here, run)


def check_lone_coding(value: Any, here: Place, run: Run) -> None:
    """As `check_coding`; a coding by itself must name its system exactly."""
    check_coding(value, here, run)
    _check_exact(value, here, run)


def check_coding_system(value: Any, here: Place, run: Run) -> None:
    """The system of a coding is absolute: asked, as the official validator does, only where no binding is known."""
    if isinstance(value.get("code"), str):
        _check_absolute(value, here, run)
        _check_published(value, here, run)


# HL7 publishes code systems below its own address, so what it does not publish there is none. R4 names those below
# /sid/ and does not hold them (terminologies-systems.html, "External Code Systems").
_HL7 = tuple(f"{scheme}://{host}hl7.org/fhir" for scheme in ("http", "https") for host in ("", "www."))
_BUILD = ("http://build.fhir.org", "https://build.fhir.org")
_SID_WORDS = (
    "ndc icpc-2 icpc-1 icpc-1-nl icd-9 icd-10 cvx srt icd-10-vn icd-10-cm icd-10-am icd-9-cm icf-nl ca-hc-npn "
    "ca-hc-din dsm5 ex-icd-10-procedures"
)
_EXTERNAL = frozenset(f"http://hl7.org/fhir/sid/{name}" for name in _SID_WORDS.split())
_OLD = re.compile(r"https?://(?:www\.)?hl7\.org/fhir/(v[23]/.+)").fullmatch  # as STU3 wrote version 2 and 3 tables


def _check_published(value: Any, here: Place, run: Run) -> None:
    """What lies below HL7's address is a code system of R4, of the given package, or one that R4 names."""
    system = value.get("system")
    if not isinstance(system, str) or not system.startswith(_HL7 + _BUILD) or system in _EXTERNAL:
        return
    plain = system.partition("|")[0]
    if system.startswith("http://hl7.org/fhir/test") or plain in run.code_systems or code_system_record(plain):
        return
    old = _OLD(system)
    new = "http://terminology.hl7.org/CodeSystem/" + old[1].replace("/", "-") if old else ""
    known = new and code_system_record(new) is not None
    remedy = f"Write {new!r}." if known else "If an implementation guide defines it, give its package as profiles."
    run.add("WKV305", (here, "system"), f"system {system!r} is no code system that HL7 publishes", remedy)


def check_quantity(value: Any, here: Place, run: Run) -> None:
    """The system is absolute and published, and a UCUM code is a unit."""
    check_lone_coding(value, here, run)
    _check_absolute(value, here, run)
    if isinstance(value.get("code"), str):
        _check_published(value, here, run)


def check_measure(value: Any, here: Place, run: Run) -> None:
    """The UCUM unit of an age, duration, distance or count: the official validator does not look at it."""
    code = value.get("code")
    if run.stricter and value.get("system") == UCUM and isinstance(code, str) and not is_unit(code):
        run.add("WKV304", (here, "code"), f"code {code!r} is no UCUM unit")


def check_identifier(value: Any, here: Place, run: Run) -> None:
    """The system is absolute; of the system of uris the value is a full uri (R4 identifier-registry.html)."""
    _check_absolute(value, here, run)
    text = value.get("value")
    if value.get("system") == "urn:ietf:rfc:3986" and isinstance(text, str) and not _WITH_SCHEME(text):
        run.add("WKV205", (here, "value"), f"{text!r} is no full uri, and the system urn:ietf:rfc:3986 says that it is")


_WITH_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:").match  # RFC 3986, section 3.1


_ABSOLUTE = ("http:", "https:", "urn:")


def _check_absolute(value: Any, here: Place, run: Run) -> None:
    system = value.get("system")
    if isinstance(system, str) and not system.startswith(_ABSOLUTE):
        run.add("WKV203", (here, "system"), f"system {system!r} must be absolute: http:, https: or urn:")


def coded_check(type_: str, strength: str, url: str) -> One:
    """The check of a bound element: required bindings are the specification's, extensible ones stricter."""
    bound = value_set(url)
    code = "WKV301" if strength == "required" else "WKV303"
    if strength == "extensible" and url == UCUM_UNITS:
        return _ucum_units(type_)
    codings = _codings if type_ == "CodeableConcept" else _itself

    def check(value: Any, here: Place, run: Run) -> None:
        if strength == "extensible" and not run.stricter:
            return
        held = codings(value)
        if strength == "max":
            held = [c for c in held if "system" in c and "code" in c and not _in(bound, c)]
            if held:
                run.add("WKV301", here, f"{_shown(held)} is not in the value set {url}")
            return
        if any(_in(bound, coding) for coding in held):
            return
        if strength == "required" or (held and any("system" in c for c in held)):
            run.add(code, here, f"{_shown(held)} is not in the {strength} value set {url}")

    return check if bound.known and type_ in _CODED else _nothing


UCUM_UNITS = "http://hl7.org/fhir/ValueSet/ucum-units"


def _ucum_units(type_: str) -> One:
    """The official validator refuses another system here, though the binding is extensible."""
    codings = _codings if type_ == "CodeableConcept" else _itself

    def check(value: Any, here: Place, run: Run) -> None:
        wrong = [c for c in codings(value) if c.get("system") not in (None, UCUM)]
        if wrong:
            run.add("WKV301", here, f"{_shown(wrong)} is no UCUM unit, as value set {UCUM_UNITS} asks for")

    return check


_CODED = {"Coding", "CodeableConcept"}


def _nothing(_value: Any, _here: Place, _run: Run) -> None:
    """A binding that cannot be checked offline."""


def _codings(value: Any) -> list[Any]:
    codings = value.get("coding")
    return [c for c in codings if isinstance(c, dict)] if isinstance(codings, list) else []


def _itself(value: Any) -> list[Any]:
    return [value]


def _in(bound: ValueSet, coding: dict[str, Any]) -> bool:
    system, code = coding.get("system"), coding.get("code")
    return isinstance(code, str) and (system is None or isinstance(system, str)) and bound.has(system, code)


def _shown(codings: list[Any]) -> str:
    if not codings:
        return "a concept without a code"
    return ", ".join(f"{c.get('system', '')}#{c.get('code', '')}" for c in codings[:3])
