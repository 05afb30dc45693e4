"""The constants of control charts, computed from what they are; no table to mistype.

d2 and d3 are mean and standard deviation of the range of n values from a standard normal distribution, c4 is the mean of
their standard deviation (ASTM MNL 7). Printed tables have three or four digits: `places` rounds as they do, so that a
worked example comes out to its last digit.
"""

import math
from functools import lru_cache

import numpy as np

from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value


class Constants(Value):
    """The constants for subgroups of n."""

    n: int
    d2: float
    d3: float
    c4: float
    A: float
    A2: float
    A3: float
    B3: float
    B4: float
    B5: float
    B6: float
    D1: float
    D2: float
    D3: float
    D4: float


@lru_cache(maxsize=256)
def constants(n: int, places: int | None = None) -> Constants:
    """The constants for subgroups of n values. Raises UsageError below two values, which have no spread."""
    if n < 2:
        raise UsageError(f"a subgroup of {n} has no spread: charts of ranges need two values or more")
    d2, d3 = _range_moments(n)
    c4 = math.sqrt(2 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))
    s, root = 3 * math.sqrt(1 - c4 * c4), math.sqrt(n)
    exact = (
        d2, d3, c4, 3 / root, 3 / (d2 * root), 3 / (c4 * root),
        max(0.0, 1 - s / c4), 1 + s / c4, max(0.0, c4 - s), c4 + s,
        max(0.0, d2 - 3 * d3), d2 + 3 * d3, max(0.0, 1 - 3 * d3 / d2), 1 + 3 * d3 / d2,
    )  # fmt: skip
    if places is None:
        return Constants(n, *exact)
    return Constants(n, *(round(value, places) for value in exact))


def _range_moments(n: int) -> tuple[float, float]:
    """Mean and standard deviation of the range: integrals over P(range > w)."""
    nodes, weights = np.polynomial.legendre.leggauss(96)
    w, weights = 8 * (nodes + 1), 8 * weights
    step = 0.05
    x = np.arange(-26.0, 10.0, step)
    below = np.vectorize(lambda z: 0.5 * math.erfc(-z / math.sqrt(2)), otypes=[np.float64])
    density = np.exp(-x * x / 2) / math.sqrt(2 * math.pi)
    inside = (below(x[None, :] + w[:, None]) - below(x)[None, :]) ** (n - 1)
    # The trapezoid rule converges exponentially here: the integrand and all its derivatives vanish at both ends.
    above = 1 - n * step * (density[None, :] * inside).sum(axis=1)
    first, second = float((weights * above).sum()), float((2 * weights * w * above).sum())
    return first, math.sqrt(second - first * first)


def pooled_range_divisor(n: int, groups: int = 1) -> float:
    """d2*: what the mean of few ranges is divided by (Duncan; the K factors of gauge studies are its inverse)."""
    exact = constants(n)
    return math.sqrt(exact.d2**2 + exact.d3**2 / groups)
