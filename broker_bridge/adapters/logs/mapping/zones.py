"""Time zones of machines: an IANA name or a fixed offset, and the hours that exist twice or not at all."""

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from functools import cache
from typing import NamedTuple
from zoneinfo import ZoneInfo

_OFFSET = re.compile(r"([+-])(\d\d):?(\d\d)")


class Instant(NamedTuple):
    """A moment in UTC, and what is doubtful about it."""

    utc: datetime
    flags: tuple[str, ...] = ()


@cache
def zone_of(name: str) -> tzinfo:
    """The zone of an IANA name or UTC offset (+01:00). Raises ValueError when it is neither."""
    if name in ("UTC", "Z"):
        return UTC
    if offset := _OFFSET.fullmatch(name):
        sign, hours, minutes = offset.groups()
        delta = timedelta(hours=int(hours), minutes=int(minutes))
        if delta >= timedelta(hours=24) or int(minutes) > 59:
            raise ValueError(f"{name!r} is no UTC offset")
        return timezone(-delta if sign == "-" else delta)
    try:
        return ZoneInfo(name)
    except (LookupError, ValueError, OSError):
        raise ValueError(
            f"{name!r} is no time zone; use an IANA name such as Europe/Berlin, or an offset such as +01:00"
        ) from None


def zone_name(name: str) -> str:
    """The name itself, checked."""
    zone_of(name)
    return name


def instant_of(local: datetime, zone: tzinfo) -> Instant:
    """The instant of a machine's wall clock reading (naive) in its zone.

    When clocks go back an hour exists twice: the first is taken and `ambiguous_time` says so. When they go
    forward an hour does not exist: the offset before the change is taken and `nonexistent_time` says so.
    """
    if isinstance(zone, timezone):
        return Instant(local.replace(tzinfo=zone).astimezone(UTC))
    first = local.replace(tzinfo=zone, fold=0)
    second = local.replace(tzinfo=zone, fold=1)
    before, after = first.utcoffset(), second.utcoffset()
    utc = first.astimezone(UTC)
    if before == after or before is None or after is None:
        return Instant(utc)
    return Instant(utc, ("ambiguous_time",) if before > after else ("nonexistent_time",))
