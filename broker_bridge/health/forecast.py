"""Pure: when a disk or an outbox will be full at the present rate, and how sure that is."""

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

from broker_bridge.health.finding import ago

BIN_S: Final = 3 * 3600
BINS: Final = 7 * 8
"""A week: factories rest at weekends, so a shorter look back misleads on Mondays."""
_DAY: Final = 86_400 // BIN_S
_FAR_S: Final = 10 * 365 * 86_400
_LEAST_S: Final = 3600
"""A rate of less than an hour says nothing: a line that starts catches up, or warms up."""


class Outlook(NamedTuple):
    """What is to be expected. Seconds from now."""

    full_s: float
    """At the mean rate since the data begin."""
    soonest_s: float
    """If every day were as the busiest one; with less than a day of data, every three hours as the busiest three."""
    seen_s: float
    """How long a time the rates are from."""

    @property
    def told(self) -> bool:
        """Whether it was seen for long enough to tell."""
        return self.seen_s >= _LEAST_S

    def within(self, seconds: float) -> bool:
        """Whether it will be full sooner than that, as far as can be told."""
        return self.told and self.full_s < seconds

    @property
    def text(self) -> str:
        """In words, with how sure it is."""
        if not self.told:
            return f"too early to tell when it is full (seen over {ago(self.seen_s)}, an hour is needed)"
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


def outlook(grown: Sequence[float], room: float, age_s: float = math.inf) -> Outlook | None:
    """`grown`: bytes in each bin of BIN_S seconds, oldest first; leading zeros are time before there was anything.
    `age_s`: how long ago the first of it came, so that a bin that has just begun does not count as a whole one.

    None when nothing was seen yet.
    """
    begun = next((place for place, size in enumerate(grown) if size > 0), None)
    if begun is None:
        return None
    seen = grown[begun:]
    wide = min(_DAY, len(seen)) if len(seen) >= _DAY else 1
    busiest = max(sum(seen[place : place + wide]) for place in range(len(seen) - wide + 1)) / wide
    seen_s = min(max(age_s, 1.0), len(seen) * BIN_S)
    left = max(0.0, room)
    full_s = left / sum(seen) * seen_s
    return Outlook(full_s, min(full_s, left / busiest * BIN_S), seen_s)


def edges(now_s: float) -> list[float]:
    """The ends of the bins before now, oldest first: BINS + 1 instants."""
    return [now_s - BIN_S * (BINS - place) for place in range(BINS + 1)]
