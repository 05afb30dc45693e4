"""What answers look like, as OpenAPI wants it said: the published schemas, each a component that operations refer to."""

from typing import Any, Final

from broker_bridge.schemas.files import FILES

ANSWERS: Final = ("history", "why", "word", "where-used", "defects", "unproven", "balance", "quality")
_MOVED: Final = ("$id", "$schema", "$defs")


def shaped(name: str, example: Any = None, *, status: int = 200) -> dict[int | str, dict[str, Any]]:
    """The response of an operation that answers by a published schema."""
    return said({"$ref": f"#/components/schemas/{name}"}, example, status=status)


def said(
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
