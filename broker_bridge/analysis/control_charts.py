"""Shewhart's control charts: individuals and moving range, means, ranges, deviations, shares, counts.

Limits are three sigma from the centre and come from a baseline, phase by phase; points outside the baseline are judged by
it. A chart says what it thinks of its own ground: few points, neighbours that depend on each other.
"""

import math
from collections.abc import Hashable, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from broker_bridge.analysis.chart_constants import constants
from broker_bridge.analysis.columns import Floats, Key, Numbers, floats, named, same_length
from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.run_rules import LIMITS, RULES, WESTERN_ELECTRIC, hits
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value

LEAST: Final = 5
"""Baseline points below which no limits are told; our choice. 20 to 25 are common practice, no source."""
SETTLED: Final = 20


class Phase(Value):
    """A stretch with limits of its own."""

    name: Hashable
    centre: float
    sigma: float
    """Of a single value where the chart has one, else of the plotted points; for unequal sizes that of the mean size."""
    baseline: int
    """Points the limits come from."""


class Signal(Value):
    """A run rule fires."""

    rule: str
    meaning: str
    place: int
    """Of the newest point, from 0."""
    key: Key
    members: tuple[Key, ...]
    """The points of the window, oldest first."""


class Chart(Value):
    """One chart; columns have one entry a point, None where nothing was measured."""

    kind: str
    keys: tuple[Key, ...]
    points: tuple[float | None, ...]
    centre: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    phases: tuple[Phase, ...]
    signals: tuple[Signal, ...]
    remarks: tuple[str, ...]

    @property
    def beyond(self) -> tuple[Key, ...]:
        """The points outside the limits."""
        return tuple(signal.key for signal in self.signals if RULES[signal.rule][0] == 1)


class _Ground:
    """Rows, their phases and what of them is the baseline."""

    def __init__(
        self, points: Floats, keys: Sequence[Key] | None,
        phases: Sequence[Hashable] | None, baseline: Sequence[bool] | None,
    ) -> None:  # fmt: skip
        same_length(points=points, keys=keys, phases=phases, baseline=baseline)
        self.points, self.keys = points, named(keys, len(points))
        labels = [None] * len(points) if phases is None else list(phases)
        self.names = list(dict.fromkeys(labels))
        self.phase = np.asarray([self.names.index(label) for label in labels], dtype=np.intp)
        if (np.diff(self.phase) < 0).any():
            raise UsageError(
                "a phase has to be one stretch of points; give what comes back a name of its own"
            )
        self.base = np.ones(len(points), bool) if baseline is None else np.asarray(baseline, bool)
        self.base &= ~np.isnan(points)

    def rows(self, number: int) -> NDArray[np.intp]:
        return np.flatnonzero(self.phase == number)

    def refused(self, least: int = LEAST) -> Refused | None:
        for number, name in enumerate(self.names):
            have = int(self.base[self.rows(number)].sum())
            if have < least:
                where = "" if name is None else f" of phase {name}"
                return Refused(f"the baseline{where} is too short for limits", have, least)
        return None if self.names else Refused("there are no points", 0, least)

    def chart(
        self, kind: str, centre: Floats, sigma: Floats, phases: Sequence[Phase], rules: Sequence[str],
        *, floor: float = -math.inf, ceiling: float = math.inf, limits: tuple[Floats, Floats] | None = None,
        remarks: Sequence[str] = (),
    ) -> Chart:  # fmt: skip
        lower, upper = limits or (centre - 3 * sigma, centre + 3 * sigma)
        with np.errstate(invalid="ignore", divide="ignore"):
            z = (self.points - centre) / sigma
        # Without spread every other value is beyond, and the centre itself is on it.
        z = np.where(sigma > 0, z, np.sign(self.points - centre) * 1e9)
        if limits is not None:
            z = np.where(self.points > upper, np.maximum(z, 3.1), np.minimum(z, 3.0))
            z = np.where(self.points < lower, np.minimum(z, -3.1), np.maximum(z, -3.0))
            z[np.isnan(self.points)] = np.nan
        signals = []
        for number in range(len(self.names)):
            rows = self.rows(number)
            for hit in hits(z[rows], rules):
                window = rows[hit.place + 1 - hit.window : hit.place + 1]
                place = int(rows[hit.place])
                members = tuple(self.keys[row] for row in window)
                signals.append(Signal(hit.rule, RULES[hit.rule][2], place, self.keys[place], members))
        provisional = [
            f"limits from {phase.baseline} points are provisional; {SETTLED} or more are usual"
            for phase in phases
            if phase.baseline < SETTLED
        ]
        return Chart(
            kind, self.keys, tuple(None if math.isnan(v) else v for v in self.points.tolist()),
            tuple(centre.tolist()), tuple(np.maximum(lower, floor).tolist()),
            tuple(np.minimum(upper, ceiling).tolist()), tuple(phases),
            tuple(sorted(signals, key=lambda s: s.place)), (*provisional, *remarks),
        )  # fmt: skip


def autocorrelation(values: Numbers) -> tuple[float, bool] | Refused:
    """Correlation of neighbours (lag 1), and whether it is more than chance gives in 5 % of independent series.

    Where it is, a chart's false alarms are more frequent, or rarer, than its rules promise.
    """
    points = floats("values", values)
    points = points[~np.isnan(points)]
    if len(points) < 8:
        return Refused("correlation of neighbours needs more points", len(points), 8)
    apart = points - points.mean()
    total = float((apart**2).sum())
    r = float((apart[1:] * apart[:-1]).sum()) / total if total else 0.0
    return r, abs(r) > 1.96 / math.sqrt(len(points))


def _neighbours(values: Floats) -> list[str]:
    found = autocorrelation(values)
    if isinstance(found, Refused) or not found[1]:
        return []
    return [f"neighbouring points depend on each other (lag-1 correlation {found[0]:.2f}): rules mislead"]


def individuals(
    values: Numbers,
    *,
    keys: Sequence[Key] | None = None,
    phases: Sequence[Hashable] | None = None,
    baseline: Sequence[bool] | None = None,
    rules: Sequence[str] = WESTERN_ELECTRIC,
    places: int | None = None,
) -> tuple[Chart, Chart] | Refused:
    """Individuals and moving ranges. Sigma is the mean moving range over d2(2).

    A moving range needs two neighbours of one phase, both measured; the first of a phase has none. `places` rounds the
    constants as printed tables do. On the chart of ranges only the limits are a rule.
    """
    ground = _Ground(floats("values", values), keys, phases, baseline)
    if (refused := ground.refused()) is not None:
        return refused
    n, c = len(ground.points), constants(2, places)
    centre, sigma, ranges = np.empty(n), np.empty(n), np.full(n, np.nan)
    told: list[Phase] = []
    for number, name in enumerate(ground.names):
        rows = ground.rows(number)
        ranges[rows[1:]] = np.abs(np.diff(ground.points[rows]))
        known = ground.base[rows]
        both = np.concatenate([[False], known[1:] & known[:-1]])
        if not both.any():
            return Refused("the baseline has no two neighbours: no moving range", 0, 1)
        centre[rows] = ground.points[rows][known].mean()
        sigma[rows] = ranges[rows][both].mean() / c.d2
        told.append(Phase(name, float(centre[rows[0]]), float(sigma[rows[0]]), int(known.sum())))
    mean_range = sigma * c.d2
    first = ground.chart("individuals", centre, sigma, told, rules, remarks=_neighbours(ground.points))
    spans = _Ground(ranges, ground.keys, phases, baseline)
    second = spans.chart(
        "moving range", mean_range, sigma * c.d3, [p._replace(centre=p.sigma * c.d2) for p in told], LIMITS,
        limits=(mean_range * c.D3, mean_range * c.D4),
    )  # fmt: skip
    return first, second


def _spread_chart(
    subgroups: Any, statistic: str, keys: Sequence[Key] | None, phases: Sequence[Hashable] | None,
    baseline: Sequence[bool] | None, rules: Sequence[str], places: int | None,
) -> tuple[Chart, Chart] | Refused:  # fmt: skip
    try:
        table = np.asarray(subgroups, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise UsageError(f"subgroups have to be numbers and of one size: {error}") from error
    if table.ndim != 2 or np.isinf(table).any():
        raise UsageError("subgroups have to be rows of one size with finite numbers")
    c = constants(table.shape[1], places)
    spread = np.ptp(table, axis=1) if statistic == "R" else table.std(axis=1, ddof=1)
    means = _Ground(table.mean(axis=1), keys, phases, baseline)
    spreads = _Ground(spread, keys, phases, baseline)
    if (refused := means.refused()) is not None:
        return refused
    centre, average = np.empty(len(table)), np.empty(len(table))
    told: list[Phase] = []
    for number, name in enumerate(means.names):
        rows = means.rows(number)
        base = rows[means.base[rows]]
        centre[rows], average[rows] = means.points[base].mean(), spread[base].mean()
        sigma = float(average[rows[0]]) / (c.d2 if statistic == "R" else c.c4)
        told.append(Phase(name, float(centre[rows[0]]), sigma, len(base)))
    half = average * (c.A2 if statistic == "R" else c.A3)
    first = means.chart("X-bar", centre, half / 3, told, rules, remarks=_neighbours(means.points))
    low, high = (c.D3, c.D4) if statistic == "R" else (c.B3, c.B4)
    spoken = [p._replace(centre=float(average[means.rows(i)[0]])) for i, p in enumerate(told)]
    second = spreads.chart(
        statistic, average, average * (high - 1) / 3, spoken, LIMITS, limits=(average * low, average * high)
    )
    return first, second


def x_bar_r(
    subgroups: Any, *, keys: Sequence[Key] | None = None, phases: Sequence[Hashable] | None = None,
    baseline: Sequence[bool] | None = None, rules: Sequence[str] = WESTERN_ELECTRIC,
    places: int | None = None,
) -> tuple[Chart, Chart] | Refused:  # fmt: skip
    """Means and ranges of subgroups of one size, a row each. A subgroup with a missing value is a missing point."""
    return _spread_chart(subgroups, "R", keys, phases, baseline, rules, places)


def x_bar_s(
    subgroups: Any, *, keys: Sequence[Key] | None = None, phases: Sequence[Hashable] | None = None,
    baseline: Sequence[bool] | None = None, rules: Sequence[str] = WESTERN_ELECTRIC,
    places: int | None = None,
) -> tuple[Chart, Chart] | Refused:  # fmt: skip
    """Means and standard deviations of subgroups of one size, a row each."""
    return _spread_chart(subgroups, "S", keys, phases, baseline, rules, places)


def attribute_chart(
    kind: str,
    counts: Numbers,
    sizes: Numbers | float = 1.0,
    *,
    keys: Sequence[Key] | None = None,
    phases: Sequence[Hashable] | None = None,
    baseline: Sequence[bool] | None = None,
    rules: Sequence[str] = WESTERN_ELECTRIC,
) -> Chart | Refused:
    """p (defective of n), np (the same as a count), c (defects), u (defects per size).

    p and u take a size for each point and have limits for each; np and c take one size, and raise UsageError for more.
    Sizes need not be whole for u.
    """
    number = floats("counts", counts)
    size = np.full(len(number), sizes) if isinstance(sizes, int | float) else floats("sizes", sizes)
    same_length(counts=number, sizes=size)
    if kind not in ("p", "np", "c", "u"):
        raise UsageError(f"there is no attribute chart {kind!r}; there are p, np, c, u")
    if (number < 0).any() or not (size > 0).all():
        raise UsageError("counts have to be zero or more, sizes above zero")
    if kind in ("np", "c") and len(set(size.tolist())) > 1:
        raise UsageError(f"chart {kind} needs one size; for several take {'p' if kind == 'np' else 'u'}")
    if kind in ("p", "np") and (number > size).any():
        raise UsageError("more defective than inspected")
    plotted = number / size if kind in ("p", "u") else number
    ground = _Ground(plotted, keys, phases, baseline)
    if (refused := ground.refused()) is not None:
        return refused
    centre, sigma = np.empty(len(number)), np.empty(len(number))
    told: list[Phase] = []
    for place, name in enumerate(ground.names):
        rows = ground.rows(place)
        base = rows[ground.base[rows]]
        if kind == "c":
            middle = float(number[base].mean())
            spread = np.full(len(rows), math.sqrt(middle))
        else:
            share = float(number[base].sum() / size[base].sum())
            variance = share if kind == "u" else share * (1 - share)
            middle = share * float(size[rows[0]]) if kind == "np" else share
            spread = np.sqrt(variance * size[rows] if kind == "np" else variance / size[rows])
        centre[rows], sigma[rows] = middle, spread
        told.append(Phase(name, middle, float(np.mean(spread)), len(base)))
    ceiling = {"p": 1.0, "np": float(size.max(initial=0))}.get(kind, math.inf)
    return ground.chart(
        kind, centre, sigma, told, rules, floor=0.0, ceiling=ceiling, remarks=_neighbours(plotted)
    )
