"""Tail probabilities and quantiles of the distributions that intervals and tests need.

Own ones, so that a plant need not install a large library for six functions; that library is their oracle in the tests.
Incomplete gamma and beta functions as in Abramowitz and Stegun 6.5 and 26.5: series and continued fractions.
"""

import math
from collections.abc import Callable
from functools import lru_cache
from statistics import NormalDist
from typing import Final

_TINY: Final = 1e-300
_EXACT: Final = 1e-15
_STEPS: Final = 1_000_000
"""A continued fraction of a million boards takes about a thousand steps."""

_NORMAL: Final = NormalDist()


def normal_quantile(probability: float) -> float:
    """The z below which that share of a standard normal distribution lies."""
    return _NORMAL.inv_cdf(probability)


def normal_below(z: float) -> float:
    """Share of a standard normal distribution below z; precise in the lower tail."""
    return 0.5 * math.erfc(-z / math.sqrt(2))


def two_sided_z(level: float) -> float:
    """1.96 for 0.95."""
    return normal_quantile(0.5 + level / 2)


def gamma_below(shape: float, x: float) -> float:
    """Regularised lower incomplete gamma function P(shape, x)."""
    if x <= 0:
        return 0.0
    front = math.exp(shape * math.log(x) - x - math.lgamma(shape))
    if x < shape + 1:
        term = total = 1 / shape
        n = shape
        while abs(term) > abs(total) * _EXACT:
            n += 1
            term *= x / n
            total += term
        return min(1.0, front * total)
    return 1.0 - front * _fraction(x + 1 - shape, lambda i: (-i * (i - shape), x + 2 * i + 1 - shape))


def _fraction(first: float, terms: Callable[[int], tuple[float, float]]) -> float:
    """1 / (first + a1 / (b1 + a2 / (b2 + ...))), by Lentz's method."""
    c, d = 1 / _TINY, 1 / (first or _TINY)
    value = d
    for i in range(1, _STEPS):
        a, b = terms(i)
        d = 1 / ((b + a * d) or _TINY)
        c = (b + a / c) or _TINY
        value *= c * d
        if abs(c * d - 1) < _EXACT * 4:
            break
    return value


def beta_below(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function I_x(a, b)."""
    if x <= 0 or x >= 1:
        return 0.0 if x <= 0 else 1.0
    if x > (a + 1) / (a + b + 2):
        return 1.0 - beta_below(b, a, 1 - x)

    def term(i: int) -> tuple[float, float]:
        m = i // 2
        if i % 2:
            return -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)), 1.0
        return m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)), 1.0

    log_front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    return math.exp(log_front) / a * _fraction(1.0, term)


def _inverse(below: Callable[[float], float], probability: float, low: float, high: float) -> float:
    """Where a rising function reaches the probability, to about 13 digits."""
    for _ in range(200):
        middle = math.sqrt(low * high) if low > 0 and high > 4 * low else (low + high) / 2
        if high - low <= 1e-14 * high or middle in (low, high):
            break
        if below(middle) < probability:
            low = middle
        else:
            high = middle
    return (low + high) / 2


@lru_cache(maxsize=4096)
def chi_square_quantile(probability: float, freedom: float) -> float:
    """Below it lies that share of a chi-square distribution."""
    if probability <= 0 or freedom <= 0:
        return 0.0
    high = freedom + 10
    while chi_square_below(high, freedom) < probability:
        high *= 2
    return _inverse(lambda x: chi_square_below(x, freedom), probability, _TINY, high)


def chi_square_below(x: float, freedom: float) -> float:
    """Share of a chi-square distribution below x."""
    return gamma_below(freedom / 2, x / 2)


@lru_cache(maxsize=4096)
def beta_quantile(probability: float, a: float, b: float) -> float:
    """Below it lies that share of a beta distribution."""
    return _inverse(lambda x: beta_below(a, b, x), probability, _TINY, 1.0)


def student_above(t: float, freedom: float) -> float:
    """Share of Student's distribution above t."""
    half = 0.5 * beta_below(freedom / 2, 0.5, freedom / (freedom + t * t))
    return half if t >= 0 else 1 - half


@lru_cache(maxsize=4096)
def student_quantile(probability: float, freedom: float) -> float:
    """Below it lies that share of Student's distribution."""
    if probability == 0.5:
        return 0.0
    if probability < 0.5:
        return -student_quantile(1 - probability, freedom)
    high = 2.0
    while student_above(high, freedom) > 1 - probability:
        high *= 2
    return _inverse(lambda t: -student_above(t, freedom), probability - 1, 0.0, high)


def f_above(value: float, upper: float, lower: float) -> float:
    """Share of Fisher's F distribution (degrees of freedom above and below the line) above the value."""
    if value <= 0:
        return 1.0
    return beta_below(lower / 2, upper / 2, lower / (lower + upper * value))
