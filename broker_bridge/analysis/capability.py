"""Process capability: how the spread of a process fits its limits.

Cp, Cpk and Cpm take the spread within subgroups (what the process can do), Pp, Ppk and Ppm the whole spread (what it did).
Intervals: chi-square for Cp, Bissell's for Cpk and the one-sided indices, Boyles' for Cpm; all for normal values.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from broker_bridge.analysis.chart_constants import constants
from broker_bridge.analysis.columns import Floats, Numbers, between, floats
from broker_bridge.analysis.distributions import beta_below, chi_square_quantile, normal_below, two_sided_z
from broker_bridge.analysis.intervals import LEVEL, Interval, Refused
from broker_bridge.analysis.normality import Normality, anderson_darling
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value

LEAST: Final = 25
"""Values below which no index is told unless the caller asks for it: at 25, Cpk 1.33 is 0.9 to 1.7. Our choice."""
TAIL: Final = 0.00135
"""Share beyond three sigma on one side of a normal distribution."""


class Indices(Value):
    """Indices of one spread; None where a limit or the target is not given."""

    sigma: float
    both: tuple[float, Interval] | None
    """Cp or Pp."""
    lower: tuple[float, Interval] | None
    upper: tuple[float, Interval] | None
    worse: tuple[float, Interval]
    """Cpk or Ppk: the smaller of lower and upper."""
    target: tuple[float, Interval] | None
    """Cpm or Ppm."""
    fallout_ppm: float
    """Expected outside the limits for normal values with this mean and sigma."""


class Capability(Value):
    """Capability of one characteristic."""

    of: int
    mean: float
    within: Indices
    """Cp, Cpk, Cpm."""
    overall: Indices
    """Pp, Ppk, Ppm."""
    outside: int
    """Values that are outside the limits; on a limit is inside."""
    off_centre: float | None
    """k: distance from the middle of the limits, as a share of half their width."""
    normality: Normality | Refused
    remarks: tuple[str, ...]


def capability(
    values: Any,
    *,
    lower: float | None = None,
    upper: float | None = None,
    target: float | None = None,
    level: float = LEVEL,
    least: int = LEAST,
    places: int | None = None,
) -> Capability | Refused:
    """Capability of single values (a column, in order of time) or of subgroups of one size (rows).

    Sigma within is the mean range over d2: of subgroups, or the moving range of single values.
    """
    table = floats("values", values)
    if table.ndim == 2:
        table = table[~np.isnan(table).any(axis=1)]
        ranges, n = np.ptp(table, axis=1), table.shape[1]
    else:
        table = table[~np.isnan(table)]
        ranges, n = np.abs(np.diff(table)), 2
    column: Floats = table.reshape(-1)
    if len(column) < max(least, 3):
        return Refused("too few values for an index that means something", len(column), max(least, 3))
    within = float(ranges.mean()) / constants(n, places).d2
    middle, overall = float(column.mean()), float(column.std(ddof=1))
    if within == 0 or overall == 0:
        return Refused("the values do not vary: the measurement is too coarse for an index")
    found = anderson_darling(column)
    remarks = []
    if isinstance(found, Normality) and found.p < 0.05:
        remarks.append(
            f"not normal (Anderson-Darling p {found.p:.2g}): indices and fallout mislead; "
            "take percentile_capability"
        )
    if overall > 1.25 * within:
        remarks.append(
            "the process wanders: its whole spread is a quarter or more above that within; look at the chart"
        )
    outside = int(((column < _or(lower, -math.inf)) | (column > _or(upper, math.inf))).sum())
    both = lower is not None and upper is not None
    return Capability(
        of=len(column),
        mean=middle,
        within=indices(middle, within, len(column), lower=lower, upper=upper, target=target, level=level),
        overall=indices(middle, overall, len(column), lower=lower, upper=upper, target=target, level=level),
        outside=outside,
        off_centre=abs(_or(lower, 0) + _or(upper, 0) - 2 * middle) / (_or(upper, 0) - _or(lower, 0))
        if both
        else None,
        normality=found,
        remarks=tuple(remarks),
    )


def _or(value: float | None, other: float) -> float:
    return other if value is None else value


def _check(lower: float | None, upper: float | None) -> None:
    if lower is None and upper is None:
        raise UsageError("capability needs a limit: lower, upper or both")
    if lower is not None and upper is not None and lower >= upper:
        raise UsageError(f"the lower limit {lower} is not below the upper limit {upper}")


def indices(
    mean: float, sigma: float, of: int, *, lower: float | None = None, upper: float | None = None,
    target: float | None = None, level: float = LEVEL,
) -> Indices:  # fmt: skip
    """The indices from mean and sigma of that many values."""
    _check(lower, upper)
    between("level", level, 0, 1)
    if not sigma > 0 or of < 2:
        raise UsageError(f"sigma has to be above zero and come from two values or more: {sigma}, {of}")
    z, freedom = two_sided_z(level), of - 1

    def scaled(index: float, degrees: float) -> tuple[float, Interval]:
        tail = (1 - level) / 2
        low, high = (math.sqrt(chi_square_quantile(p, degrees) / degrees) for p in (tail, 1 - tail))
        return index, Interval(index * low, index * high, level, "chi-square")

    def sided(index: float, factor: float) -> tuple[float, Interval]:
        half = z * math.sqrt(1 / (9 * of) + factor * index * index / (2 * freedom))
        return index, Interval(index - half, index + half, level, "Bissell")

    down = None if lower is None else sided((mean - lower) / (3 * sigma), 1)
    up = None if upper is None else sided((upper - mean) / (3 * sigma), 1)
    both = aim = None
    if lower is not None and upper is not None:
        both = scaled((upper - lower) / (6 * sigma), freedom)
        if target is not None:
            off = (mean - target) / sigma
            # Boyles (1991): about a target the spread has more degrees of freedom than about the mean.
            degrees = of * (1 + off * off) ** 2 / (1 + 2 * off * off)
            aim = scaled((upper - lower) / (6 * sigma * math.sqrt(1 + off * off)), degrees)
    beyond = sum(normal_below(-3 * side[0]) for side in (down, up) if side)
    worse = min((side for side in (down, up) if side), key=lambda side: side[0])
    return Indices(sigma, both, down, up, worse, aim, beyond * 1e6)


class PercentileCapability(Value):
    """Capability without a normal distribution: the 0.135, 50 and 99.865 percentiles stand for -3, 0, +3 sigma."""

    of: int
    percentiles: tuple[float, float, float]
    intervals: tuple[Interval | None, Interval | None, Interval | None]
    """Of the percentiles, from order statistics; None: that many values do not bound it."""
    pp: float | None
    ppk: float


def percentile_capability(
    values: Numbers, *, lower: float | None = None, upper: float | None = None, level: float = LEVEL
) -> PercentileCapability | Refused:
    """Pp and Ppk by percentiles (ISO 22514-4 has the method [from memory]); refused below 741 values.

    With fewer, the outer percentiles would lie beyond the extreme values: an extrapolation.
    """
    _check(lower, upper)
    column = np.sort(floats("values", values))
    column = column[~np.isnan(column)]
    need = math.ceil(1 / TAIL)
    if len(column) < need:
        return Refused("too few values for the outer percentiles", len(column), need)
    shares = (TAIL, 0.5, 1 - TAIL)
    low, middle, high = (float(q) for q in np.quantile(column, shares))
    if low == middle or high == middle:
        return Refused("the values hardly vary: the measurement is too coarse for an index")
    sides = [(middle - lower) / (middle - low)] if lower is not None else []
    sides += [(upper - middle) / (high - middle)] if upper is not None else []
    pp = (upper - lower) / (high - low) if lower is not None and upper is not None else None
    bounds = [_order_interval(column, share, level) for share in shares]
    return PercentileCapability(
        len(column), (low, middle, high), (bounds[0], bounds[1], bounds[2]), pp, min(sides)
    )


def _order_interval(column: Sequence[float] | Floats, share: float, level: float) -> Interval | None:
    """Between which two of the sorted values the percentile lies, free of any distribution."""
    n, tail = len(column), (1 - level) / 2

    def fewer(k: int) -> float:  # chance that fewer than k values lie below the percentile
        return 1 - beta_below(k, n - k + 1, share)

    ranks = range(1, n + 1)
    low = bisect_right(ranks, tail, key=fewer)
    high = bisect_left(ranks, 1 - tail, key=fewer) + 1
    if low == 0 or high > n:
        return None
    return Interval(float(column[low - 1]), float(column[high - 1]), level, "order statistics")
