"""The stencil over its life: wear, and what cleaning does."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from broker_bridge.analysis.columns import Key, Numbers, floats, named, same_length
from broker_bridge.analysis.distributions import student_above, student_quantile
from broker_bridge.analysis.intervals import LEVEL, Interval, Mean, Refused, mean
from broker_bridge.trace.value import Value

LEAST_CLEANINGS: Final = 5


class Wear(Value):
    """A straight line of transfer over the prints a stencil has seen."""

    per_thousand_prints: float
    interval: Interval
    p: float
    of: int
    """Means of prints it comes from."""
    certain: bool
    """The interval leaves out zero."""


def wear(
    transfer: Numbers, prints_seen: Numbers, *, void: Sequence[bool] | None = None, level: float = LEVEL
) -> Wear | Refused:
    """How a stencil's transfer (one value a print, its median pad, say) changes with the prints it has seen.

    The line goes through means of ten prints each, because neighbours depend on each other.
    """
    y, x = floats("transfer", transfer), floats("prints_seen", prints_seen)
    same_length(transfer=y, prints_seen=x, void=void)
    kept = ~(np.isnan(x) | np.isnan(y)) & ~np.asarray(void if void is not None else np.zeros(len(x)), bool)
    order = np.argsort(x[kept], kind="stable")
    x, y = x[kept][order], y[kept][order]
    blocks = len(x) // 10
    if blocks < 5:
        return Refused("too few prints for wear", len(x), 50)
    x, y = (c[len(c) - blocks * 10 :].reshape(blocks, 10).mean(axis=1) for c in (x, y))
    apart = x - x.mean()
    spread = float(apart @ apart)
    if spread == 0:
        return Refused("all prints have the same count")
    slope = float(apart @ y) / spread
    left = y - y.mean() - slope * apart
    error = float(np.sqrt(left @ left / (blocks - 2) / spread))
    half = student_quantile(0.5 + level / 2, blocks - 2) * error
    p = 2 * student_above(abs(slope) / error, blocks - 2) if error else float(slope == 0)
    interval = Interval(1000 * (slope - half), 1000 * (slope + half), level, "Student")
    return Wear(1000 * slope, interval, p, blocks, not interval.low <= 0 <= interval.high)


class Cleaning(Value):
    """Print values after cleaning minus before, each cleaning its own pair."""

    difference: Mean | Refused
    cleanings: tuple[Key, ...]
    """Those with prints on both sides."""
    left_out: tuple[Key, ...]
    certain: bool


def cleaning_effect(
    values: Numbers,
    cleaned_before: Sequence[bool],
    *,
    keys: Sequence[Key] | None = None,
    void: Sequence[bool] | None = None,
    reach: int = 3,
    level: float = LEVEL,
) -> Cleaning | Refused:
    """What cleaning does: the mean of up to `reach` prints after it minus that of as many before.

    Prints are in order; `cleaned_before` marks the first print after a cleaning, and its key names it. Prints between two
    cleanings belong to one of them only: the nearer.
    """
    column = floats("values", values)
    same_length(values=column, cleaned_before=cleaned_before, keys=keys, void=void)
    rows = named(keys, len(column))
    column = np.where(np.asarray(void if void is not None else np.zeros(len(column)), bool), np.nan, column)
    starts = [i for i, marked in enumerate(cleaned_before) if marked]
    differences, used, left = [], [], []
    for place, start in enumerate(starts):
        floor = (starts[place - 1] + start + 1) // 2 if place else 0
        roof = (start + starts[place + 1] + 1) // 2 if place + 1 < len(starts) else len(column)
        before, after = column[max(floor, start - reach) : start], column[start : min(roof, start + reach)]
        before, after = before[~np.isnan(before)], after[~np.isnan(after)]
        if len(before) and len(after):
            differences.append(float(after.mean() - before.mean()))
            used.append(rows[start])
        else:
            left.append(rows[start])
    if len(differences) < LEAST_CLEANINGS:
        return Refused("too few cleanings with prints before and after", len(differences), LEAST_CLEANINGS)
    found = mean(np.asarray(differences), level)
    certain = isinstance(found, Mean) and not found.interval.low <= 0 <= found.interval.high
    return Cleaning(found, tuple(used), tuple(left), certain)
