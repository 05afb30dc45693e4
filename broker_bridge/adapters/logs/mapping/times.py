"""Time formats: texts of machines -> instants. Compiled once; the last texts are remembered.

Letters are strptime's, because every integrator knows them. Only English month names: a machine that writes
others gets a value table.
"""

import re
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from typing import Final, Literal, NamedTuple

from broker_bridge.adapters.logs.mapping.zones import Instant, instant_of, zone_of

_MONTHS: Final = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
    "november", "december",
)  # fmt: skip
_LETTERS: Final = {
    "Y": r"(?P<Y>\d{4})",
    "y": r"(?P<y>\d{2})",
    "m": r"(?P<m>\d{1,2})",
    "d": r"(?P<d>\d{1,2})",
    "j": r"(?P<j>\d{3})",
    "H": r"(?P<H>\d{1,2})",
    "I": r"(?P<I>\d{1,2})",
    "M": r"(?P<M>\d{1,2})",
    "S": r"(?P<S>\d{1,2})",
    "f": r"(?P<f>\d{1,9})",
    "p": r"(?P<p>[AaPp]\.?[Mm]\.?)",
    "b": r"(?P<b>[A-Za-z]{3,9}\.?)",
    "B": r"(?P<b>[A-Za-z]{3,9}\.?)",
    "z": r"(?P<z>Z|[+-]\d\d:?\d\d)",
    "a": r"[A-Za-z]{2,9}\.?",
    "A": r"[A-Za-z]{2,9}\.?",
    "%": "%",
}
_FIXED_WIDTH: Final = {"m", "d", "H", "I", "M", "S"}
_EPOCHS: Final = {"unix_s": 1, "unix_ms": 1000, "unix_us": 1_000_000}
_1970: Final = datetime(1970, 1, 1, tzinfo=UTC)


class TimeValue(NamedTuple):
    """A time as an event needs it."""

    utc: datetime
    text: str
    means: Literal["start", "end", "saved", "reviewed", "sent"]
    zone: str
    basis: Literal["stated", "configured", "assumed"]
    flags: tuple[str, ...]


def states_zone(format: str) -> bool:
    """Whether texts of this format may carry their zone, or are instants by themselves."""
    return format in _EPOCHS or format == "iso" or "%z" in format


def compile_format(format: str, type: Literal["time", "date", "clock"] = "time") -> None:
    """Raise ValueError, saying what is wrong, when this is no format of such a value."""
    if type == "time":
        _parser(format)
    else:
        _lettered(format, type)


def date_reader(format: str) -> Callable[[str], date]:
    """A function from text to a day of the machine's calendar; it raises ValueError for texts that are none."""
    parse = _lettered(format, "date")
    return lambda text: parse(text).date()


def clock_reader(format: str) -> Callable[[str], time]:
    """A function from text to a time of the machine's day; it raises ValueError for texts that are none."""
    parse = _lettered(format, "clock")
    return lambda text: parse(text).time()


def time_reader(
    format: str,
    means: Literal["start", "end", "saved", "reviewed", "sent"],
    zone: str | None,
    basis: Literal["configured", "assumed"],
) -> Callable[[str], TimeValue]:
    """A function from text to TimeValue; it raises ValueError for texts that are no such time."""
    parse = _parser(format)
    tz = zone_of(zone) if zone is not None else None

    # Rows of one file share their time: most calls find the last answer.
    @lru_cache(maxsize=256)
    def read(text: str) -> TimeValue:
        try:
            return resolve(text, parse(text))
        except OverflowError:
            raise ValueError("lies outside the years 1 to 9999 in UTC") from None

    def resolve(text: str, local: datetime) -> TimeValue:
        if local.tzinfo is not None:
            offset = local.utcoffset() or timedelta()
            name = "UTC" if not offset else f"{local:%z}"[:3] + ":" + f"{local:%z}"[3:5]
            return TimeValue(local.astimezone(UTC), text, means, name, "stated", ())
        if tz is None or zone is None:
            raise ValueError("states no zone, and the mapping states none for it")
        instant: Instant = instant_of(local, tz)
        return TimeValue(instant.utc, text, means, zone, basis, instant.flags)

    return read


def _parser(format: str) -> Callable[[str], datetime]:
    if format in _EPOCHS:
        return _epoch(_EPOCHS[format])
    if format == "days_1900":
        return _serial_days
    if format == "iso":
        return _iso
    if "%" not in format:
        raise ValueError(
            f"{format!r} is no time format: use letters such as %Y-%m-%d %H:%M:%S, or iso, unix_s, unix_ms, unix_us,"
            " days_1900"
        )
    return _lettered(format)


def _lettered(format: str, type: Literal["time", "date", "clock"] = "time") -> Callable[[str], datetime]:
    pattern, seen = [], set()
    pieces = re.split(r"%(.)", format)
    for index, piece in enumerate(pieces):
        if index % 2 == 0:
            pattern.append(re.escape(piece))
            continue
        if piece not in _LETTERS:
            raise ValueError(
                f"%{piece} is no letter of a time format; known are {' '.join(sorted(_LETTERS))}"
            )
        key = "b" if piece == "B" else piece
        if key in seen and key not in "aA%":
            raise ValueError(f"%{piece} stands twice")
        seen.add(key)
        touching = (index > 1 and not pieces[index - 1]) or (
            index + 2 < len(pieces) and not pieces[index + 1]
        )
        letters = _LETTERS[piece]
        pattern.append(letters.replace("{1,2}", "{2}") if touching and piece in _FIXED_WIDTH else letters)
    has_day = "j" in seen or ("d" in seen and seen & {"m", "b"})
    has_date, has_hour = bool(seen & {"Y", "y"} and has_day), bool(seen & {"H", "I"})
    if type == "time" and not (has_date and has_hour):
        raise ValueError(
            "a time needs year, month, day and hour: join the columns that hold them (columns = [...], join)"
        )
    if type == "date" and (not has_date or seen & set("HIMSfpz")):
        raise ValueError("a date needs year, month and day, and nothing of the clock")
    if type == "clock" and (not has_hour or seen & set("YymdjbzaA")):
        raise ValueError("a clock needs the hour, and neither day nor zone")
    if "I" in seen and "p" not in seen:
        raise ValueError("%I counts to 12 and needs %p")
    compiled = re.compile("".join(pattern), re.ASCII)
    assemble = _assembler(seen)

    def parse(text: str) -> datetime:
        found = compiled.fullmatch(text)
        if found is None:
            raise ValueError(f"is no time of the form {format}")
        return assemble(found)

    return parse


def _assembler(seen: set[str]) -> Callable[[re.Match[str]], datetime]:
    """A function that makes the time of a match with these letters; what is no time raises ValueError."""
    has_year, month_name = "Y" in seen, "b" in seen
    twelve_hours, day_of_year = "I" in seen, "j" in seen
    has_hour, has_minute, has_second, has_fraction, has_zone = (
        "H" in seen,
        "M" in seen,
        "S" in seen,
        "f" in seen,
        "z" in seen,
    )
    is_clock = not (seen & {"Y", "y"})

    def assemble(found: re.Match[str]) -> datetime:
        part = found.group
        if is_clock:
            year, month, day = 1970, 1, 1
        else:
            year = int(part("Y")) if has_year else _short_year(int(part("y")))
            if day_of_year:
                year, month, day = _from_day_of_year(year, int(part("j")))
            else:
                month = _month(part("b")) if month_name else int(part("m"))
                day = int(part("d"))
        hour = int(part("H")) if has_hour else 0
        if twelve_hours:
            hour = _of_twelve(int(part("I")), part("p"))
        return datetime(
            year,
            month,
            day,
            hour,
            int(part("M")) if has_minute else 0,
            int(part("S")) if has_second else 0,
            int((part("f") + "00000")[:6]) if has_fraction else 0,
            zone_of(part("z")) if has_zone else None,
        )

    return assemble


def _short_year(year: int) -> int:
    # POSIX: two-digit years from 69 on are of the last century.
    return year + (1900 if year >= 69 else 2000)


def _of_twelve(hour: int, half: str) -> int:
    if not 1 <= hour <= 12:
        raise ValueError(f"hour {hour} is not on a 12-hour clock")
    return hour % 12 + (12 if half.lower().startswith("p") else 0)


def _from_day_of_year(year: int, number: int) -> tuple[int, int, int]:
    day = date(year, 1, 1) + timedelta(days=number - 1)
    if day.year != year:
        raise ValueError(f"day {number:03d} is not in {year}")
    return day.year, day.month, day.day


def _month(name: str) -> int:
    name = name.rstrip(".").lower()
    for number, month in enumerate(_MONTHS, 1):
        if month.startswith(name):
            return number
    raise ValueError(f"{name!r} is no English month name; translate it with a table")


def _iso(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise ValueError("is no ISO 8601 date and time") from None


def _epoch(per_second: int) -> Callable[[str], datetime]:
    def parse(text: str) -> datetime:
        try:
            micros = int(Decimal(text) * 1_000_000 / per_second)
            return _1970 + timedelta(microseconds=micros)
        except (InvalidOperation, OverflowError, ValueError):
            raise ValueError("is no count of seconds since 1970") from None

    return parse


def _serial_days(text: str) -> datetime:
    # Spreadsheets count days from 1899-12-30, a fraction being the time of day; the milliseconds are rounded.
    try:
        millis = round(Decimal(text) * 86_400_000)
        return datetime(1899, 12, 30) + timedelta(milliseconds=millis)  # noqa: DTZ001 - wall clock of the machine
    except (InvalidOperation, OverflowError, ValueError):
        raise ValueError("is no count of days since 1899-12-30") from None
