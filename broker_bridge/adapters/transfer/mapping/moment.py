"""When a message was sent: the machine's text, its zone, and our own clock beside it.

The wire carries the sender's wall clock without a zone, unchecked. But a message arrives within moments of being
sent, so our clock tells which of two readings is meant, and where the machine's clock cannot be right.
"""

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Final, Literal, NamedTuple

_FORM: Final = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:[.,]\d{1,9})?(?:Z|[+-]\d\d:\d\d)?", re.ASCII)
_QUARTER: Final = timedelta(minutes=15)
"""All offsets from UTC in use are multiples of it (IANA time zone database, 2025)."""

_WESTMOST, _EASTMOST = timedelta(hours=-12), timedelta(hours=14)
_MAX_TEXT: Final = 512


Basis = Literal["stated", "configured", "assumed"]


class Moment(NamedTuple):
    """An instant, and how we came by it. Fields are those of an event's origin."""

    time: datetime
    time_text: str | None
    time_means: Literal["sent", "taken_in"]
    zone: str | None = None
    zone_basis: Basis | None = None
    flags: tuple[str, ...] = ()


def moment(text: str, zone: tzinfo | None, taken: datetime, tolerance: timedelta) -> Moment:
    """The instant a message was sent, from its Timestamp.

    zone: of the machine's clock; None assumes the offset from UTC that comes closest to our clock.
    taken: when the message arrived, by our clock; it stands in where the text is no time, or further than
        `tolerance` away (flag `clock_suspect`).
    """
    shown = text[:_MAX_TEXT] or None
    local = _read(text)
    if local is None:
        return Moment(taken, shown, "taken_in")
    basis: Basis = "stated"
    flags: tuple[str, ...] = ()
    time, name = local, _offset_text(local)
    if local.tzinfo is None and zone is not None:
        basis, name = "configured", str(zone)
        time, flags = _in_zone(local, zone, taken)
    elif local.tzinfo is None:
        basis = "assumed"
        time = local.replace(tzinfo=_offset(local, taken))
        name = _offset_text(time)
    time = time.astimezone(UTC)
    if abs(time - taken) > tolerance:
        return Moment(taken, shown, "taken_in", name, basis, (*flags, "clock_suspect"))
    return Moment(time, shown, "sent", name, basis, flags)


def _read(text: str) -> datetime | None:
    if not _FORM.fullmatch(text):
        return None
    try:
        local = datetime.fromisoformat(text)
    except ValueError:
        return None
    # A day of room, so that no zone takes it out of the years that can be written.
    return local if 1 < local.year < 9999 else None


def _in_zone(local: datetime, zone: tzinfo, taken: datetime) -> tuple[datetime, tuple[str, ...]]:
    first, second = local.replace(tzinfo=zone, fold=0), local.replace(tzinfo=zone, fold=1)
    before, after = first.utcoffset(), second.utcoffset()
    if before is None or after is None or before == after:
        return first, ()
    nearest = min(first.astimezone(UTC), second.astimezone(UTC), key=lambda time: abs(time - taken))
    return nearest, ("ambiguous_time",) if before > after else ("nonexistent_time",)


def _offset(local: datetime, taken: datetime) -> timezone:
    quarters = round((local - taken.astimezone(UTC).replace(tzinfo=None)) / _QUARTER)
    return timezone(min(max(quarters * _QUARTER, _WESTMOST), _EASTMOST))


def _offset_text(time: datetime) -> str:
    return time.isoformat(timespec="seconds")[len("2026-03-02T08:15:30") :]
