"""Is this share higher than that one? Exact tests on tables of counts, and what many tests at once demand."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from broker_bridge.analysis.columns import Floats
from broker_bridge.analysis.distributions import two_sided_z
from broker_bridge.analysis.intervals import Interval, wilson
from broker_bridge.errors import UsageError

_SAME: Final = 1 + 1e-7
"""Tables as likely as the one observed count as such although their last bits differ (as Fisher's test does elsewhere)."""

Table = tuple[int, int, int, int]
"""Affected and number among those exposed, affected and number among the others."""


def exact_test(tables: Sequence[Table]) -> float:
    """Two-sided p of Fisher's exact test; several tables are strata, tested for one common relation.

    Given the margins, affected ones among the exposed are hypergeometric in each stratum; their sum's distribution
    is the convolution of the strata's.
    """
    whole, first, seen = np.ones(1), 0, 0
    for affected, exposed, others_affected, others in tables:
        if not (0 <= affected <= exposed and 0 <= others_affected <= others):
            raise UsageError(f"{affected} of {exposed} against {others_affected} of {others} is no table")
        lowest, chances = _hypergeometric(exposed, others, affected + others_affected)
        whole, first, seen = np.convolve(whole, chances), first + lowest, seen + affected
    return min(1.0, float(whole[whole <= whole[seen - first] * _SAME].sum()))


def _hypergeometric(exposed: int, others: int, affected: int) -> tuple[int, Floats]:
    """Lowest possible number of affected ones among the exposed, and the chance of each number from there on."""
    low, high = max(0, affected - others), min(exposed, affected)
    k = np.arange(low, high, dtype=np.float64)
    steps = np.log((exposed - k) * (affected - k)) - np.log((k + 1) * (others - affected + k + 1))
    logs = np.concatenate([[0.0], np.cumsum(steps)])
    chances = np.exp(logs - logs.max())
    return low, chances / chances.sum()


def risk_ratio(
    tables: Sequence[Table], level: float, dispersion: float = 1.0
) -> tuple[float, Interval] | None:
    """Mantel-Haenszel's risk ratio with the interval of Greenland and Robins (one table: Katz's).

    None where nobody is affected on one side and half a case has to stand in, or a side is empty: then the ratio is
    told from counts to which 0.5 was added only if both sides have members; otherwise there is none.
    """
    columns = np.asarray([t for t in tables if t[1] and t[3]], dtype=np.float64).reshape(-1, 4)
    if not len(columns):
        return None
    a, n1, b, n0 = columns.T
    if a.sum() == 0 and b.sum() == 0:
        return None
    if a.sum() == 0 or b.sum() == 0:
        a, b, n1, n0 = a + 0.5, b + 0.5, n1 + 0.5, n0 + 0.5
    n = n1 + n0
    top, bottom = float((a * n0 / n).sum()), float((b * n1 / n).sum())
    spread = float((((a + b) * n1 * n0 / n - a * b) / n).sum()) / (top * bottom)
    half = two_sided_z(level) * math.sqrt(max(0.0, spread) * dispersion)
    ratio = top / bottom
    return ratio, Interval(ratio * math.exp(-half), ratio * math.exp(half), level, "Greenland-Robins")


def holm(chances: Sequence[float]) -> tuple[float, ...]:
    """Holm's adjusted p, in the order given: the chance of even one false finding among all stays below it."""
    order = sorted(range(len(chances)), key=chances.__getitem__)
    adjusted, least = [1.0] * len(chances), 0.0
    for place, index in enumerate(order):
        least = max(least, min(1.0, (len(chances) - place) * chances[index]))
        adjusted[index] = least
    return tuple(adjusted)


def difference(count: int, of: int, other: int, other_of: int, level: float) -> tuple[float, Interval]:
    """First share minus second, with Newcombe's interval (from Wilson's of each)."""
    p, q = count / of, other / other_of
    mine, theirs = wilson(count, of, level), wilson(other, other_of, level)
    low = p - q - math.hypot(p - mine.low, theirs.high - q)
    high = p - q + math.hypot(mine.high - p, q - theirs.low)
    return p - q, Interval(low, high, level, "Newcombe")
