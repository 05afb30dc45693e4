"""What answers look like, as OpenAPI wants it said: the published schemas, each a component that operations refer to."""

import json
from pathlib import Path
from typing import Any, Final

from broker_bridge.schemas.files import FILES
from broker_bridge.web.problems import MEDIA_TYPE

PROBLEM: Final[dict[str, Any]] = {
    "content": {
        MEDIA_TYPE: {
            "schema": {
                "type": "object",
                "required": ["type", "title", "status", "detail"],
                "properties": {
                    "type": {"type": "string"},
                    "title": {"type": "string"},
                    "status": {"type": "integer"},
                    "detail": {"type": "string", "description": "what is wrong, where, and what to do"},
                },
            },
            "example": {
                "type": "about:blank",
                "title": "Not Found",
                "status": 404,
                "detail": "identifier 'HW-1' is not in record harbour-works as of commit 6",
            },
        }
    }
}
"""The response that tells an error."""
ANSWERS: Final = ("history", "why", "word", "where-used", "defects", "unproven", "balance", "quality")
AS_OF: Final = {"$ref": "#/components/schemas/quality.AsOf"}
EXAMPLE_AS_OF: Final = {"record": "harbour-works", "incarnation": 1, "commit": 412, "number": 90211}
EXAMPLES: Final[dict[str, Any]] = json.loads(
    Path(__file__).with_name("examples.json").read_text(encoding="utf-8")
)
"""Answers about one board of the invented plant, as this service gave them."""
_MOVED: Final = ("$id", "$schema", "$defs")


def shaped(name: str, example: Any = None, *, status: int = 200) -> dict[int | str, dict[str, Any]]:
    """The response of an operation that answers by a published schema; its example where no other is given."""
    shown = EXAMPLES[name] if example is None else example
    return formed({"$ref": f"#/components/schemas/{name}"}, shown, status=status)


def formed(
    schema: dict[str, Any], example: Any = None, *, status: int = 200
) -> dict[int | str, dict[str, Any]]:
    """The response of an operation whose answer has this schema."""
    content = {"schema": schema} | ({} if example is None else {"example": example})
    return {status: {"description": "the answer", "content": {"application/json": content}}}


def listed(field: str, item: dict[str, Any], **more: dict[str, Any]) -> dict[str, Any]:
    """The schema of an object with a list."""
    return {
        "type": "object", "required": [field],
        "properties": {field: {"type": "array", "items": item}} | more,
    }  # fmt: skip


def components() -> dict[str, Any]:
    """The schemas that operations refer to; their own definitions stand beside them, under the answer's name."""
    found: dict[str, Any] = {}
    for name in ANSWERS:
        schema = _moved(FILES[f"{name}.json"](), name)
        for inner, definition in schema.get("$defs", {}).items():
            found[f"{name}.{inner}"] = definition
        found[name] = {key: value for key, value in schema.items() if key not in _MOVED}
    return found


def _moved(schema: Any, name: str) -> Any:
    """With references that lead to the components."""
    match schema:
        case dict():
            return {
                key: f"#/components/schemas/{name}.{value.removeprefix('#/$defs/')}"
                if key == "$ref" and isinstance(value, str) and value.startswith("#/$defs/")
                else _moved(value, name)
                for key, value in schema.items()
            }  # fmt: skip
        case list():
            return [_moved(value, name) for value in schema]
        case _:
            return schema
