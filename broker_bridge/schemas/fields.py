"""Pure: a JSON Schema as rows, one a field, for people who write a mapping or read an event."""

from collections.abc import Iterator, Mapping
from typing import Any, Final, NamedTuple

_INSIDE: Final = "#/$defs/"
_BOUNDS: Final = (
    ("minimum", "from {}"),
    ("exclusiveMinimum", "above {}"),
    ("maximum", "to {}"),
    ("exclusiveMaximum", "below {}"),
)
_LARGE: Final = 10_000
"""Bounds beyond are those of a number that can be stored, and tell nobody anything."""
_TYPES: Final = {
    "string": "text",
    "boolean": "yes or no",
    "integer": "integer",
    "number": "number",
    "object": "object",
}


class Field(NamedTuple):
    """One field."""

    path: str
    """From the outermost object on: `boards[].identifiers[].kind`; [] stands for the members of a list."""
    required: bool
    """Within what it is a field of."""
    type: str
    description: str


def fields(schema: Mapping[str, Any], *, leave_out: str = "") -> Iterator[Field]:
    """The fields of an object, those that are required first, each followed by its own; `leave_out`: an outermost one."""
    known = schema.get("$defs", {})
    whole, name = _resolved(schema, known)
    both = {**whole.get("properties", {}), **schema.get("properties", {})}
    shape = {"properties": both, "required": [*whole.get("required", ()), *schema.get("required", ())]}
    yield from _fields(shape, known, "", leave_out, (name,) if name else ())


def _fields(
    shape: Mapping[str, Any], known: Mapping[str, Any], above: str, leave_out: str, within: tuple[str, ...]
) -> Iterator[Field]:
    required = shape.get("required", ())
    for name in sorted(shape.get("properties", {}), key=lambda name: name not in required):
        if not above and name == leave_out:
            continue
        one, path = shape["properties"][name], above + name
        inner, name_of_inner = _resolved(one, known)
        depth = ""
        while inner.get("type") == "array" and "items" in inner:
            inner, name_of_inner = _resolved(inner["items"], known)
            depth += "[]"
        told = one.get("description") or inner.get("description", "")
        yield Field(path + depth, name in required, _type(one, known), told)
        # What holds itself is told once.
        if name_of_inner not in within:
            yield from _fields(inner, known, f"{path}{depth}.", leave_out, (*within, name_of_inner))


def _resolved(shape: Mapping[str, Any], known: Mapping[str, Any]) -> tuple[Mapping[str, Any], str]:
    reference = shape.get("$ref", "")
    name = reference.removeprefix(_INSIDE)
    return (known[name], name) if reference.startswith(_INSIDE) and name in known else (shape, "")


def _type(shape: Mapping[str, Any], known: Mapping[str, Any]) -> str:
    shape, _ = _resolved(shape, known)
    if "enum" in shape or "const" in shape:
        return ", ".join(map(str, shape.get("enum", [shape.get("const")])))
    if "anyOf" in shape:
        return " or ".join(dict.fromkeys(_type(one, known) for one in shape["anyOf"]))
    if shape.get("type") == "array":
        return f"list of {_type(shape['items'], known)}" if "items" in shape else "list"
    if shape.get("format") == "date-time":
        return "time"
    told = _TYPES.get(shape.get("type", ""), str(shape.get("type") or "any"))
    bounds = [text.format(shape[key]) for key, text in _BOUNDS if abs(shape.get(key, 2 * _LARGE)) <= _LARGE]
    return " ".join((told, *bounds))
