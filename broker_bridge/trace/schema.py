"""The JSON Schema of a history, made from the very classes it is made of.

Reads the source text for the words that describe a field, so it is for tools, not for the start of a command.
"""

import ast
import inspect
import textwrap
from collections.abc import Mapping
from datetime import datetime
from types import NoneType, UnionType
from typing import Any, Final, get_args, get_origin, get_type_hints

from broker_bridge.trace.history import History
from broker_bridge.trace.value import Value

_WORDS: Final[dict[tuple[str, str], list[str]]] = {
    ("*", "certainty"): ["observed", "inferred", "conflicting"],
    ("Visit", "arrived_certainty"): ["observed", "inferred", "conflicting"],
    ("Visit", "departed_certainty"): ["observed", "inferred", "conflicting", "open"],
    ("Gap", "kind"): ["stated", "rejected", "silent", "unjoined", "unnamed"],
    ("Inspection", "reviewed"): ["none", "open", "closed"],
    ("Defect", "state"): ["open", "reworked", "passed_again", "not_repairable", "false_scrap"],
    ("Kin", "relation"): ["part_of", "holds"],
    ("Escape", "how"): ["not_called", "judged_false"],
    ("Lack", "basis"): ["public", "memory"],
    ("Level", "of"): ["material", "process"],
    ("Material", "act"): ["installed", "consumed", "removed", "bare_board"],
}
"""Closed vocabularies of the results themselves. Words that come from events stay open: their schemas tell them."""

_PASTE_VALUES: Final[dict[str, Any]] = {
    "description": "With --paste only: the values of every paste block of the inspections, one entry a pad.",
    "type": "array",
    "items": {
        "type": "object",
        "properties": {
            "block": {"description": "SHA-256 of the packed values, as in `paste`.", "type": "string"},
            "units": {"type": "object", "additionalProperties": {"type": "string"}},
            "columns": {
                "description": "By name, all of equal length; null: not measured.",
                "type": "object",
                "additionalProperties": {"type": "array", "items": {"type": ["number", "string", "null"]}},
            },
        },
        "required": ["block", "units", "columns"],
        "additionalProperties": False,
    },
}

_SCALARS: Final[dict[type, dict[str, Any]]] = {
    str: {"type": "string"},
    int: {"type": "integer"},
    float: {"type": "number"},
    bool: {"type": "boolean"},
    datetime: {"type": "string", "format": "date-time"},
}


def history_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of `board ID --json`."""
    definitions: dict[str, Any] = {}
    root = _object(History, definitions)
    root["properties"]["paste_values"] = _PASTE_VALUES
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:broker-bridge:view:history:1",
        "title": "History",
        **root,
        "$defs": dict(sorted(definitions.items())),
    }


def answer_schema(kind: type[Value], name: str) -> dict[str, Any]:
    """The JSON Schema of another answer made of values; `name` as its file is called."""
    definitions: dict[str, Any] = {}
    root = _object(kind, definitions)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:broker-bridge:view:{name}:1",
        "title": name.capitalize(),
        **root,
        "$defs": dict(sorted(definitions.items())),
    }


def _object(kind: type[Value], definitions: dict[str, Any]) -> dict[str, Any]:
    hints = get_type_hints(kind)
    told = _descriptions(kind)
    properties: dict[str, Any] = {}
    required: list[str] = []
    for name in kind._fields:
        key, hint = name.rstrip("_"), hints[name]
        optional = get_origin(hint) is UnionType and NoneType in get_args(hint)
        schema = dict(_of(hint, definitions))
        words = _WORDS.get((kind.__name__, name)) or _WORDS.get(("*", name))
        if words:
            schema["enum"] = words
        if name in told:
            schema["description"] = told[name]
        properties[key] = schema
        if not optional and hint is not Any:
            required.append(key)
    return {
        "description": inspect.cleandoc(kind.__doc__ or ""),
        "type": "object",
        "properties": properties,
        "required": required,
        "additionalProperties": False,
    }


def _of(hint: Any, definitions: dict[str, Any]) -> dict[str, Any]:
    if hint is Any:
        return {}
    if get_origin(hint) is Mapping:
        return {"type": "object"}
    if hint in _SCALARS:
        return _SCALARS[hint]
    if get_origin(hint) is UnionType:
        members = [member for member in get_args(hint) if member is not NoneType]
        assert len(members) == 1, hint
        return _of(members[0], definitions)
    if get_origin(hint) is tuple:
        item, rest = get_args(hint)
        assert rest is Ellipsis, hint
        items = _of(item, definitions)
        if get_origin(item) is UnionType and NoneType in get_args(item):
            items = {"anyOf": [items, {"type": "null"}]}
        return {"type": "array", "items": items}
    if hint.__name__ not in definitions:
        definitions[hint.__name__] = {}
        definitions[hint.__name__] = _object(hint, definitions)
    return {"$ref": f"#/$defs/{hint.__name__}"}


def _descriptions(kind: type) -> dict[str, str]:
    """The texts that stand below the fields of a class."""
    body = ast.parse(textwrap.dedent(inspect.getsource(kind))).body[0]
    assert isinstance(body, ast.ClassDef)
    found: dict[str, str] = {}
    field: str | None = None
    for node in body.body:
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            field = node.target.id
        elif field and isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            found[field] = inspect.cleandoc(str(node.value.value)).replace("\n", " ")
            field = None
        else:
            field = None
    return found
