"""Paste, pad by pad, over many prints: where it lies, what it does with stroke and time, which aperture wears.

Tables are prints x pads, prints in order of time; not-a-number is not measured. Washed prints are void: they are in no
number and are counted apart.
"""

import math
from collections.abc import Hashable, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from broker_bridge.analysis.columns import Floats, Key, chosen, floats, named, same_length
from broker_bridge.analysis.comparisons import holm
from broker_bridge.analysis.distributions import student_above, student_quantile
from broker_bridge.analysis.intervals import LEVEL, Interval, Refused
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value

LEAST: Final = 20
"""Prints below which no drift is told; our choice."""


class PadStatistics(Value):
    """Columns with one entry a pad, None where nothing was measured."""

    pads: tuple[Key, ...]
    measured: tuple[int, ...]
    """Prints with a value: the denominator."""
    mean: tuple[float | None, ...]
    sd: tuple[float | None, ...]
    """Sample standard deviation; None below two values."""
    half_width: tuple[float | None, ...]
    """Of the mean's interval at `level` (Student)."""
    lowest: tuple[float | None, ...]
    highest: tuple[float | None, ...]
    below: tuple[int, ...]
    above: tuple[int, ...]
    """Values outside the limits in force; on a limit is inside."""
    level: float
    prints: tuple[Key, ...]
    void: tuple[Key, ...]
    """Washed prints, left out."""


def _prints(
    values: Any, pads: Sequence[Key] | None, prints: Sequence[Key] | None, void: Sequence[bool] | None
) -> tuple[Floats, tuple[Key, ...], tuple[Key, ...], tuple[Key, ...], NDArray[np.bool_]]:
    table = floats("values", values)
    if table.ndim != 2:
        raise UsageError(f"values have to be prints x pads, they have {table.ndim} dimensions")
    washed = np.zeros(len(table), bool) if void is None else np.asarray(void, bool)
    same_length(values=table, void=washed, prints=prints)
    keys = named(prints, len(table))
    names = named(pads, table.shape[1])
    kept = table[~washed] if washed.any() else table
    return kept, names, chosen(keys, ~washed), chosen(keys, washed), ~washed


def pad_statistics(
    values: Any,
    *,
    pads: Sequence[Key] | None = None,
    prints: Sequence[Key] | None = None,
    void: Sequence[bool] | None = None,
    lower: Any = -math.inf,
    upper: Any = math.inf,
    level: float = LEVEL,
) -> PadStatistics:
    """Statistics of every pad. Limits are one number, a row (one a pad) or a table (those in force at each print)."""
    table, names, kept, washed, rows = _prints(values, pads, prints, void)
    known = ~np.isnan(table)
    n = known.sum(axis=0)
    filled = np.where(known, table, 0.0)
    safe = np.maximum(n, 1)
    mean = filled.sum(axis=0) / safe
    filled -= mean
    filled *= known
    sd = np.sqrt(np.einsum("ij,ij->j", filled, filled) / np.maximum(n - 1, 1))
    quantile = {int(k): student_quantile(0.5 + level / 2, int(k) - 1) for k in np.unique(n) if k > 1}
    half = sd / np.sqrt(safe) * np.asarray([quantile.get(int(k), np.nan) for k in n])
    low, high = (_limits(limit, rows) for limit in (lower, upper))
    return PadStatistics(
        names, tuple(n.tolist()), _told(mean, n > 0), _told(sd, n > 1), _told(half, n > 1),
        _told(np.where(known, table, math.inf).min(axis=0, initial=math.inf), n > 0),
        _told(np.where(known, table, -math.inf).max(axis=0, initial=-math.inf), n > 0),
        tuple((table < low).sum(axis=0).tolist()), tuple((table > high).sum(axis=0).tolist()),
        level, kept, washed,
    )  # fmt: skip


def _limits(limit: Any, rows: NDArray[np.bool_]) -> Floats:
    column = np.asarray(limit, dtype=np.float64)
    return np.asarray(column[rows]) if column.ndim == 2 else column


def _told(column: Floats, known: NDArray[np.bool_]) -> tuple[float | None, ...]:
    return tuple(v if k else None for v, k in zip(column.tolist(), known.tolist(), strict=True))


def by_component(values: Any, components: Sequence[Key]) -> tuple[Floats, tuple[Key, ...]]:
    """Means over each component's pads, prints x components; not-a-number where one of its pads was not measured.

    Hand the result to the other functions to speak of components instead of pads.
    """
    table = floats("values", values)
    same_length(values=table.T, components=components)
    names = tuple(dict.fromkeys(components))
    place = {name: index for index, name in enumerate(names)}
    member = np.zeros((len(components), len(names)))
    for row, name in enumerate(components):
        member[row, place[name]] = 1
    missing = np.isnan(table)
    means = np.where(missing, 0.0, table) @ (member / member.sum(axis=0))
    means[missing @ member > 0] = np.nan
    return means, names


class Change(Value):
    """Something that differs or changes at a pad."""

    pad: Key
    value: float
    """The difference, or the change per print."""
    interval: Interval
    p: float
    """Adjusted for all pads together (Holm)."""
    prints_to_limit: float | None = None
    """At this pace, from the last print on; None: it moves towards no limit."""
    soonest: float | None = None
    """The same at the fast end of the interval."""


class Changes(Value):
    """The pads that change, surest first; all others show no more than chance."""

    found: tuple[Change, ...]
    tested: int
    too_few: tuple[Key, ...]
    """Pads with too few values to tell."""
    false_alarms: float
    """The chance that anything is found where nothing changes."""
    void: tuple[Key, ...]


def stroke_difference(
    values: Any,
    strokes: Sequence[Hashable],
    *,
    pads: Sequence[Key] | None = None,
    void: Sequence[bool] | None = None,
    alpha: float = 0.05,
) -> Changes | Refused:
    """Pads that get other paste on one stroke direction than on the other: first direction minus second (Welch's test).

    The directions are the two values of `strokes` in order of their names. A print without a direction (None) is left out.
    """
    table, names, _, washed, rows = _prints(values, pads, None, void)
    same_length(values=rows, strokes=strokes)
    kept = [stroke for stroke, row in zip(strokes, rows, strict=True) if row]
    directions = sorted({s for s in kept if s is not None}, key=str)
    if len(directions) != 2:
        return Refused("the directions to compare are not two", len(directions), 2)
    sides = [table[[s == d for s in kept]] for d in directions]
    n = [(~np.isnan(side)).sum(axis=0) for side in sides]
    enough = (n[0] >= 5) & (n[1] >= 5)
    if not enough.any():
        return Refused("too few prints of each direction", int(np.minimum(*n).max(initial=0)), 5)
    sides = [side[:, enough] for side in sides]
    means = [np.nanmean(side, axis=0) for side in sides]
    parts = [np.nanvar(side, axis=0, ddof=1) / k[enough] for side, k in zip(sides, n, strict=True)]
    total = parts[0] + parts[1]
    inverse = sum(np.divide(part**2, k[enough] - 1) for part, k in zip(parts, n, strict=True))
    with np.errstate(invalid="ignore", divide="ignore"):
        freedom = np.where(total > 0, total**2 / inverse, 1.0)
    return _changes(means[0] - means[1], np.sqrt(total), freedom, names, enough, washed, alpha)


def _changes(
    value: Floats, error: Floats, freedom: Floats, names: Sequence[Key], enough: NDArray[np.bool_],
    void: tuple[Key, ...], alpha: float,
) -> Changes:  # fmt: skip
    tested = chosen(names, enough)
    with np.errstate(invalid="ignore", divide="ignore"):
        t = np.where(error > 0, np.abs(value) / error, np.where(value != 0, np.inf, 0.0))
    # Only pads that could pass the first of Holm's steps are worth an exact p; the others stay in the count.
    p = np.ones(len(t))
    for place in np.flatnonzero(t > 2):
        p[place] = min(1.0, 2 * student_above(float(t[place]), float(freedom[place])))
    adjusted = holm(p.tolist())
    found = [
        Change(
            tested[i], float(value[i]), _around(float(value[i]), float(error[i]), float(freedom[i]), 1 - alpha),
            adjusted[i],
        )
        for i in range(len(tested))
        if adjusted[i] < alpha
    ]  # fmt: skip
    order = {pad: i for i, pad in enumerate(tested)}
    found.sort(key=lambda change: (change.p, -t[order[change.pad]]))
    return Changes(tuple(found), len(tested), chosen(names, ~enough), alpha, void)


def _around(value: float, error: float, freedom: float, level: float) -> Interval:
    half = student_quantile(0.5 + level / 2, freedom) * error
    return Interval(value - half, value + half, level, "Student")


def drift(
    values: Any,
    *,
    pads: Sequence[Key] | None = None,
    void: Sequence[bool] | None = None,
    lower: Any = None,
    upper: Any = None,
    relative: bool = False,
    alpha: float = 0.05,
) -> Changes | Refused:
    """Pads whose paste drifts, and in how many prints a limit breaks if it goes on so: a straight line a pad.

    `relative`: each value is taken as a share of its print's median pad first, so that what moves all pads (paste, printer)
    falls out and a single worn or clogging aperture is left. Means of five prints are tested, not single ones: neighbours
    depend on each other. The forecast is a straight line's; it is no promise.
    """
    table, names, _, washed, rows = _prints(values, pads, None, void)
    if len(table) < LEAST:
        return Refused("too few prints for a drift", len(table), LEAST)
    if relative:
        if lower is not None or upper is not None:
            raise UsageError("limits are for measured values; a relative drift has none")
        with np.errstate(invalid="ignore"):
            table = table / _row_median(table)[:, None]
    blocks = len(table) // 5
    cut = table[len(table) - blocks * 5 :].reshape(blocks, 5, -1)
    means = cut.mean(axis=1)  # a block with a missing value has no mean
    when = np.arange(blocks) * 5.0 + 2 + len(table) - blocks * 5
    known = np.asarray(~np.isnan(means))
    n = known.sum(axis=0)
    enough = np.asarray(n >= 4)
    if not enough.any():
        return Refused("no pad has enough values", int(n.max(initial=0)), 4)
    means, known, n = means[:, enough], known[:, enough], n[enough]
    x = np.where(known, when[:, None], 0.0)
    centre = x.sum(axis=0) / n
    x = np.where(known, x - centre, 0.0)
    middle = np.where(known, means, 0.0).sum(axis=0) / n
    y = np.where(known, means - middle, 0.0)
    spread = np.einsum("ij,ij->j", x, x)
    slope = np.einsum("ij,ij->j", x, y) / spread
    left = np.einsum("ij,ij->j", y - slope * x, y - slope * x) / (n - 2)
    changes = _changes(
        slope, np.sqrt(left / spread), (n - 2).astype(np.float64), names, enough, washed, alpha
    )
    latest = middle + slope * (len(table) - 1 - centre)
    now = dict(zip(chosen(names, enough), latest.tolist(), strict=True))
    low, high = (_last_limit(limit, rows, names) for limit in (lower, upper))
    return changes._replace(found=tuple(_forecast(c, now[c.pad], low, high) for c in changes.found))


def _row_median(table: Floats) -> Floats:
    if np.isnan(table).any():
        return np.asarray(
            np.nanmedian(np.where(np.asarray(np.isnan(table).all(axis=1))[:, None], 1.0, table), axis=1)
        )
    return np.asarray(np.median(table, axis=1))


def _last_limit(limit: Any, rows: NDArray[np.bool_], names: Sequence[Key]) -> dict[Key, float]:
    if limit is None:
        return {}
    column = _limits(limit, rows)
    column = column[-1] if column.ndim == 2 else np.broadcast_to(column, len(names))
    return dict(zip(names, column.tolist(), strict=True))


def _forecast(change: Change, now: float, lower: dict[Key, float], upper: dict[Key, float]) -> Change:
    limit = (upper if change.value > 0 else lower).get(change.pad)
    if limit is None:
        return change
    gap = max(0.0, (limit - now) * math.copysign(1, change.value))
    fastest = change.interval.high if change.value > 0 else -change.interval.low
    return change._replace(prints_to_limit=gap / abs(change.value), soonest=gap / fastest)
