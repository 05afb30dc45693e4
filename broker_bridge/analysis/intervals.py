"""How sure a number is: intervals for shares, rates and means; and the refusal where data are too few.

Every answer of this package is one of these values or holds them. Their `members` are the keys that the caller handed in:
an array of them where an array was handed in.
"""

import math
from typing import Final

import numpy as np

from broker_bridge.analysis.columns import Floats, Keys, Members, between, held
from broker_bridge.analysis.distributions import (
    beta_quantile,
    chi_square_quantile,
    student_quantile,
    two_sided_z,
)
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value

LEVEL: Final = 0.95


class Interval(Value):
    """The range that holds the true value in `level` of all cases in which its assumptions hold."""

    low: float
    high: float
    level: float
    method: str


class Refused(Value):
    """No answer, because one would be a guess. Not an error: show the reason where the number would stand."""

    reason: str
    have: float = 0
    need: float | None = None
    """As many are needed, counted like `have`; None: more of them would not help."""


class Proportion(Value):
    """`number` of `of`."""

    number: int
    of: int
    value: float
    exact: Interval
    """Clopper and Pearson: never too short."""
    wilson: Interval
    """Wilson: right on average."""
    members: Members = ()
    """The `number`, where the caller named them."""


class Rate(Value):
    """Events in an amount of something (units, opportunities, hours)."""

    number: float
    of: float
    value: float
    interval: Interval
    """Garwood's exact interval of a Poisson count."""
    members: Members = ()


class Mean(Value):
    """A mean of measured values."""

    value: float
    of: int
    sd: float
    """Sample standard deviation (n - 1)."""
    interval: Interval
    """Student's."""


def exact(count: int, of: int, level: float = LEVEL) -> Interval:
    """Clopper-Pearson interval of a share."""
    _share(count, of, level)
    tail = (1 - level) / 2
    low = beta_quantile(tail, count, of - count + 1) if count else 0.0
    high = beta_quantile(1 - tail, count + 1, of - count) if count < of else 1.0
    return Interval(low, high, level, "Clopper-Pearson")


def wilson(count: int, of: int, level: float = LEVEL) -> Interval:
    """Wilson's score interval of a share."""
    _share(count, of, level)
    z = two_sided_z(level)
    share = count / of
    middle = (share + z * z / (2 * of)) / (1 + z * z / of)
    half = z / (1 + z * z / of) * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    # At the ends the formula gives 0 and 1 but for the last bit.
    low = 0.0 if count == 0 else max(0.0, middle - half)
    high = 1.0 if count == of else min(1.0, middle + half)
    return Interval(low, high, level, "Wilson")


def _share(count: int, of: int, level: float) -> None:
    between("level", level, 0, 1)
    if not 0 <= count <= of or of == 0:
        raise UsageError(f"{count} of {of} is no share")


def garwood(count: float, of: float, level: float = LEVEL) -> Interval:
    """Exact interval of a Poisson rate."""
    between("level", level, 0, 1)
    if count < 0 or of <= 0:
        raise UsageError(f"{count} in {of} is no rate")
    tail = (1 - level) / 2
    low = chi_square_quantile(tail, 2 * count) / 2 / of
    return Interval(low, chi_square_quantile(1 - tail, 2 * count + 2) / 2 / of, level, "Garwood")


def proportion(count: int, of: int, *, members: Keys = (), level: float = LEVEL) -> Proportion | Refused:
    """A share with both intervals; refused where there is nothing to take a share of."""
    if of == 0:
        return Refused("nothing to take a share of", 0, 1)
    return Proportion(count, of, count / of, exact(count, of, level), wilson(count, of, level), held(members))


def rate(count: float, of: float, *, members: Keys = (), level: float = LEVEL) -> Rate | Refused:
    """A rate with its interval; refused where there is nothing to divide by."""
    if of == 0:
        return Refused("nothing to divide by", 0, 1)
    return Rate(count, of, count / of, garwood(count, of, level), held(members))


def mean(values: Floats, level: float = LEVEL) -> Mean | Refused:
    """The mean of what was measured; refused below two values, which have no spread."""
    between("level", level, 0, 1)
    values = values[~np.isnan(values)]
    if len(values) < 2:
        return Refused("a mean needs two values for its interval", len(values), 2)
    middle, sd = float(values.mean()), float(values.std(ddof=1))
    half = student_quantile(0.5 + level / 2, len(values) - 1) * sd / math.sqrt(len(values))
    return Mean(middle, len(values), sd, Interval(middle - half, middle + half, level, "Student"))
