"""Texts that are times: which format reads them all, and which order of day and month cannot be known from them."""

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Final, NamedTuple

from broker_bridge.adapters.logs.mapping.times import time_reader

_DATES: Final = (
    "%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%d.%m.%Y", "%m/%d/%Y", "%d/%m/%Y", "%d-%m-%Y", "%m-%d-%Y", "%d.%m.%y",
    "%m/%d/%y", "%d/%m/%y", "%d-%b-%Y", "%d %b %Y", "%b %d %Y",
)  # fmt: skip
_TIMES: Final = ("%H:%M:%S", "%H:%M:%S.%f", "%H:%M:%S,%f", "%I:%M:%S %p", "%H:%M", "%I:%M %p", "%H.%M.%S")
_COMPACT: Final = ("%Y%m%d%H%M%S", "%Y%m%d%H%M%S%f", "%Y%m%d_%H%M%S", "%Y%m%d-%H%M%S", "%Y%m%dT%H%M%S")
_FORMATS: Final = (
    *_COMPACT,
    *(
        f"{date}{between}{time}"
        for date in _DATES
        for between in (" ", "T", ", ", "_", "-")
        for time in _TIMES
    ),
)
_EPOCHS: Final = (("unix_ms", 10**11, 10**13), ("unix_s", 10**8, 10**10), ("unix_us", 10**14, 10**16))
"""Format, and from where to where its counts lie for plausible years (1973 to 2286)."""
_EXAMPLE: Final = datetime(2026, 3, 2, 6, 41, 44)  # noqa: DTZ001 - shows a format, is no instant
_PROBED: Final = 50


class Clock(NamedTuple):
    """How a column of times may be read."""

    format: str
    others: tuple[str, ...]
    """Formats that read every text as well and give other times: which one holds is an open question."""
    states_zone: bool


def example_of(format: str) -> str:
    """A text of a time format."""
    if format in ("unix_s", "unix_ms", "unix_us"):
        return {"unix_s": "1772433704", "unix_ms": "1772433704000", "unix_us": "1772433704000000"}[format]
    if format == "days_1900":
        return "46083.278981"
    return _EXAMPLE.isoformat() if format == "iso" else _EXAMPLE.strftime(format)


def clock_of(texts: Sequence[str]) -> Clock | None:
    """The format that reads all of these texts (none of them empty); None where none does."""
    if not texts:
        return None
    probed = texts[:_PROBED]
    fitting = [format for format in _candidates(probed[0]) if _reads(format, probed) is not None]
    fitting = [format for format in fitting if _reads(format, texts) is not None]
    if not fitting:
        return None
    first = fitting[0]
    told = _reads(first, texts)
    others = tuple(format for format in fitting[1:] if _reads(format, texts) != told)
    return Clock(first, others, first in _ZONED or (first == "iso" and _zoned(texts)))


_ZONED: Final = frozenset(name for name, _, _ in _EPOCHS)


def _zoned(texts: Sequence[str]) -> bool:
    return all(re.search(r"(?:Z|[+-]\d\d:?\d\d)$", text) for text in texts)


def _candidates(text: str) -> list[str]:
    if re.fullmatch(r"\d{9,17}", text) and not re.fullmatch(r"(?:19|20)\d{12}", text):
        return [name for name, low, high in _EPOCHS if low <= int(text) < high]
    if re.match(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d", text):
        return ["iso"]
    if len(text) < 8 or not any(sign.isdigit() for sign in text):
        return []
    return [format for format in _FORMATS if _reads(format, [text]) is not None]


def _reads(format: str, texts: Sequence[str]) -> list[datetime] | None:
    read = _reader(format)
    try:
        return [read(text).utc for text in texts]
    except (ValueError, OverflowError):
        return None


_READERS: Final[dict[str, object]] = {}


def _reader(format: str):  # type: ignore[no-untyped-def] # what time_reader gives
    if format not in _READERS:
        _READERS[format] = time_reader(format, "saved", "UTC", "assumed")
    return _READERS[format]
