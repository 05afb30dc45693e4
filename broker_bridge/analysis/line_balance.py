"""Balance of a line, what a faster station would gain, and the pattern around a bottleneck.

Line limits as in Hopp and Spearman, Factory Physics, chapter 7.
"""

from collections.abc import Mapping, Sequence
from typing import Final

from broker_bridge.analysis.columns import positive
from broker_bridge.analysis.flow import StationFlow
from broker_bridge.analysis.intervals import Refused
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value

SAME: Final = 1e-9


class Pattern(Value):
    """What the stations around a bottleneck did."""

    blocked_before: float | None
    """Mean blocked share of the stations before it; None: of none of them it is known."""
    starved_behind: float | None
    """Mean starved share of the stations behind it."""
    fits: bool | None
    """Stations before it are more blocked than starved, those behind more starved than blocked: as they should be. None: not
    known."""


def pattern(order: Sequence[str], station: str, shares: Mapping[str, StationFlow]) -> Pattern:
    """The pattern around a station of a line, from the stations whose shares are known.

    The shares have to come from one window, in which all stations did the same boards.
    """
    place = list(order).index(station)
    before, behind = (
        [shares[name] for name in part if name in shares] for part in (order[:place], order[place + 1 :])
    )
    fits = all(s.blocked >= s.starved for s in before) and all(s.starved >= s.blocked for s in behind)
    return Pattern(
        sum(s.blocked for s in before) / len(before) if before else None,
        sum(s.starved for s in behind) / len(behind) if behind else None,
        fits if before or behind else None,
    )


class Balance(Value):
    """Balance of a line from its stations' cycles."""

    cycle: float
    """Of the line: the longest."""
    bound_by: tuple[str, ...]
    balance: float
    """Sum of cycles over stations times the longest: 1 where all are equal."""
    per_hour: float
    idle: Mapping[str, float]
    """Seconds a station waits in each cycle of the line."""


def balance(cycles: Mapping[str, float]) -> Balance | Refused:
    """Line balance; cycles in seconds a board (panels count as the caller counts)."""
    if not cycles:
        return Refused("there are no stations", 0, 1)
    for name, seconds in cycles.items():
        positive(f"cycle of {name}", seconds)
    longest = max(cycles.values())
    slowest = tuple(name for name, seconds in cycles.items() if seconds >= longest * (1 - SAME))
    idle = {name: longest - seconds for name, seconds in cycles.items()}
    return Balance(longest, slowest, sum(cycles.values()) / (len(cycles) * longest), 3600 / longest, idle)


class Gain(Value):
    """What a faster station would gain at most, buffers and stops aside."""

    before: float
    after: float
    """The line's cycle, in seconds a board."""
    more_per_hour: float
    bound_by: tuple[str, ...]
    """What bounds the line afterwards."""
    useful: float
    """The cycle below which making this station faster gains nothing more."""


def faster(cycles: Mapping[str, float], station: str, seconds: float) -> Gain | Refused:
    """What the line gains where one station's cycle becomes that many seconds: bound by the next bottleneck."""
    if station not in cycles:
        raise UsageError(f"there is no station {station!r}; there are {', '.join(cycles)}")
    now, then = balance(cycles), balance({**cycles, station: positive("seconds", seconds)})
    if isinstance(now, Refused) or isinstance(then, Refused):
        return Refused("there are no stations", 0, 1)
    others = max((value for name, value in cycles.items() if name != station), default=0.0)
    return Gain(now.cycle, then.cycle, then.per_hour - now.per_hour, then.bound_by, others)


class LineLimits(Value):
    """What a line of fixed work in process can do: throughput and time in line."""

    critical: float
    """W0: boards in process at which the best line reaches the bottleneck's rate without waiting."""
    best: tuple[float, float]
    worst: tuple[float, float]
    practical_worst: tuple[float, float]


def line_limits(bottleneck_rate: float, raw_time: float, in_process: float) -> LineLimits:
    """Best, worst and practical worst throughput and time in line for that many boards in process."""
    rate, time = positive("bottleneck rate", bottleneck_rate), positive("raw process time", raw_time)
    w = positive("boards in process", in_process)
    critical = rate * time
    return LineLimits(
        critical,
        (min(w / time, rate), max(time, w / rate)),
        (1 / time, w * time),
        (w / (critical + w - 1) * rate, time + (w - 1) / rate),
    )
