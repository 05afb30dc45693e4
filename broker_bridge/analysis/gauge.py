"""Gauge repeatability and reproducibility: average and range method, and analysis of variance.

AIAG, Measurement Systems Analysis, 4th edition, chapter III section B. The two methods can give different categories on
the same data; the result says which was used.
"""

import math
from typing import Any, Final

import numpy as np

from broker_bridge.analysis.chart_constants import constants, pooled_range_divisor
from broker_bridge.analysis.columns import Floats, floats
from broker_bridge.analysis.distributions import chi_square_quantile, f_above
from broker_bridge.analysis.intervals import LEVEL, Interval, Refused
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value

POOLED_ABOVE: Final = 0.25
"""An interaction with a p above it is pooled with repeatability (AIAG)."""


class Source(Value):
    """One source of variation."""

    variance: float
    sd: float
    percent_study: float
    """100 * sd / total sd; these do not add up to 100."""
    percent_contribution: float
    """100 * variance / total variance."""


class AnovaRow(Value):
    """A row of the analysis of variance. F is over the error, as AIAG prints it; and over the interaction."""

    source: str
    sum_of_squares: float
    freedom: int
    mean_square: float
    f: float | None
    p: float | None
    f_interaction: float | None
    """The right one for appraisers and parts that stand for others, while the interaction is not pooled."""
    p_interaction: float | None


class GaugeStudy(Value):
    """Result of a study; sources by name: repeatability, reproducibility, gauge, part, total (and its pieces)."""

    method: str
    appraisers: int
    parts: int
    trials: int
    sources: dict[str, Source]
    distinct_categories: int
    """floor(1.41 * part sd / gauge sd); AIAG asks for 5."""
    judgement: str
    """AIAG's bands of the gauge's percent of study variation: below 10, 10 to 30, above 30."""
    repeatability: Interval | None
    """Of its sd; None: the method gives none."""
    gauge: Interval | None
    """Of its sd, by Satterthwaite's approximation."""
    anova: tuple[AnovaRow, ...]
    pooled: bool
    out_of_control: tuple[tuple[int, int], ...]
    """Appraiser and part (from 0) whose range is beyond its limit: measure again before using the study."""
    percent_tolerance: float | None
    """600 * gauge sd / tolerance."""


def _study(
    method: str, table: Floats, variances: dict[str, float], tolerance: float | None, **more: Any
) -> GaugeStudy | Refused:
    total = variances["total"]
    if total <= 0:
        return Refused("the values do not vary: the gauge does not resolve anything")
    sources = {
        name: Source(v, math.sqrt(v), 100 * math.sqrt(v / total), 100 * v / total)
        for name, v in variances.items()
    }
    gauge, part = sources["gauge"], sources["part"]
    percent = gauge.percent_study
    band = (
        "good"
        if percent < 10
        else "may be acceptable, depending on use"
        if percent <= 30
        else "not acceptable"
    )
    # Without any gauge variation every part is its own category.
    categories = math.floor(1.41 * part.sd / gauge.sd) if gauge.sd else table.shape[1]
    ranges = np.ptp(table, axis=2)
    limit = constants(table.shape[2]).D4 * float(ranges.mean())
    beyond = tuple((int(a), int(p)) for a, p in np.argwhere(ranges > limit))
    return GaugeStudy(
        method, table.shape[0], table.shape[1], table.shape[2], sources=sources, distinct_categories=categories, judgement=band,
        out_of_control=beyond, percent_tolerance=600 * gauge.sd / tolerance if tolerance else None, **more,
    )  # fmt: skip


def _table(values: Any) -> Floats | Refused:
    table = floats("values", values)
    if table.ndim != 3:
        raise UsageError(f"values have to be appraisers x parts x trials, they have {table.ndim} dimensions")
    if np.isnan(table).any():
        return Refused("a measurement is missing: the study has to be complete")
    for size, name in zip(table.shape, ("appraisers", "parts", "trials"), strict=True):
        if size < 2:
            return Refused(f"the study needs two {name} or more", size, 2)
    return table


def average_and_range(values: Any, *, tolerance: float | None = None) -> GaugeStudy | Refused:
    """The average and range method on appraisers x parts x trials."""
    table = _table(values)
    if isinstance(table, Refused):
        return table
    appraisers, parts, trials = table.shape
    repeat = float(np.ptp(table, axis=2).mean()) / constants(trials).d2
    spread = float(np.ptp(table.mean(axis=(1, 2)))) / pooled_range_divisor(appraisers)
    appraiser = max(0.0, spread**2 - repeat**2 / (parts * trials))
    part = (float(np.ptp(table.mean(axis=(0, 2)))) / pooled_range_divisor(parts)) ** 2
    variances = {
        "repeatability": repeat**2, "reproducibility": appraiser, "gauge": repeat**2 + appraiser,
        "part": part, "total": repeat**2 + appraiser + part,
    }  # fmt: skip
    return _study(
        "average and range", table, variances, tolerance, repeatability=None, gauge=None, anova=(), pooled=False
    )  # fmt: skip


def analysis_of_variance(
    values: Any, *, tolerance: float | None = None, pool_above: float = POOLED_ABOVE, level: float = LEVEL
) -> GaugeStudy | Refused:
    """Two-way analysis of variance with interaction, all effects random, on appraisers x parts x trials."""
    table = _table(values)
    if isinstance(table, Refused):
        return table
    a, p, t = table.shape
    grand = table.mean()
    by_a, by_p, cells = table.mean(axis=(1, 2)), table.mean(axis=(0, 2)), table.mean(axis=2)
    sums = {
        "appraiser": float(p * t * ((by_a - grand) ** 2).sum()),
        "part": float(a * t * ((by_p - grand) ** 2).sum()),
        "interaction": float(t * ((cells - by_a[:, None] - by_p[None, :] + grand) ** 2).sum()),
        "error": float(((table - cells[:, :, None]) ** 2).sum()),
    }
    degrees = {"appraiser": a - 1, "part": p - 1, "interaction": (a - 1) * (p - 1), "error": a * p * (t - 1)}
    square = {name: sums[name] / degrees[name] for name in sums}
    if square["error"] == 0:
        return Refused("repeated measurements never differ: the gauge does not resolve its own variation")
    rows = []
    for name in sums:
        f = square[name] / square["error"] if name != "error" else None
        over = (
            square[name] / square["interaction"]
            if name in ("appraiser", "part") and square["interaction"]
            else None
        )
        rows.append(
            AnovaRow(
                name, sums[name], degrees[name], square[name],
                f, None if f is None else f_above(f, degrees[name], degrees["error"]),
                over, None if over is None else f_above(over, degrees[name], degrees["interaction"]),
            )
        )  # fmt: skip
    pooled = (rows[2].p or 0.0) > pool_above
    if pooled:
        freedom = degrees["interaction"] + degrees["error"]
        repeat = inner = (sums["interaction"] + sums["error"]) / freedom
        between, inner_freedom = 0.0, freedom
    else:
        freedom, repeat, inner = degrees["error"], square["error"], square["interaction"]
        between, inner_freedom = max(0.0, (inner - repeat) / t), degrees["interaction"]
    appraiser = max(0.0, (square["appraiser"] - inner) / (p * t))
    part = max(0.0, (square["part"] - inner) / (a * t))
    gauge = repeat + between + appraiser
    variances = {
        "repeatability": repeat, "appraiser": appraiser, "interaction": between,
        "reproducibility": appraiser + between, "gauge": gauge, "part": part, "total": gauge + part,
    }  # fmt: skip
    pieces = [(square["appraiser"] / (p * t), degrees["appraiser"])]
    if pooled:
        pieces.append((repeat * (1 - 1 / (p * t)), freedom))
    else:
        pieces += [(inner * (1 / t - 1 / (p * t)), inner_freedom), (repeat * (1 - 1 / t), freedom)]
    satterthwaite = sum(v for v, _ in pieces) ** 2 / sum(v * v / d for v, d in pieces)
    return _study(
        "analysis of variance", table, variances, tolerance,
        repeatability=_sd_interval(repeat, freedom, level, "chi-square"),
        gauge=_sd_interval(gauge, satterthwaite, level, "Satterthwaite"), anova=tuple(rows), pooled=pooled,
    )  # fmt: skip


def _sd_interval(variance: float, freedom: float, level: float, method: str) -> Interval:
    tail = (1 - level) / 2
    low, high = (math.sqrt(variance * freedom / chi_square_quantile(p, freedom)) for p in (1 - tail, tail))
    return Interval(low, high, level, method)
