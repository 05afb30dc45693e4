"""JSON Schemas (2020-12) of what travels over the bus.

They say what a writer writes: absent fields are left out, never null. They stay open for unknown fields, since
a reader has to ignore them (schemas/CHANGES.md).
"""

from collections.abc import Callable
from typing import Any, Final, Literal

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue, NoDefault
from pydantic_core import core_schema

from broker_bridge.events.envelope import Event
from broker_bridge.events.union import DATA_TYPES, schema_uri
from broker_bridge.schemas.docstrings import field_docstrings

DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
Status = Literal["final", "draft"]


class _Published(GenerateJsonSchema):
    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def get_default_value(self, schema: core_schema.WithDefaultSchema) -> Any:
        default = super().get_default_value(schema)
        return NoDefault if default is None else default

    def model_schema(self, schema: core_schema.ModelSchema) -> JsonSchemaValue:
        published = super().model_schema(schema)
        published.pop("additionalProperties", None)
        for name, text in field_docstrings(schema["cls"]).items():
            if name in published.get("properties", {}):
                published["properties"][name].setdefault("description", text)
        return published

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False


def model_schema(model: type[BaseModel], *, title: str, uri: str, status: Status) -> dict[str, Any]:
    """The schema of one model, self-contained."""
    body = _one_line(model.model_json_schema(mode="serialization", schema_generator=_Published))
    return {**body, "$schema": DIALECT, "$id": uri, "title": title, "x-status": status}


def view_schema(build: Callable[[], dict[str, Any]], *, status: Status) -> dict[str, Any]:
    """The schema of an answer that a command gives as JSON, left open as those of events are."""
    return {**_open(build()), "x-status": status}


def data_schema(type_name: str) -> dict[str, Any]:
    """The schema of the data of one event type; its `$id` is the event's `dataschema`."""
    data = DATA_TYPES[type_name]
    return model_schema(data, title=type_name, uri=schema_uri(type_name), status=data.STATUS)


def data_file(type_name: str) -> str:
    """Name of the file that holds the schema of a type's data."""
    return f"{type_name}.json"


def event_schema() -> dict[str, Any]:
    """The schema of any event: the CloudEvents attributes, and by `type` the schema of the data.

    It has no `$id`, so that the files it refers to are found next to it wherever they are.
    """
    envelope = model_schema(Event, title="event", uri="", status="final")
    for moved in ("$id", "$schema", "x-status"):
        del envelope[moved]
    envelope.pop("$defs", None)
    envelope["required"] = sorted({*envelope["required"], "specversion"})
    envelope["properties"]["data"] = {"type": "object"}
    return {
        "$schema": DIALECT,
        "title": "event",
        "description": "One event, as it travels alone or as a member of a batch.",
        "x-status": "final",
        "$ref": "#/$defs/envelope",
        "$defs": {"envelope": envelope},
        "properties": {"type": {"enum": sorted(DATA_TYPES)}},
        "allOf": [
            {
                "if": {"properties": {"type": {"const": name}}, "required": ["type"]},
                "then": typed(name, data_file(name)),
            }
            for name in sorted(DATA_TYPES)
        ],
    }


def typed(type_name: str, reference: str) -> dict[str, Any]:
    """What an event's type says about its other members; `reference` leads to the schema of the data."""
    return {
        "properties": {
            "type": {"const": type_name},
            "dataschema": {"const": schema_uri(type_name)},
            "data": {"$ref": reference},
        }
    }


def _open(schema: Any) -> Any:
    match schema:
        case dict():
            return {
                key: _open(value) for key, value in schema.items() if key != "additionalProperties" or value
            }
        case list():
            return [_open(value) for value in schema]
        case _:
            return schema


def _one_line(schema: Any) -> Any:
    match schema:
        case dict():
            return {key: _one_line(value) for key, value in schema.items()}
        case list():
            return [_one_line(value) for value in schema]
        case str():
            return " ".join(schema.split()) if "\n" in schema else schema
        case _:
            return schema
