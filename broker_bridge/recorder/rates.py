"""Pure: whether a source numbers events faster than any machine has something to say.

Told from the numbers it gives, not from what arrives: what it catches up with after an outage is no flood. Nobody is
cut off for it: a limit that drops events would lose records, and the outbox would send them again anyway.
"""

from typing import Final

FLOOD_A_S: Final = 500.0
"""Events a second from one source, over WINDOW_S: a line of fast machines gives some ten."""
WINDOW_S: Final = 60.0


class Rates:
    """How fast the numbers of each source grow. Times are seconds of a monotonic clock."""

    def __init__(self) -> None:
        self._seen: dict[str, tuple[int, float, int]] = {}
        """Epoch, and when which number was the newest, at the beginning of the window."""
        self._floods: dict[str, float] = {}

    def heard(self, source: str, epoch: int, last: int, now: float) -> None:
        """The newest number that a source is known to have given."""
        seen = self._seen.get(source)
        if seen is None or epoch > seen[0]:
            self._seen[source] = epoch, now, last
        elif epoch == seen[0] and now - seen[1] >= WINDOW_S:
            rate = (last - seen[2]) / (now - seen[1])
            if rate > FLOOD_A_S:
                self._floods[source] = rate
            else:
                self._floods.pop(source, None)
            self._seen[source] = epoch, now, max(last, seen[2])

    def floods(self) -> list[str]:
        """The sources that flood, each with its rate in words, in order."""
        return [f"{source} ({rate:,.0f} a second)" for source, rate in sorted(self._floods.items())]
