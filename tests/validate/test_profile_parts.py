"""Parts of profiles: slices of slices, order, types with profiles, limits; what is not checked is said."""

from __future__ import annotations

import copy

import pytest
from hypothesis import given
from hypothesis import strategies as st

from waykeeper.findings import WaykeeperError
from waykeeper.validate import load_profiles, validate

URL = "http://example.org/StructureDefinition/p"


def profile(type_, *elements, url=URL):
    """A profile whose snapshot has these elements: (id, what it says)."""
    records = [{"id": type_, "path": type_}]
    for name, said in elements:
        path = ".".join(step.partition(":")[0] for step in name.split("."))
        records.append({"id": name, "path": path, **said})
    return {"resourceType": "StructureDefinition", "url": url, "type": type_, "snapshot": {"element": records}}


def sliced(kind, path, **more):
    return {"slicing": {"discriminator": [{"type": kind, "path": path}], "rules": "open", **more}}


def found(resource, *profiles):
    """The codes of the profile findings."""
    return sorted(f.code for f in validate(resource, profiles) if f.code.startswith("WKV8"))


def patient(**elements):
    return {"resourceType": "Patient", **elements}


MRN, OLD = {"system": "http://example.org/mrn", "value": "1", "use": "usual"}, {"system": "http://example.org/mrn", "value": "2", "use": "old"}  # fmt: skip  # noqa: E501
RESLICED = profile(
    "Patient",
    ("Patient.identifier", sliced("value", "system")),
    ("Patient.identifier:mrn", {"sliceName": "mrn", **sliced("value", "use")}),
    ("Patient.identifier:mrn.system", {"fixedUri": "http://example.org/mrn"}),
    ("Patient.identifier:mrn/now", {"sliceName": "mrn/now", "min": 1, "max": "1"}),
    ("Patient.identifier:mrn/now.use", {"fixedCode": "usual"}),
    ("Patient.identifier:mrn/past", {"sliceName": "mrn/past"}),
    ("Patient.identifier:mrn/past.use", {"fixedCode": "old"}),
    ("Patient.identifier:mrn/past.period", {"min": 1}),
)


@pytest.mark.parametrize(
    ("identifiers", "expected"),
    [
        ([MRN], []),
        ([MRN, {**OLD, "period": {"end": "2020"}}], []),
        ([MRN, OLD], ["WKV803"]),
        ([{**OLD, "period": {"end": "2020"}}], ["WKV803"]),
        ([MRN, MRN], ["WKV804"]),
        ([MRN, {**MRN, "system": "http://example.org/other"}], []),
    ],
)
def test_a_slice_that_is_sliced_again(identifiers, expected):
    assert found(patient(identifier=identifiers), RESLICED) == expected


@pytest.mark.parametrize(
    ("kind", "path"),
    [
        ("profile", "$this"),
        ("profile", "resolve()"),
        ("exists", "period.extension('http://example.org/x')"),
        ("exists", "value.ofType(string)"),
        ("value", "resolve().code"),
        ("type", "use"),
        ("type", "resolve()"),
        ("banana", "use"),
    ],
)
def test_a_discriminator_that_cannot_be_told_is_said_and_the_rest_is_checked(kind, path):
    held = profile(
        "Patient",
        ("Patient.identifier", {**sliced(kind, path), "max": "1"}),
        ("Patient.identifier:a", {"sliceName": "a", "max": "1"}),
    )
    assert found(patient(identifier=[MRN, OLD]), held) == ["WKV804", "WKV809"]


def test_the_order_of_slices():
    held = profile(
        "Patient",
        ("Patient.name", sliced("value", "use", ordered=True, rules="openAtEnd")),
        ("Patient.name:one", {"sliceName": "one"}),
        ("Patient.name:one.use", {"fixedCode": "official"}),
        ("Patient.name:two", {"sliceName": "two"}),
        ("Patient.name:two.use", {"fixedCode": "usual"}),
    )
    for uses, expected in (
        (["official", "usual", "old"], []),
        (["official", "official", "usual"], []),
        (["usual", "official"], ["WKV814"]),
        (["old", "official"], ["WKV814"]),
    ):
        assert found(patient(name=[{"use": use, "family": "A"} for use in uses]), held) == expected, uses


def test_a_choice_without_a_discriminator_is_sliced_by_type():
    held = profile(
        "Observation",
        ("Observation.value[x]:valueQuantity", {"sliceName": "valueQuantity", "type": [{"code": "Quantity"}]}),
        ("Observation.value[x]:valueQuantity.unit", {"min": 1}),
    )
    base = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}}
    assert found({**base, "valueQuantity": {"value": 1}}, held) == ["WKV803"]
    assert found({**base, "valueString": "x"}, held) == []


def test_an_element_that_refers_to_another_is_held_to_the_same():
    held = profile(
        "Questionnaire",
        ("Questionnaire.item", {}),
        ("Questionnaire.item.prefix", {"min": 1}),
        ("Questionnaire.item.item", {"contentReference": "#Questionnaire.item"}),
    )
    inner = {"linkId": "2", "type": "display", "text": "x"}
    outer = {"linkId": "1", "prefix": "1", "type": "group", "item": [inner]}
    form = {"resourceType": "Questionnaire", "status": "draft", "item": [outer]}
    assert found(form, held) == ["WKV803"]
    inner["prefix"] = "2"
    assert found(form, held) == []


def test_the_profile_of_a_type():
    entry = {"type": [{"code": "Patient", "profile": [URL]}]}
    held = profile("Bundle", ("Bundle.entry", {}), ("Bundle.entry.resource", entry), url="http://example.org/b")
    named = profile("Patient", ("Patient.name", {"min": 1}))
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"fullUrl": "http://example.org/fhir/Patient/a", "resource": {"resourceType": "Patient", "id": "a"}}],
    }
    package = load_profiles([named])
    over = load_profiles([held], always=True)
    assert found(bundle, over, package) == ["WKV803"]
    assert found(bundle, over) == ["WKV812"], "a profile that was not given is named"
    bundle["entry"][0]["resource"]["name"] = [{"family": "A"}]
    assert found(bundle, over, package) == []


@pytest.mark.parametrize(
    ("said", "value", "expected"),
    [
        ({"maxLength": 3}, "abc", []),
        ({"maxLength": 3}, "abcd", ["WKV813"]),
        ({"minValueDate": "2020-01-01"}, "2020-01-01", []),
        ({"minValueDate": "2020-01-01"}, "2019-12-31", ["WKV813"]),
        ({"maxValueDate": "2020-01-01"}, "2020-01-02", ["WKV813"]),
        ({"maxValueDate": "2020-01-01"}, "2020", ["WKV812"]),
    ],
)
def test_limits_of_texts_and_dates(said, value, expected):
    at = "Patient.birthDate" if value[0] == "2" else "Patient.language"
    held = profile("Patient", (at, said))
    assert found(patient(**{at.partition(".")[2]: value}), held) == expected


@pytest.mark.parametrize(("value", "expected"), [(1, []), (0, ["WKV813"]), (3, []), (4, ["WKV813"]), (2.5, [])])
def test_limits_of_numbers(value, expected):
    held = profile("Observation", ("Observation.valueQuantity.value", {"minValueDecimal": 1, "maxValueDecimal": 3}))
    base = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}}
    assert found({**base, "valueQuantity": {"value": value}}, held) == expected


def test_a_claimed_profile_that_was_not_given_is_named_once():
    claim = {"meta": {"profile": ["http://example.org/StructureDefinition/other|2.0"]}}
    entries = [
        {"fullUrl": f"http://example.org/fhir/Patient/{n}", "resource": patient(id=n, **claim)} for n in ("a", "b")
    ]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": entries}
    assert found(bundle) == ["WKV812"]
    assert [f.severity for f in validate(bundle) if f.code == "WKV812"] == [
        "warning"
    ]  # as the official validator has it
    assert found(patient(meta={"profile": ["http://hl7.org/fhir/StructureDefinition/Patient"]})) == []


VALUE_SET = {"resourceType": "ValueSet", "url": "http://example.org/vs"}
LISTED = {"system": "http://example.org/cs", "concept": [{"code": "a"}, {"code": "b"}]}


@pytest.mark.parametrize(
    ("held", "expected"),
    [
        ({"compose": {"include": [LISTED]}}, []),
        ({"compose": {"include": [LISTED], "exclude": [{**LISTED, "concept": [{"code": "a"}]}]}}, ["WKV807"]),
        ({"compose": {"include": [{"system": "http://example.org/cs", "filter": []}]}}, ["WKV807"]),
        ({"compose": {"include": [{"system": "http://example.org/cs", "filter": [{"op": "is-a"}]}]}}, ["WKV812"]),
        ({"compose": {"include": [{"valueSet": ["http://example.org/other"]}]}}, ["WKV812"]),
        ({"expansion": {"contains": [{"system": "http://example.org/cs", "code": "a"}]}}, []),
        ({"expansion": {"contains": [{"system": "http://example.org/cs", "abstract": True, "code": "a", "contains": [{"system": "http://example.org/cs", "code": "b"}]}]}}, ["WKV807"]),  # noqa: E501
    ],
)  # fmt: skip
def test_value_sets_of_a_package(held, expected):
    binding = {"binding": {"strength": "required", "valueSet": "http://example.org/vs"}}
    system = {"resourceType": "CodeSystem", "url": "http://example.org/cs", "concept": [{"code": "z"}]}
    package = load_profiles([profile("Task", ("Task.code", binding)), {**VALUE_SET, **held}, system], always=True)
    concept = {"coding": [{"system": "http://example.org/cs", "code": "a"}]}
    task = {"resourceType": "Task", "status": "requested", "intent": "plan", "code": concept}
    assert found(task, package) == expected


JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.text(max_size=5)),
    lambda inner: st.one_of(st.lists(inner, max_size=2), st.dictionaries(st.text(max_size=5), inner, max_size=2)),
    max_leaves=6,
)


def _places(value):
    for key, below in list(value.items() if isinstance(value, dict) else enumerate(value)):
        yield value, key
        if isinstance(below, dict | list):
            yield from _places(below)


@given(st.data())
def test_any_definition_is_used_or_refused_and_never_a_traceback(data):
    package = copy.deepcopy([RESLICED, {**VALUE_SET, "compose": {"include": [LISTED]}}])
    holder, key = data.draw(st.sampled_from(list(_places(package))))
    holder[key] = data.draw(JSON)
    try:
        loaded = load_profiles(package, always=True)
    except WaykeeperError as refused:
        assert {f.code for f in refused.findings} <= {"WKV801", "WKV802"}
        return
    assert isinstance(validate(patient(identifier=[MRN, OLD]), [loaded]), list)


def ruled(at, expression, **more):
    """A profile of Patient with one invariant on one element."""
    rule = {"key": "p-1", "severity": "error", "human": "must hold", "expression": expression, **more}
    said = {"constraint": [{k: v for k, v in rule.items() if v is not None}]}
    held = profile("Patient", *([(at, said)] if "." in at else []))
    held["snapshot"]["element"][0].update(said if "." not in at else {})
    return held


@pytest.mark.parametrize(
    ("expression", "why"),
    [
        ("(((", "no FHIRPath"),
        ("(((  nosuch()", "no FHIRPath"),
        ("active.exists() and", "no FHIRPath"),
        ("active.exists() nosuch", "no FHIRPath"),
        ("nosuch()", "the function nosuch is not known here"),
        ("active.memberOf('http://example.org/vs')", "the function memberOf is not known here"),
        ("conformsTo('http://example.org/p')", "the function conformsTo is not known here"),
        ("managingOrganization.resolve().exists()", "the function resolve is not known here"),
        ("%terminologies.validateVS('http://example.org/vs', active)", "the variable %terminologies is not known here"),
        ("'a' > 3", "the engine could not work it out on this value"),
        (None, "it has no FHIRPath expression"),
    ],
)
def test_an_invariant_that_cannot_be_worked_out_is_said_and_never_passes_in_silence(expression, why):
    for value in (patient(active=True), patient(active=True)):  # the second meets what the first compiled
        said = [f for f in validate(value, [ruled("Patient", expression)]) if f.code.startswith("WKV8")]
        assert [f.code for f in said] == ["WKV815"] and why in said[0].details
        assert said[0].severity == "warning"


@pytest.mark.parametrize(
    ("at", "expression", "element", "expected"),
    [
        ("Patient.birthDate", "$this <= @2020-01-01", {"birthDate": "2019-12-31"}, []),
        ("Patient.birthDate", "$this <= @2020-01-01", {"birthDate": "2020-01-02"}, ["WKV811"]),
        ("Patient.language", "$this.matches('^[a-z]{2}$')", {"language": "de"}, []),
        ("Patient.language", "length() = 5", {"language": "de"}, ["WKV811"]),
        ("Patient.deceased[x]", "$this >= @2020-01-01", {"deceasedDateTime": "2019-01-01"}, ["WKV811"]),
        ("Patient.deceased[x]", "$this >= @2020-01-01", {"deceasedDateTime": "2021-01-01"}, []),
        ("Patient.name", "family.exists()", {"name": [{"text": "x"}]}, ["WKV811"]),
        ("Patient.contact", "name.exists()", {"contact": [{"gender": "female", "name": {"text": "x"}}]}, []),
        ("Patient.contact", "name.family.exists()", {"contact": [{"name": {"text": "x"}}]}, ["WKV811"]),
    ],
)
def test_an_invariant_on_any_element_is_evaluated_primitives_too(at, expression, element, expected):
    assert found(patient(**element), ruled(at, expression)) == expected


def rule(expression):
    return {"constraint": [{"key": "x-1", "severity": "error", "human": "must hold", "expression": expression}]}


def extension(at, expression):
    """A complex extension with one part `days`, and an invariant on one of its elements."""
    url = "http://example.org/x"
    ids = {
        "Extension": {},
        "Extension.extension": sliced("value", "url"),
        "Extension.extension:days": {"sliceName": "days"},
        "Extension.extension:days.url": {"fixedUri": "days"},
        "Extension.extension:days.value[x]": {"type": [{"code": "integer"}]},
        "Extension.url": {"fixedUri": url},
    }
    ids[at] = {**ids[at], **rule(expression)}
    made = profile("Extension", *list(ids.items())[1:], url=url)
    made["snapshot"]["element"][0].update(ids["Extension"])
    return made


@pytest.mark.parametrize(
    ("at", "expression", "expected"),
    [
        ("Extension", "extension.exists()", []),
        ("Extension", "extension.count() > 1", ["WKV811"]),
        ("Extension.extension:days", "value.exists()", []),
        ("Extension.extension:days", "value.empty()", ["WKV811"]),
        ("Extension.extension:days.value[x]", "$this < 8", []),
        ("Extension.extension:days.value[x]", "$this < 7", ["WKV811"]),
        ("Extension", "nosuch()", ["WKV815"]),
    ],
)
def test_an_invariant_of_an_extension_is_held(at, expression, expected):
    held = {"url": "http://example.org/x", "extension": [{"url": "days", "valueInteger": 7}]}
    assert found(patient(extension=[held]), extension(at, expression)) == expected


def test_invariants_of_r4_itself_are_not_evaluated_twice():
    """A snapshot repeats them, with the type that has them as source, or (older ones) without a source."""
    contact = {"contact": [{"gender": "female"}]}
    base = "http://hl7.org/fhir/StructureDefinition/"
    text = "name.exists() or telecom.exists() or address.exists() or organization.exists()"
    assert found(patient(**contact), ruled("Patient", text, key="pat-1")) == []
    assert found(patient(**contact), ruled("Patient", "false", source=base + "Patient")) == []
    assert found(patient(**contact), ruled("Patient", "false", source=base + "vitalsigns")) == ["WKV811"]
    assert found(patient(**contact), ruled("Patient", "false", source="http://example.org/p")) == ["WKV811"]
