"""The fields of a schema as rows, held against what a validator of JSON Schema demands."""

import pytest
from jsonschema import Draft202012Validator

from broker_bridge.events.union import DATA_TYPES
from broker_bridge.schemas.fields import fields
from broker_bridge.schemas.json_schema import data_schema, event_schema


@pytest.mark.parametrize("name", sorted(DATA_TYPES))
def test_outermost_required_fields_are_those_a_validator_misses(name: str) -> None:
    schema = data_schema(name)
    missed = {error.message.split("'")[1] for error in Draft202012Validator(schema).iter_errors({})}
    rows = [row for row in fields(schema) if "." not in row.path]
    assert {row.path.removesuffix("[]") for row in rows if row.required} == missed
    assert len(rows) == len(DATA_TYPES[name].model_fields)


def test_an_event_tells_its_envelope() -> None:
    told = {row.path: row for row in fields(event_schema())}
    assert told["id"].required
    assert told["type"].required
    assert "board.arrived" in told["type"].type


def test_what_holds_itself_is_told_once() -> None:
    one = {"type": "object", "properties": {"name": {"type": "string"}, "more": {"$ref": "#/$defs/one"}}}
    assert [row.path for row in fields({"$ref": "#/$defs/one", "$defs": {"one": one}})] == ["name", "more"]
    assert [row.path for row in fields({**one, "$defs": {"one": one}})] == [
        "name", "more", "more.name", "more.more",
    ]  # fmt: skip
