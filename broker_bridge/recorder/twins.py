"""Pure: whether two edges speak under one source name.

An edge numbers within the epoch of its outbox, so two edges are two epochs. An older epoch after a younger one
proves nothing yet: a broker delivers again what was not acknowledged. Two live edges take turns, since each tells
its state every ten seconds.
"""

from collections import deque
from typing import Final

WINDOW_S: Final = 60.0
"""Turns further apart than this are not two edges at work."""
_TURNS: Final = 2


class _Source:
    def __init__(self) -> None:
        self.youngest = -1
        self.speaks = -1
        self.turns: deque[float] = deque(maxlen=_TURNS)


class Twins:
    """Who spoke last, source by source. Times are seconds of a monotonic clock."""

    def __init__(self) -> None:
        self._sources: dict[str, _Source] = {}

    def heard(self, source: str, epoch: int, now: float) -> None:
        """An edge said something live: no retained copy, no redelivery."""
        known = self._sources.get(source)
        if known is None:
            known = self._sources[source] = _Source()
        if epoch >= known.youngest:
            known.youngest = epoch
        elif known.speaks == known.youngest:
            known.turns.append(now)
        known.speaks = epoch

    def found(self, now: float) -> list[str]:
        """The sources for which two edges took turns of late."""
        return sorted(
            source
            for source, known in self._sources.items()
            if len(known.turns) == _TURNS and now - known.turns[0] <= WINDOW_S
        )
