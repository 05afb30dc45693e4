"""A result as plain JSON values: absent fields left out, times in RFC 3339, UTC."""

from datetime import datetime
from typing import Any


def plain(value: Any) -> Any:
    """JSON values of a result (named tuples, tuples, times, numbers, texts)."""
    if isinstance(value, datetime):
        return rfc3339(value)
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


def rfc3339(time: datetime) -> str:
    """A UTC time as RFC 3339 spells it."""
    return time.isoformat().removesuffix("+00:00") + "Z"
