"""The scalars of a message as .NET writes them: times, time spans, numbers, identifiers."""

import math
import re
from datetime import datetime, timedelta
from typing import Any, Final

_TIME: Final = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:\d\d)(?:[.,](\d{1,9}))?\s?([Zz]|[+-]\d\d:?\d\d)?", re.ASCII
)
_SPAN: Final = re.compile(r"(-)?(?:(\d{1,8})\.)?(\d\d?):(\d\d):(\d\d)(?:\.(\d{1,7}))?", re.ASCII)
_NUMBER: Final = re.compile(r"[+-]?\d+(?:\.\d*)?(?:[eE][+-]?\d+)?", re.ASCII)
_GUID: Final = re.compile(r"\{?([0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12})\}?", re.ASCII)
NIL: Final = "00000000-0000-0000-0000-000000000000"
"""RFC 9562, section 5.9; a Guid that nobody has set."""
_NOT_SET: Final = 1
"""Year of a DateTime that nobody has set."""


def moment(text: str) -> datetime | None:
    """A time, aware where its zone is stated; None for one that was never set (year 1).

    Digits below a microsecond are cut off. Raises ValueError for what is no time.
    """
    match = _TIME.fullmatch(text.strip())
    if match is None:
        raise ValueError("is no time; expected ISO 8601, for instance 2026-03-02T09:15:04.1200000+01:00")
    date, clock, fraction, zone = match.groups()
    spelled = f"{date}T{clock}.{(fraction or '0')[:6]:0<6}"
    if zone:
        spelled += "+00:00" if zone in "Zz" else zone if ":" in zone else f"{zone[:3]}:{zone[3:]}"
    found = datetime.fromisoformat(spelled)
    if found.year <= _NOT_SET or found.year >= 9999:
        return None
    return found


def span(text: str) -> timedelta:
    """A time span, [-][d.]hh:mm:ss[.fffffff]. Raises ValueError for what is none."""
    match = _SPAN.fullmatch(text.strip())
    if match is None:
        raise ValueError("is no time span; expected [d.]hh:mm:ss[.fffffff], for instance 00:01:00")
    sign, days, hours, minutes, seconds, fraction = match.groups()
    found = timedelta(
        days=int(days or 0),
        hours=int(hours),
        minutes=int(minutes),
        seconds=int(seconds),
        microseconds=int(f"{fraction or '0':0<7}"[:6]),
    )
    return -found if sign else found


def number(value: Any) -> float | None:
    """A number, also where it is written as text; None for not-a-number and the infinities, which JSON has not.

    Raises ValueError for what is no number.
    """
    if isinstance(value, bool):
        raise ValueError("is no number")
    if isinstance(value, int | float):
        try:
            found = float(value)
        except OverflowError:
            return None
        return found if math.isfinite(found) else None
    if isinstance(value, str):
        text = value.strip()
        if text in ("NaN", "Infinity", "-Infinity", ""):
            return None
        if _NUMBER.fullmatch(text):
            return number(float(text))
    raise ValueError("is no number")


def whole(value: Any) -> int:
    """A whole number, also as text or with a fraction of nothing. Raises ValueError for what is none."""
    found = number(value)
    if found is None or not found.is_integer() or abs(found) >= 2**53:
        raise ValueError("is no whole number")
    return int(found)


def guid(value: str) -> str | None:
    """An identifier in its one spelling, lower case; None for the nil one. Raises ValueError for what is no GUID."""
    match = _GUID.fullmatch(value.strip())
    if match is None:
        raise ValueError("is no GUID")
    found = match[1].lower()
    return None if found == NIL else found
