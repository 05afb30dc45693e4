"""A point in the past as a person types it."""

import re
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

from broker_bridge.errors import UsageError

_SPAN: Final = re.compile(r"\A([0-9]{1,6})([smhd])\Z")
_SECONDS: Final = {"s": 1, "m": 60, "h": 3600, "d": 86_400}
_TIME: Final = re.compile(r"\A[0-9]{1,2}:[0-9]{2}(:[0-9]{2})?\Z")


def instant_of(text: str, now: datetime, zone: tzinfo | None) -> datetime:
    """A span back from now (`90s`, `10m`, `2h`, `1d`), a time of the last 24 hours, or a date and time.

    `zone`: of times without one; None is this machine's. Raises UsageError.
    """
    try:
        span = _SPAN.match(text)
        if span is not None:
            return now - timedelta(seconds=int(span[1]) * _SECONDS[span[2]])
        if _TIME.match(text):
            local = now.astimezone(zone)
            hour, minute, second = [*map(int, text.split(":")), 0][:3]
            instant = local.replace(hour=hour, minute=minute, second=second, microsecond=0, tzinfo=zone)
            if instant.astimezone(UTC) > now:
                instant -= timedelta(days=1)
            return instant.astimezone(UTC)
        instant = datetime.fromisoformat(text)
        if instant.tzinfo is None:
            instant = instant.replace(tzinfo=zone)
        instant = instant.astimezone(UTC)
    except (ValueError, OverflowError):
        raise UsageError(
            f"--since {text!r}: expected a span (90s, 10m, 2h, 1d), a time (06:00), or a date and time"
            " (2026-03-02T06:00)"
        ) from None
    if instant > now:
        raise UsageError(f"--since {text!r}: lies in the future")
    return instant
