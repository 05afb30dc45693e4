"""A result as plain JSON values: absent fields left out, times in RFC 3339, UTC."""

from collections.abc import Mapping
from datetime import datetime
from types import NoneType, UnionType
from typing import Any, get_args, get_origin

import orjson

from broker_bridge.trace.statements import instant


def plain(value: Any) -> Any:
    """JSON values of a result (named tuples, tuples, lists, mappings, times, numbers, texts)."""
    if isinstance(value, datetime):
        return rfc3339(value)
    if isinstance(value, Mapping):
        return {name: plain(item) for name, item in value.items()}
    if isinstance(value, list):
        return [plain(item) for item in value]
    if isinstance(value, tuple):
        fields = getattr(value, "_fields", None)
        if fields is None:
            return [plain(item) for item in value]
        return {
            name.rstrip("_"): plain(item)
            for name, item in zip(fields, value, strict=True)
            if item is not None
        }
    return value


def encoded(value: Any) -> bytes:
    """The JSON text of `plain(value)`, without making its objects first."""
    return orjson.dumps(value, _plain_fields, orjson.OPT_UTC_Z)


def _plain_fields(value: Any) -> Any:
    fields = getattr(value, "_fields", None)
    if fields is not None:
        return {name.rstrip("_"): item for name, item in zip(fields, value, strict=True) if item is not None}
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, tuple):
        return list(value)
    raise TypeError(f"{type(value).__name__} is no value of a result")


def restored(kind: Any, value: Any) -> Any:
    """What `plain` was made of: a named tuple or value, a tuple of some, a time, a number or a text.

    Absent fields are None, or no items.
    """
    if isinstance(kind, UnionType):
        (one,) = (arm for arm in get_args(kind) if arm is not NoneType)
        return None if value is None else restored(one, value)
    if get_origin(kind) is tuple:
        return tuple(restored(get_args(kind)[0], item) for item in value or ())
    if kind is datetime:
        return instant(value)
    fields: Mapping[str, Any] | None = (
        getattr(kind, "__annotations__", None) if isinstance(value, dict) else None
    )
    if fields is not None:
        return kind(**{name: restored(each, value.get(name.rstrip("_"))) for name, each in fields.items()})
    return value


def rfc3339(time: datetime) -> str:
    """A UTC time as RFC 3339 spells it."""
    return time.isoformat().removesuffix("+00:00") + "Z"
