"""Filters: which of all that is going on a person wants to see."""

from collections.abc import Iterable
from fnmatch import fnmatchcase
from typing import NamedTuple

from broker_bridge.live.told import Told
from broker_bridge.trace.mentions import Knot, Node


class Choice(NamedTuple):
    """What is shown. Absent: all. `board` and `type` may hold the wild cards * and ?."""

    line: str | None = None
    station: str | None = None
    board: str | None = None
    type: str | None = None

    def takes_station(self, line: str, station: str) -> bool:
        """Whether the row of this station is shown."""
        return self.line in (None, line.rpartition("/")[2]) and self.station in (None, station)

    def takes(self, told: Told) -> bool:
        """Whether this event is shown. A statement of a source about no station passes the filter of none."""
        return (
            self.line in (None, told.line.rpartition("/")[2])
            and (self.station is None or self.station == told.station or self.station in told.candidates)
            and (self.type is None or fnmatchcase(told.type, self.type))
            and self.takes_names(told.names)
        )

    def takes_names(self, knots: Iterable[Knot]) -> bool:
        """Whether a board that is called so is shown."""
        return self.board is None or any(self._names(knot.value) for knot in knots if isinstance(knot, Node))

    def words(self) -> str:
        """As it stands on the screen."""
        given = [f"{name} {value}" for name, value in zip(self._fields, self, strict=True) if value]
        return ", ".join(given) if given else "all"

    def _names(self, value: str) -> bool:
        assert self.board is not None
        return value == self.board or fnmatchcase(value, self.board)


ALL = Choice()
