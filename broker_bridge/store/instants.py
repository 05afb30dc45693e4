"""Instants as the record keeps them: microseconds since 1970, UTC."""

from datetime import UTC, datetime, timedelta
from typing import Final

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)


def microseconds(time: datetime) -> int:
    """An aware time as kept."""
    return (time - _EPOCH) // _MICROSECOND


def text(instant: int) -> str:
    """RFC 3339, UTC."""
    return (_EPOCH + timedelta(microseconds=instant)).isoformat().replace("+00:00", "Z")
