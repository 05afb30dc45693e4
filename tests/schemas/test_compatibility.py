"""What breaks a schema and what does not, on small schemas and on a real one."""

import copy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.schemas.compatibility import incompatibilities
from broker_bridge.schemas.json_schema import data_schema

OLD: dict[str, Any] = {
    "x-status": "final",
    "type": "object",
    "properties": {
        "name": {"type": "string", "minLength": 1, "maxLength": 5, "pattern": "^a"},
        "lane": {"type": "integer", "minimum": 1, "exclusiveMaximum": 9},
        "side": {"enum": ["top", "bottom"], "type": "string"},
        "range": {"type": "array", "prefixItems": [{"type": "integer"}, {"type": "integer"}]},
        "parts": {"type": "array", "items": {"$ref": "#/$defs/Part"}},
        "more": {"anyOf": [{"type": "string"}, {"type": "integer"}]},
        "data": {"$ref": "other.json"},
    },
    "required": ["name"],
    "$defs": {
        "Part": {
            "type": "object",
            "properties": {"number": {"type": "string"}, "of": {"$ref": "#/$defs/Part"}},
            "required": ["number"],
        }
    },
}


def changed(path: str, value: Any = None) -> dict[str, Any]:
    """The schema with one place set, or removed where no value is given."""
    new = copy.deepcopy(OLD)
    *steps, last = path.split("/")
    target: Any = new
    for step in steps:
        target = target[int(step) if isinstance(target, list) else step]
    if value is None:
        del target[last]
    else:
        target[last] = value
    return new


def test_a_schema_is_compatible_with_itself() -> None:
    assert incompatibilities(OLD, OLD) == []


@pytest.mark.parametrize(
    ("path", "value", "told"),
    [
        ("properties/lane", None, "lane: the field is gone"),
        ("properties/lane/type", "number", "lane: type was 'integer' and is 'number'"),
        ("properties/lane/minimum", 2, "lane: minimum was 1 and is 2"),
        ("properties/lane/exclusiveMaximum", 8, "lane: exclusiveMaximum was 9 and is 8"),
        ("properties/lane/maximum", 4, "lane: maximum was None and is 4"),
        ("properties/lane/enum", [1], "lane: any value was allowed, now only [1]"),
        ("properties/name/minLength", 2, "name: minLength was 1 and is 2"),
        ("properties/name/maxLength", 4, "name: maxLength was 5 and is 4"),
        ("properties/name/pattern", "^b", "name: pattern was '^a' and is '^b'"),
        ("properties/name/format", "date-time", "name: format was None and is 'date-time'"),
        ("properties/side/enum", ["top"], "side: values ['bottom'] are gone"),
        ("properties/side/default", "top", "side: default was None and is 'top'"),
        ("properties/range/prefixItems", [{"type": "integer"}], "range: another number of members"),
        ("properties/range/prefixItems/1/type", "string", "range[1]: type was 'integer' and is 'string'"),
        ("properties/parts/items", None, "parts[]: type was 'object' and is None"),
        ("$defs/Part/properties/number", None, "parts[].number: the field is gone"),
        ("$defs/Part/required", [], "parts[]: number was required and may be absent"),
        ("properties/more/anyOf", [{"type": "string"}], "more: a choice of anyOf is gone or changed"),
        ("properties/data/$ref", "new.json", "data: $ref was 'other.json' and is 'new.json'"),
        ("required", ["name", "lane"], "the whole: lane was optional and is required"),
        ("required", [], "the whole: name was required and may be absent"),
        ("x-status", "draft", "a final schema became a draft"),
    ],
)
def test_what_breaks_is_told_with_its_place(path: str, value: Any, told: str) -> None:
    findings = incompatibilities(OLD, changed(path, value))
    assert any(finding.startswith(told) for finding in findings), findings


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("properties/new", {"type": "string"}),
        ("$defs/Part/properties/new", {"type": "string"}),
        ("properties/side/enum", ["top", "bottom", "edge"]),
        ("properties/name/maxLength", 50),
        ("properties/name/pattern", None),
        ("properties/lane/minimum", 0),
        ("properties/lane/description", "another word"),
        ("properties/more/anyOf", [{"type": "string"}, {"type": "integer"}, {"type": "boolean"}]),
        ("properties/more/deprecated", True),
    ],
)
def test_what_breaks_nothing_is_allowed(path: str, value: Any) -> None:
    assert incompatibilities(OLD, changed(path, value)) == []


def test_a_renamed_definition_breaks_nothing() -> None:
    new = copy.deepcopy(OLD)
    new["$defs"]["Piece"] = new["$defs"].pop("Part")
    new["$defs"]["Piece"]["properties"]["of"]["$ref"] = "#/$defs/Piece"
    new["properties"]["parts"]["items"]["$ref"] = "#/$defs/Piece"
    assert incompatibilities(OLD, new) == []


ARRIVED = data_schema("board.arrived")


@given(st.sampled_from(sorted(ARRIVED["properties"])))
def test_every_field_of_a_real_schema_is_missed_when_it_goes(name: str) -> None:
    new = copy.deepcopy(ARRIVED)
    del new["properties"][name]
    assert f"{name}: the field is gone" in incompatibilities(ARRIVED, new)
    assert incompatibilities(new, ARRIVED) == []
