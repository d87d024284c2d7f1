"""Every code of the validator: its example raises it, its counter-example does not, and it is documented."""

from __future__ import annotations

import pytest

from waykeeper.findings import WaykeeperError, catalogue
from waykeeper.validate import validate, validate_json

CODES = {code: entry for code, entry in catalogue().items() if code.startswith("WKV")}


def snapshot(elements):
    """A profile from the short form of the catalogue: one mapping an element, `id: what it says`."""
    records = [
        {"id": name, "path": name.partition(":")[0] if "." not in name else _path(name), **said}
        for row in elements
        for name, said in row.items()
    ]
    root = records[0]["id"].partition(".")[0]
    if records[0]["id"] != root:
        records.insert(0, {"id": root, "path": root})
    return {
        "resourceType": "StructureDefinition",
        "url": "http://example.org/profile",
        "type": root,
        "snapshot": {"element": records},
    }


def _path(name):
    return ".".join(step.partition(":")[0] for step in name.split("."))


def codes(example):
    """The codes that an example of the catalogue raises."""
    if isinstance(example, str):
        return {f.code for f in validate_json(example)}
    if "hex" in example:
        return {f.code for f in validate_json(bytes.fromhex(example["hex"]))}
    if "long" in example:
        return {f.code for f in validate({"resourceType": "Patient", "name": [{"family": "x" * example["long"]}]})}
    if "nested" in example:
        depth = example["nested"]
        return {f.code for f in validate_json('{"a":' * depth + "1" + "}" * depth)} if depth > 900 else _nested(depth)
    if "profile" in example:
        profile = example["profile"]
        try:
            return {
                f.code
                for f in validate(example["resource"], [snapshot(profile) if isinstance(profile, list) else profile])
            }
        except WaykeeperError as error:
            return {f.code for f in error.findings}
    return {f.code for f in validate(example)}


def _nested(depth):
    text = '{"resourceType":"Patient"' + ',"extension":[{"url":"http://example.org/x"' * depth + "}]" * depth + "}"
    return {f.code for f in validate_json(text)}


@pytest.mark.parametrize("code", CODES)
def test_the_example_raises_the_code(code):
    assert code in codes(CODES[code].raises)


@pytest.mark.parametrize("code", CODES)
def test_the_counter_example_does_not(code):
    assert code not in codes(CODES[code].passes)


@pytest.mark.parametrize("code", CODES)
def test_the_code_is_documented(code):
    entry = CODES[code]
    assert entry.title and entry.explanation and entry.link.startswith(("http://", "https://"))
    assert entry.family in ("the specification", "stricter", "ours")


@pytest.mark.parametrize("code", [c for c, e in CODES.items() if e.family == "stricter"])
def test_what_is_stricter_can_be_switched_off(code):
    example = CODES[code].raises
    found = validate_json(example, stricter=False) if isinstance(example, str) else validate(example, stricter=False)
    assert code not in {f.code for f in found}


def test_every_code_in_the_source_is_in_the_catalogue_and_the_other_way_round():
    import re
    from importlib.resources import files

    source = "".join(f.read_text("utf-8") for f in files("waykeeper.validate").iterdir() if f.name.endswith(".py"))
    assert set(re.findall(r"WKV\d{3}", source)) == set(CODES)
