"""Times and ages as a person beside the machine reads them."""

from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final, NamedTuple

_MINUTE: Final = 60
_HOUR: Final = 3600
_DAY: Final = 86_400
_AHEAD_S: Final = 2.0
"""A machine's clock may be this much ahead of ours without a word."""


class Clock(NamedTuple):
    """The moment of looking, and the zone in which times are told."""

    now: datetime
    zone: tzinfo | None = None
    """None: the zone of this machine."""

    def time(self, instant: datetime) -> str:
        """`02:14:07`; with the date where it is not today: `03-02 02:14`, `2025-03-02 02:14`."""
        local, now = self._local(instant), self._local(self.now)
        if local.date() == now.date():
            return f"{local:%H:%M:%S}"
        if local.year == now.year:
            return f"{local:%m-%d %H:%M}"
        return f"{local.year:04d}-{local:%m-%d %H:%M}"

    def age(self, instant: datetime) -> str:
        """How long ago: `12 s`, `3 min`, `2 h 05 min`, `3 d`; at most twelve cells.

        A future time is told as such, `ahead 59 min`: somebody's clock is wrong.
        """
        seconds = (self.now - instant).total_seconds()
        if seconds < -_AHEAD_S:
            return "ahead " + span(-seconds if -seconds < _HOUR else -seconds // _HOUR * _HOUR).replace(
                " 00 min", ""
            )
        return span(max(0.0, seconds))

    def offset(self) -> str:
        """The zone, told once: `UTC+01:00`."""
        difference = self._local(self.now).utcoffset() or timedelta()
        if not difference:
            return "UTC"
        minutes = round(difference.total_seconds() / 60)
        return f"UTC{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"

    def _local(self, instant: datetime) -> datetime:
        try:
            return instant.astimezone(self.zone)
        except (
            OverflowError,
            ValueError,
            OSError,
        ):  # a year that the zone's rules or the platform cannot hold
            return instant.astimezone(UTC)


def span(seconds: float) -> str:
    """A length of time in words, rounded down."""
    if seconds < _MINUTE:
        return f"{int(seconds)} s"
    if seconds < _HOUR:
        return f"{int(seconds // _MINUTE)} min"
    if seconds < _DAY:
        return f"{int(seconds // _HOUR)} h {int(seconds % _HOUR // _MINUTE):02d} min"
    return f"{int(seconds // _DAY)} d"


def instant_of(text: str) -> datetime:
    """An RFC 3339 time of a fact, which was valid when it was recorded."""
    return datetime.fromisoformat(text).astimezone(UTC)
