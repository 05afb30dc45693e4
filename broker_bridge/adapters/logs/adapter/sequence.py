"""Numbers in file names: a machine that counts its files shows which of them never came.

Pure: time is an argument. A missing number may still come (files are read by their time, not by their number), so
it is told only after a while. A number that falls back means that the machine has begun to count anew.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import orjson

_FARTHEST: Final = 1000
"""A jump beyond this is a machine that counts anew, not a thousand lost files."""


class Missing(NamedTuple):
    """Numbers that did not come, first and last included, and what tells so."""

    first: int
    last: int
    before: str
    """Time (RFC 3339) of the file before them."""
    after: str
    """Time of the file behind them."""
    shown_by: str
    """Generation of the file behind them."""


@dataclass(slots=True)
class Numbers:
    """The numbers of one source's files. `wait_s`: how long a missing number is waited for."""

    wait_s: float
    last: int | None = None
    last_time: str = ""
    open: dict[int, Missing] = field(default_factory=dict)
    """Missing numbers that are still waited for, each with the range it was found missing in."""
    _since: dict[int, float] = field(default_factory=dict)

    def met(self, number: int, time: str, generation: str, now: float) -> None:
        """Note the number of a file that was read for the first time."""
        if number in self.open:
            del self.open[number]
            return
        last, before = self.last, self.last_time
        self.last, self.last_time = number, time
        if last is None or not last + 1 < number <= last + 1 + _FARTHEST:
            return
        told = Missing(last + 1, number - 1, before, time, generation)
        for missing in range(told.first, told.last + 1):
            self.open[missing] = told
            self._since[missing] = now

    def overdue(self, now: float) -> list[Missing]:
        """The ranges that have been waited for long enough; they are told once and then forgotten."""
        late = sorted(
            number for number in self.open if now - self._since.setdefault(number, now) >= self.wait_s
        )
        ranges: list[Missing] = []
        for number in late:
            found = self.open.pop(number)
            self._since.pop(number, None)
            if ranges and ranges[-1].last == number - 1 and ranges[-1].shown_by == found.shown_by:
                ranges[-1] = ranges[-1]._replace(last=number)
            else:
                ranges.append(found._replace(first=number, last=number))
        return ranges

    def dump(self) -> bytes:
        """The state to keep."""
        return orjson.dumps(
            [self.last, self.last_time, [[number, *found] for number, found in self.open.items()]]
        )

    def load(self, value: bytes) -> None:
        """Go on from a kept state; the waiting begins anew."""
        self.last, self.last_time, rest = orjson.loads(value)
        rows: Iterable[list[object]] = rest
        self.open = {int(str(row[0])): Missing(*row[1:]) for row in rows}  # type: ignore[arg-type]
