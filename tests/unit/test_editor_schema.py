"""The JSON Schema of maps, held against the jsonschema library as an editor would."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

from probe.model.editor_schema import map_schema

EXAMPLES = Path(__file__).parents[2] / "examples"


def as_an_editor_sees(text: str) -> Any:
    """YAML with its own types, as JSON (an editor sees numbers as numbers)."""
    return json.loads(json.dumps(yaml.safe_load(text), default=str))


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    schema = map_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def test_the_example_map_passes(validator: jsonschema.Draft202012Validator) -> None:
    example = as_an_editor_sees((EXAMPLES / "substation.yaml").read_text(encoding="utf-8"))
    assert [error.message for error in validator.iter_errors(example)] == []


@pytest.mark.parametrize(
    ("old", "new", "path"),
    [
        ("kind: meter", "kind: metre", ["devices", 5, "kind"]),
        ("unit: 2", "unit: 300", ["devices", 3, "address", "unit"]),
        ("cubicle: 1A", "cubical: 1A", ["devices", 0]),
        ("site: Tarn Hollow Water Works\n", "", []),
        ("via: GW1, unit: 2", "via: GW1, host: a, unit: 2", ["devices", 3, "address"]),
        ("voltage_v: 480", "voltage_v: high", ["system", "voltage_v"]),
    ],
)
def test_a_broken_map_does_not(
    validator: jsonschema.Draft202012Validator, old: str, new: str, path: list[str | int]
) -> None:
    text = (EXAMPLES / "substation.yaml").read_text(encoding="utf-8")
    assert old in text
    errors = list(validator.iter_errors(as_an_editor_sees(text.replace(old, new, 1))))
    assert [list(error.absolute_path) for error in errors] == [path]


def test_texts_that_an_editor_takes_for_numbers_or_truth_values_pass(
    validator: jsonschema.Draft202012Validator,
) -> None:
    text = """
format: buswitness-map/1
site: 1
lineup: 2.10
system: {voltage_v: 480, frequency_hz: 60}
devices:
  - {tag: 101, kind: meter, profile: meter-float, section: 2, address: {host: 10.20.1.1},
     identity: {serial: 510210600, firmware: 2.1}, state: {maintenance: on, energized: yes}, required: no}
"""
    assert list(validator.iter_errors(as_an_editor_sees(text))) == []


def test_every_field_has_words_for_the_editor() -> None:
    schema = map_schema()
    groups = [schema, *schema["$defs"].values()]
    bare = [
        f"{group.get('title')}.{name}"
        for group in groups
        for name, field in group.get("properties", {}).items()
        if not field.get("description")
    ]
    assert bare == []
    assert "x-allowed" not in json.dumps(schema)
