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


def _inverse(
    below: Callable[[float], float], probability: float, guess: float, top: float = math.inf
) -> float:
    """Where a function that rises from zero on reaches the probability, to about 13 digits.

    Brackets around the guess, then false position with the Illinois step.
    """
    low = high = guess
    f_low = f_high = below(guess) - probability
    while f_low > 0 and low > _TINY:
        high, f_high, low = low, f_low, low / 2
        f_low = below(low) - probability
    while f_high < 0 and high < top:
        low, f_low, high = high, f_high, min(top, high * 2)
        f_high = below(high) - probability
    side, last = 0, guess
    for _ in range(200):
        if high - low <= 1e-14 * high:
            break
        x = (low * f_high - high * f_low) / (f_high - f_low)
        if not low < x < high:
            x = (low + high) / 2
        f = below(x) - probability
        if abs(f) <= 1e-15 * abs(probability) or abs(x - last) <= 1e-15 * x:
            return x
        last = x
        if f < 0:
            low, f_low, f_high = x, f, f_high / 2 if side < 0 else f_high
            side = -1
        else:
            high, f_high, f_low = x, f, f_low / 2 if side > 0 else f_low
            side = 1
    return (low + high) / 2


@lru_cache(maxsize=4096)
def chi_square_quantile(probability: float, freedom: float) -> float:
    """Below it lies that share of a chi-square distribution."""
    if probability <= 0 or freedom <= 0:
        return 0.0
    # Wilson and Hilferty's approximation to begin with.
    part = 2 / (9 * freedom)
    guess = freedom * max(1e-3, 1 - part + normal_quantile(probability) * math.sqrt(part)) ** 3
    return _inverse(lambda x: chi_square_below(x, freedom), probability, guess)


def chi_square_below(x: float, freedom: float) -> float:
    """Share of a chi-square distribution below x."""
    return gamma_below(freedom / 2, x / 2)


@lru_cache(maxsize=4096)
def beta_quantile(probability: float, a: float, b: float) -> float:
    """Below it lies that share of a beta distribution."""
    middle = a / (a + b)
    guess = middle + normal_quantile(probability) * math.sqrt(middle * (1 - middle) / (a + b + 1))
    return _inverse(
        lambda x: beta_below(a, b, x), probability, min(max(guess, middle / 8), (1 + middle) / 2), 1.0
    )


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
    return _inverse(lambda t: -student_above(t, freedom), probability - 1, normal_quantile(probability))


def f_above(value: float, upper: float, lower: float) -> float:
    """Share of Fisher's F distribution (degrees of freedom above and below the line) above the value."""
    if value <= 0:
        return 1.0
    return beta_below(lower / 2, upper / 2, lower / (lower + upper * value))
