"""Could these values come from a normal distribution? Anderson and Darling's test, mean and spread estimated.

D'Agostino and Stephens, Goodness-of-Fit Techniques (1986), case 3 and its formula for p.
"""

import math

import numpy as np

from broker_bridge.analysis.columns import Floats, Numbers, floats
from broker_bridge.analysis.distributions import normal_below
from broker_bridge.analysis.intervals import Refused
from broker_bridge.trace.value import Value


class Normality(Value):
    """Result of the test. A high p is no proof of normality; with few values little is ever found."""

    a_squared: float
    """The statistic, without the correction for n."""
    p: float
    of: int


def anderson_darling(values: Numbers) -> Normality | Refused:
    """The test; refused below 8 values, and where all are equal. Not-measured values are left out."""
    column: Floats = np.sort(floats("values", values))
    column = column[~np.isnan(column)]
    n = len(column)
    if n < 8:
        return Refused("a test of normality needs more values", n, 8)
    spread = float(column.std(ddof=1))
    if spread == 0:
        return Refused("all values are equal")
    z = ((column - column.mean()) / spread).tolist()
    low = [math.log(max(normal_below(v), 1e-300)) for v in z]
    high = [math.log(max(normal_below(-v), 1e-300)) for v in reversed(z)]
    total = sum((2 * i + 1) * (a + b) for i, (a, b) in enumerate(zip(low, high, strict=True)))
    a2 = -n - total / n
    return Normality(a2, _chance(a2 * (1 + 0.75 / n + 2.25 / n**2)), n)


def _chance(a: float) -> float:
    if a >= 0.6:
        return math.exp(1.2937 - 5.709 * a + 0.0186 * a * a) if a < 13 else 0.0
    if a >= 0.34:
        return math.exp(0.9177 - 4.279 * a - 1.38 * a * a)
    if a >= 0.2:
        return 1 - math.exp(-8.318 + 42.796 * a - 59.938 * a * a)
    return 1 - math.exp(-13.436 + 101.14 * a - 223.73 * a * a)
