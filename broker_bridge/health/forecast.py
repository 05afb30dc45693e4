"""Pure: when a disk or an outbox will be full at the present rate, and how sure that is."""

from collections.abc import Sequence
from typing import Final, NamedTuple

from broker_bridge.health.finding import ago

BIN_S: Final = 3 * 3600
BINS: Final = 7 * 8
"""A week: factories rest at weekends, so a shorter look back misleads on Mondays."""
_DAY: Final = 86_400 // BIN_S
_FAR_S: Final = 10 * 365 * 86_400


class Outlook(NamedTuple):
    """What is to be expected. Seconds from now."""

    full_s: float
    """At the mean rate since the data begin."""
    soonest_s: float
    """If every day were as the busiest one; with less than a day of data, every three hours as the busiest three."""
    seen_s: float
    """How long a time the rates are from."""

    @property
    def text(self) -> str:
        """In words, with how sure it is."""
        if self.full_s > _FAR_S:
            return f"hardly grows (seen over {ago(self.seen_s)})"
        sure = (
            "a rough guess" if self.seen_s < _DAY * BIN_S else "an estimate" if self.seen_s < BINS * BIN_S else
            "steady" if self.full_s < 1.5 * self.soonest_s else "uneven"
        )  # fmt: skip
        return (
            f"full in about {ago(self.full_s)} at the rate of the last {ago(self.seen_s)}, in {ago(self.soonest_s)} if"
            f" all the time were as its busiest {'day' if self.seen_s >= _DAY * BIN_S else 'three hours'} ({sure})"
        )


def outlook(grown: Sequence[float], room: float) -> Outlook | None:
    """`grown`: bytes in each bin of BIN_S seconds, oldest first; leading zeros are time before there was anything.

    None when nothing was seen yet.
    """
    begun = next((place for place, size in enumerate(grown) if size > 0), None)
    if begun is None:
        return None
    seen = grown[begun:]
    wide = min(_DAY, len(seen)) if len(seen) >= _DAY else 1
    busiest = max(sum(seen[place : place + wide]) for place in range(len(seen) - wide + 1)) / wide
    mean = sum(seen) / len(seen)
    left = max(0.0, room)
    return Outlook(left / mean * BIN_S, left / busiest * BIN_S, len(seen) * BIN_S)


def edges(now_s: float) -> list[float]:
    """The ends of the bins before now, oldest first: BINS + 1 instants."""
    return [now_s - BIN_S * (BINS - place) for place in range(BINS + 1)]
