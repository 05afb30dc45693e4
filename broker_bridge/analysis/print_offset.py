"""Where a print lies: the pads' offsets resolved into shift, rotation and stretch of the whole print.

Weighted least squares with Tukey's bisquare weights, so that a few smeared pads do not turn the print. What comes out is
advice for a person who aligns a printer; nothing here is sent to a machine.
"""

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np

from broker_bridge.analysis.columns import Floats, Key, Numbers, chosen, floats, named, same_length
from broker_bridge.analysis.distributions import student_quantile
from broker_bridge.analysis.intervals import LEVEL, Interval, Refused
from broker_bridge.errors import UsageError
from broker_bridge.trace.value import Value

LEAST: Final = 8
"""Pads below which nothing is resolved: five numbers are sought from two values a pad, and some may be outliers."""
_BISQUARE: Final = 4.685
"""Tukey's constant: 95 % as good as plain least squares where there are no outliers."""


class Part(Value):
    """One number of the resolution."""

    value: float
    interval: Interval


class PrintOffset(Value):
    """The offset of a whole print: dx = shift_x - rotation * (y - cy) + stretch_x * (x - cx), dy likewise.

    Shifts in the unit of the offsets, rotation in that unit per unit of position (rad where they are the same),
    counterclockwise; stretches likewise (0.001 is 1000 ppm).
    """

    shift_x: Part
    shift_y: Part
    rotation: Part
    stretch_x: Part | None
    """None: the pads do not spread in this direction."""
    stretch_y: Part | None
    centre: tuple[float, float]
    """The point the shift is told for."""
    pads: int
    """With a part in it."""
    left_over: float
    """Robust spread of what the whole print does not explain, a coordinate."""
    outliers: tuple[Key, ...]
    """Pads that had no say: look at them."""
    advice: str
    """False in no more than 1 - level of prints without any offset."""


def resolve(
    x: Numbers,
    y: Numbers,
    dx: Numbers,
    dy: Numbers,
    *,
    weights: Numbers | None = None,
    keys: Sequence[Key] | None = None,
    centre: tuple[float, float] | None = None,
    level: float = LEVEL,
) -> PrintOffset | Refused:
    """Resolve the pads' offsets. Weights say how much a pad counts (its area, say); without them all count the same.

    Pads without an offset are left out. `centre` is what the printer turns about; without it the pads' middle.
    """
    column = [floats(n, v) for n, v in (("x", x), ("y", y), ("dx", dx), ("dy", dy))]
    given = np.ones(len(column[0])) if weights is None else floats("weights", weights)
    same_length(x=column[0], y=column[1], dx=column[2], dy=column[3], weights=given, keys=keys)
    rows = named(keys, len(given))
    if (given < 0).any():
        raise UsageError("a weight is below zero")
    known = ~np.isnan(np.array(column)).any(axis=0) & (given > 0)
    px, py, ox, oy = (c[known] for c in column)
    weight = given[known]
    n = len(px)
    if n < LEAST:
        return Refused("too few pads with an offset", n, LEAST)
    cx, cy = centre or (float(px.mean()), float(py.mean()))
    extent = max(float(np.ptp(px)), float(np.ptp(py)))
    if extent == 0:
        return Refused("all pads lie on one point")
    wide = [float(np.ptp(p)) > 1e-6 * extent for p in (px, py)]
    zero, one = np.zeros(n), np.ones(n)
    u, v = (px - cx) / extent, (py - cy) / extent
    first = np.column_stack([one, zero, -v, u, zero])
    second = np.column_stack([zero, one, u, zero, v])
    design = np.concatenate([first, second])[:, [True, True, True, *wide]]
    offsets = np.concatenate([ox, oy])
    fitted = _bisquare(design, offsets, np.concatenate([weight, weight]) / weight.mean())
    if fitted is None:
        return Refused("the pads lie so that turning and stretching cannot be told apart")
    parts, errors, robust, spread = fitted
    scale = [1.0, 1.0, extent, extent, extent]
    t = student_quantile(0.5 + level / 2, 2 * n - design.shape[1])
    # Advice is one answer from several numbers: each has to pass for all of them together.
    joint = student_quantile(1 - (1 - level) / 2 / len(parts), 2 * n - design.shape[1])
    sure = [bool(abs(p) > joint * e) for p, e in zip(parts, errors, strict=True)]
    told = [
        Part(float(p / s), Interval(float((p - t * e) / s), float((p + t * e) / s), level, "robust"))
        for p, e, s in zip(parts, errors, scale, strict=False)
    ]
    out = (robust[:n] < 1e-6) | (robust[n:] < 1e-6)
    stretch_x = told[3] if wide[0] else None
    stretch_y = told[-1] if wide[1] else None
    lost = iter(out)
    return PrintOffset(
        told[0], told[1], told[2], stretch_x, stretch_y, (cx, cy), int(n - out.sum()), spread,
        chosen(rows, [bool(k and next(lost)) for k in known]), _advice(told, sure, (cx, cy)),
    )  # fmt: skip


def _bisquare(design: Floats, offsets: Floats, given: Floats) -> tuple[Floats, Floats, Floats, float] | None:
    """Parameters, their standard errors, the weights found and the robust spread; None: not solvable."""
    if np.linalg.matrix_rank(design, tol=1e-8 * math.sqrt(len(design))) < design.shape[1]:
        return None
    robust: Any = np.ones(len(offsets))
    parts: Any = np.zeros(design.shape[1])
    spread, precise = 0.0, 1e-12 * max(1e-300, float(np.abs(offsets).max()))
    for step in range(60):
        root = np.sqrt(given * robust)
        found = np.linalg.lstsq(design * root[:, None], offsets * root, rcond=None)[0]
        left = offsets - design @ found
        spread = 1.4826 * float(np.median(np.abs(left))) * math.sqrt(len(left) / (len(left) - len(found)))
        if spread <= precise:
            parts, robust = found, (np.abs(left) <= 1e3 * precise).astype(np.float64)
            break
        size = np.abs(left) / spread
        # Huber's weights first: they cannot be trapped by outliers the way the bisquare can from a bad start.
        robust = np.minimum(1, 1.345 / np.maximum(size, 1e-12)) if step < 10 else np.where(
            size < _BISQUARE, (1 - (size / _BISQUARE) ** 2) ** 2, 0.0
        )  # fmt: skip
        if step > 12 and np.abs(found - parts).max() < 1e-10 * max(spread, 1e-300):
            parts = found
            break
        parts = found
    left = offsets - design @ parts
    weight = given * robust
    # The slope of Tukey's function, not its weight: the weight would make the errors too small.
    share = np.sqrt(robust)
    bread = np.linalg.pinv((design * (given * share * (5 * share - 4))[:, None]).T @ design)
    meat = (design * (weight * left)[:, None]).T @ (design * (weight * left)[:, None])
    free = len(offsets) / max(1, len(offsets) - len(parts))
    errors = np.sqrt(np.maximum(0, np.diag(bread @ meat @ bread)) * free)
    return parts, errors, robust, spread


def _advice(told: Sequence[Part], sure: Sequence[bool], centre: tuple[float, float]) -> str:
    if not any(sure):
        return "No offset of the whole print can be told from chance."
    needs = []
    for part, certain, name in zip(told[:2], sure[:2], ("x", "y"), strict=True):
        if certain:
            needs.append(f"{-part.value:+.4g} in {name}")
    if sure[2]:
        needs.append(f"{-math.degrees(told[2].value):+.4g} degrees about ({centre[0]:.4g}, {centre[1]:.4g})")
    text = f"The print would lie on its pads if moved by {', '.join(needs)}." if needs else ""
    if any(sure[3:]):
        text += (
            " It is stretched against the board: no alignment mends that; check board, stencil and supports."
        )
    return f"{text.strip()} For the person who aligns; check the sign convention of the printer first."
