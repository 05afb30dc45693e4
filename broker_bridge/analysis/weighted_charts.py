"""Charts with a memory, for small lasting shifts: EWMA and CUSUM; and how often they cry wolf."""

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from broker_bridge.analysis.columns import Key, Numbers, between, floats, named, positive
from broker_bridge.analysis.distributions import normal_below
from broker_bridge.analysis.intervals import Refused
from broker_bridge.trace.value import Value


class Ewma(Value):
    """Exponentially weighted moving average; columns have one entry a measured point."""

    keys: tuple[Key, ...]
    points: tuple[float, ...]
    sigma: tuple[float, ...]
    """Of the plotted average, at each point."""
    target: float
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    signals: tuple[Key, ...]
    """Points outside the limits."""


def ewma(
    values: Numbers,
    *,
    target: float,
    sigma: float,
    weight: float = 0.2,
    width: float = 3.0,
    steady: bool = False,
    keys: Sequence[Key] | None = None,
) -> Ewma | Refused:
    """EWMA about a target, with the known sigma of a single value; missing values are left out.

    `steady`: limits of the long run at every point, as NIST 6.3.2.4 draws them; otherwise those of each point.
    """
    between("weight", weight, 0, 1.0000001)
    positive("sigma", sigma)
    column = floats("values", values)
    known = ~np.isnan(column)
    named_rows = [key for key, seen in zip(named(keys, len(column)), known, strict=True) if seen]
    if not named_rows:
        return Refused("there are no points", 0, 1)
    points, latest = [], target
    for value in column[known].tolist():
        latest = weight * value + (1 - weight) * latest
        points.append(latest)
    reach = [1.0 if steady else 1 - (1 - weight) ** (2 * i) for i in range(1, len(points) + 1)]
    spread = [sigma * math.sqrt(weight / (2 - weight) * part) for part in reach]
    lower, upper = (tuple(target + side * width * s for s in spread) for side in (-1, 1))
    outside = [not low <= p <= high for p, low, high in zip(points, lower, upper, strict=True)]
    signals = tuple(key for key, out in zip(named_rows, outside, strict=True) if out)
    return Ewma(tuple(named_rows), tuple(points), tuple(spread), target, lower, upper, signals)


class Cusum(Value):
    """Tabular cumulative sums above and below a target, in the unit of the values."""

    keys: tuple[Key, ...]
    above: tuple[float, ...]
    below: tuple[float, ...]
    """Counted positive."""
    decision: float
    """A sum beyond it is a signal; on it is none."""
    signals: tuple[Key, ...]
    began: Key | None
    """First point of the run of sums above zero that made the first signal: when the shift probably began."""
    false_alarm_every: float
    """Points between false alarms while nothing is wrong, on average, for independent normal values."""


def cusum(
    values: Numbers,
    *,
    target: float,
    sigma: float,
    allowance: float = 0.5,
    decision: float = 5.0,
    keys: Sequence[Key] | None = None,
) -> Cusum | Refused:
    """CUSUM with allowance k and decision interval h, both in sigma; missing values are left out."""
    positive("sigma", sigma)
    column = floats("values", values)
    known = ~np.isnan(column)
    rows = [key for key, seen in zip(named(keys, len(column)), known, strict=True) if seen]
    if not rows:
        return Refused("there are no points", 0, 1)
    k, h = allowance * sigma, decision * sigma
    above: list[float] = []
    below: list[float] = []
    signals: list[Key] = []
    up = down = 0.0
    began: Key | None = None
    begins: list[Key | None] = [None, None]
    rounding = 1e-9 * sigma
    for key, value in zip(rows, column[known].tolist(), strict=True):
        up, down = max(0.0, up + value - target - k), max(0.0, down + target - k - value)
        for side, total in enumerate((up, down)):
            begins[side] = (begins[side] if begins[side] is not None else key) if total > 0 else None
            if total > h + rounding:
                began = begins[side] if not signals else began
                signals += [key] if not signals or signals[-1] != key else []
        above.append(up)
        below.append(down)
    every = cusum_run_length(allowance, decision) / 2  # two sides
    return Cusum(tuple(rows), tuple(above), tuple(below), h, tuple(signals), began, every)


@lru_cache(maxsize=256)
def cusum_run_length(allowance: float, decision: float, shift: float = 0.0, states: int = 200) -> float:
    """Average points to a signal of a one-sided CUSUM, all in sigma (Brook and Evans 1972, a Markov chain)."""
    width = 2 * positive("decision", decision) / (2 * states - 1)
    index = np.arange(states)
    below = np.vectorize(normal_below, otypes=[np.float64])
    edges = np.arange(-states + 1, states) * width + 0.5 * width + allowance - shift
    table = below(edges)  # one erf for each distance, not for each pair
    upper = table[index[None, :] - index[:, None] + states - 1]
    lower = np.concatenate([np.zeros((states, 1)), upper[:, :-1]], axis=1)
    steps = np.linalg.solve(np.eye(states) - (upper - lower), np.ones(states))
    return float(steps[0])


def shewhart_run_length(shift: float = 0.0, width: float = 3.0) -> float:
    """Average points to a signal of a chart with limits alone, for a shift in sigma."""
    return 1 / (normal_below(shift - width) + normal_below(-shift - width))
