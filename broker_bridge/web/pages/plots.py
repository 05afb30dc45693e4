"""Plots as shapes on a page: geometry only, so that the page's own ink, light or dark, draws them. Pure.

What a rule hits is a diamond with its word beside it; limits are dashed and named. Nothing is told by colour.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Final, NamedTuple

from broker_bridge.trace.quality import Plot
from broker_bridge.trace.units import unit_words
from broker_bridge.words.figures import short_words
from broker_bridge.words.telling import safe

WIDTH: Final = 960.0
_HEIGHT: Final = 300.0
_LEFT: Final = 76.0
_RIGHT: Final = 96.0
_TOP: Final = 22.0
_FOOT: Final = 44.0
_BAR: Final = 24.0
_BARS: Final = 20
_NAMES: Final = 230.0


class Shape(NamedTuple):
    """One thing to draw."""

    what: str
    """path, dot, diamond or text"""
    look: str
    """Class of the style sheet."""
    x: float = 0.0
    y: float = 0.0
    d: str = ""
    """Of a path."""
    text: str = ""
    anchor: str = "start"
    href: str = ""


class Drawing(NamedTuple):
    """A plot."""

    title: str
    width: float
    height: float
    shapes: tuple[Shape, ...]
    summary: str
    """What it shows, for those who do not see it."""
    left_out: int


def drawing(plot: Plot, number: int) -> Drawing:
    """A plot as shapes. `number`: of the plot on its page, for links to what its rules hit."""
    return _DRAW[plot.kind](plot, number)


class _Axis:
    """Values to pixels, evenly or by their logarithm."""

    def __init__(self, values: Sequence[float], start: float, end: float, *, log: bool = False) -> None:
        self._log = log and all(value > 0 for value in values)
        told = [self._of(value) for value in values] or [0.0, 1.0]
        low, high = min(told), max(told)
        room = (high - low) * 0.05 or abs(high) * 0.05 or 1.0
        self._low, self._high, self._start, self._end = low - room, high + room, start, end

    def __call__(self, value: float) -> float:
        share = (self._of(value) - self._low) / (self._high - self._low)
        return round(self._start + share * (self._end - self._start), 1)

    def ticks(self, count: int) -> list[float]:
        """Round values within."""
        if self._log:
            steps = [10.0**power * digit for power in range(-9, 13) for digit in (1, 2, 5)]
            found = [v for v in steps if self._low <= math.log10(v) <= self._high]
            if len(found) > count + 3:
                return [v for v in found if math.log10(v).is_integer()]
            if len(found) > 2:
                return found
        low, high = (10.0**self._low, 10.0**self._high) if self._log else (self._low, self._high)
        rough = (high - low) / count
        power = 10.0 ** math.floor(math.log10(rough))
        step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough)
        return [n * step for n in range(math.ceil(low / step), math.floor(high / step) + 1)]

    def _of(self, value: float) -> float:
        return math.log10(value) if self._log else value


def _control(plot: Plot, number: int) -> Drawing:
    known = [
        v for column in (plot.points, plot.centre, plot.lower, plot.upper) for v in column if v is not None
    ]
    count = len(plot.points)
    width = max(WIDTH, _LEFT + _RIGHT + 6.0 * count)
    step = (width - _LEFT - _RIGHT) / max(1, count - 1)
    xs = [round(_LEFT + place * step, 1) for place in range(count)]
    y = _Axis(known, _HEIGHT - _FOOT, _TOP)
    shapes = _rulers(y, unit_words(plot.unit), width)
    for column, look, word in (
        (plot.centre, "centre", "centre"), (plot.lower, "limit", "lower limit"), (plot.upper, "limit", "upper limit"),
    ):  # fmt: skip
        shapes += _steps(column, xs, y, step, look, word, width)
    shapes.append(Shape("path", "line", d=_run(xs, plot.points, y)))
    if count <= 400:
        shapes += [
            Shape("dot", "point", x, y(v)) for x, v in zip(xs, plot.points, strict=True) if v is not None
        ]
    words: dict[int, list[str]] = {}
    first: dict[int, int] = {}
    for at, mark in enumerate(plot.marks, 1):
        words.setdefault(mark.place, []).append(mark.rule)
        first.setdefault(mark.place, at)
    for place, rules in sorted(words.items()):
        value = plot.points[place]
        if value is not None:
            text = safe(" ".join(rules)) if len(words) <= 30 else ""
            shapes.append(
                Shape("diamond", "hit", xs[place], y(value), text=text, href=f"#hit-{number}-{first[place]}")
            )
    every = max(1, math.ceil(140 / step)) if step else 1
    for place in range(0, count, every):
        shapes.append(
            Shape(
                "text",
                "axis",
                xs[place],
                _HEIGHT - 14,
                text=safe(plot.labels[place]),
                anchor="middle",
            )
        )
    hits = (
        f"{len(words)} of {count} points are hit by a rule"
        if words
        else f"{count} points, none hit by a rule"
    )
    return Drawing(safe(plot.title), width, _HEIGHT, tuple(shapes), f"{safe(plot.title)}: {hits}", 0)


def _rulers(y: _Axis, unit: str, width: float) -> list[Shape]:
    found = [Shape("text", "axis unit", _LEFT - 8, 12, text=safe(unit), anchor="end")]
    for value in y.ticks(5):
        found.append(Shape("path", "grid", d=f"M{_LEFT} {y(value)}H{width - _RIGHT:.1f}"))
        found.append(Shape("text", "axis", _LEFT - 8, y(value) + 4, text=short_words(value), anchor="end"))
    return found


def _steps(
    column: Sequence[float | None],
    xs: Sequence[float],
    y: _Axis,
    step: float,
    look: str,
    word: str,
    width: float,
) -> list[Shape]:
    told: list[str] = []
    open_ = False
    for x, value in zip(xs, column, strict=False):
        if value is None:
            open_ = False
            continue
        told.append(f"{'L' if open_ else 'M'}{x - step / 2:.1f} {y(value)}H{x + step / 2:.1f}")
        open_ = True
    last = next((value for value in reversed(column) if value is not None), None)
    if last is None:
        return []
    name = Shape(
        "text",
        "axis",
        width - _RIGHT + 6,
        y(last) + 4,
        text=f"{word} {short_words(last)}" if look == "centre" else word,
    )
    return [Shape("path", look, d="".join(told)), name]


def _run(xs: Sequence[float], points: Sequence[float | None], y: _Axis) -> str:
    told: list[str] = []
    open_ = False
    for x, value in zip(xs, points, strict=True):
        if value is None:
            open_ = False
            continue
        told.append(f"{'L' if open_ else 'M'}{x} {y(value)}")
        open_ = True
    return "".join(told)


def _pareto(plot: Plot, number: int) -> Drawing:
    rows = list(zip(plot.labels, plot.points, plot.centre, strict=False))[:_BARS]
    most = max((value or 0.0 for _, value, _ in rows), default=1.0) or 1.0
    shapes: list[Shape] = []
    for place, (label, value, share) in enumerate(rows):
        y = 8.0 + place * _BAR
        wide = (value or 0.0) / most * (WIDTH - _NAMES - 190)
        shapes += [
            Shape("text", "label", _NAMES - 8, y + 14, text=_cut(label), anchor="end"),
            Shape("path", "bars", d=f"M{_NAMES} {y + 4}h{wide:.1f}v{_BAR - 12}h{-wide:.1f}z"),
            Shape(
                "text", "label", _NAMES + wide + 8, y + 14, text=f"{value or 0:g}, together {share or 0:.0%}"
            ),
        ]
    height = 16 + _BAR * len(rows)
    told = ", ".join(f"{safe(label)} {value or 0:g}" for label, value, _ in rows[:5])
    return Drawing(
        safe(plot.title),
        WIDTH,
        height,
        tuple(shapes),
        f"{safe(plot.title)}: {told}",
        max(0, len(plot.labels) - _BARS),
    )


def _intervals(plot: Plot, number: int) -> Drawing:
    rows = list(zip(plot.labels, plot.points, plot.lower, plot.upper, strict=True))[:_BARS]
    known = [v for _, *told in rows for v in told if v is not None] + [
        v for v in plot.limits if v is not None
    ]
    x = _Axis(known, _NAMES, WIDTH - 30, log=True)
    height = 40 + _BAR * len(rows)
    shapes = [Shape("path", "grid", d=f"M{x(value)} 4V{height - 30}") for value in x.ticks(6)]
    shapes += [
        Shape("text", "axis", x(value), height - 14, text=short_words(value), anchor="middle")
        for value in x.ticks(6)
    ]
    shapes += [
        Shape("path", "limit", d=f"M{x(value)} 4V{height - 30}")
        for value in plot.limits[:1]
        if value is not None
    ]
    for place, (label, value, low, high) in enumerate(rows):
        y = 20.0 + place * _BAR
        shapes.append(Shape("text", "label", _NAMES - 8, y + 4, text=_cut(label), anchor="end"))
        if low is not None and high is not None:
            shapes.append(
                Shape("path", "line", d=f"M{x(low)} {y - 5}v10M{x(low)} {y}H{x(high)}M{x(high)} {y - 5}v10")
            )
        if value is not None:
            shapes.append(Shape("dot", "point large", x(value), y))
    shapes.append(
        Shape("text", "axis", _NAMES - 8, height - 14, text=safe(unit_words(plot.unit)), anchor="end")
    )
    reference = "; the dashed line means no difference" if plot.limits else ""
    told = f"{safe(plot.title)}: {len(rows)} intervals{reference}"
    return Drawing(safe(plot.title), WIDTH, height, tuple(shapes), told, max(0, len(plot.labels) - _BARS))


def _histogram(plot: Plot, number: int) -> Drawing:
    edges = list(plot.where[0])
    counts = [value or 0.0 for value in plot.points]
    x = _Axis([*edges, *(v for v in plot.limits if v is not None)], _LEFT, WIDTH - _RIGHT)
    y = _Axis([0.0, *counts], _HEIGHT - _FOOT, _TOP)
    floor = y(0.0)
    shapes = _rulers(y, "values", WIDTH)
    for low, high, count in zip(edges, edges[1:], counts, strict=False):
        shapes.append(Shape("path", "bars", d=f"M{x(low)} {floor}V{y(count)}H{x(high)}V{floor}z"))
    for value in x.ticks(6):
        shapes.append(Shape("text", "axis", x(value), _HEIGHT - 22, text=short_words(value), anchor="middle"))
    shapes.append(
        Shape("text", "axis", WIDTH - _RIGHT, _HEIGHT - 6, text=safe(unit_words(plot.unit)), anchor="end")
    )
    for limit, word in zip(plot.limits, ("lower limit", "upper limit", "target"), strict=False):
        if limit is not None:
            shapes.append(Shape("path", "limit", d=f"M{x(limit)} {_TOP}V{floor}"))
            shapes.append(Shape("text", "axis", x(limit) + 4, _TOP + 4, text=word))
    return Drawing(
        safe(plot.title), WIDTH, _HEIGHT, tuple(shapes), f"{safe(plot.title)}: {sum(counts):g} values", 0
    )


def _offsets(plot: Plot, number: int) -> Drawing:
    xs, ys = [a for a, _ in plot.where], [b for _, b in plot.where]
    wide = (max(xs, default=1.0) - min(xs, default=0.0)) or 1.0
    tall = (max(ys, default=1.0) - min(ys, default=0.0)) or 1.0
    scale = min((WIDTH - 120) / wide, 420 / tall)
    longest = max((v or 0.0 for v in plot.points), default=0.0) or 1.0
    reach = 40.0 / longest
    left, top = min(xs, default=0.0), max(ys, default=0.0)
    shapes: list[Shape] = []
    for (a, b), dx, dy in zip(plot.where, plot.lower, plot.upper, strict=True):
        x, y = 60 + (a - left) * scale, 50 + (top - b) * scale
        shapes.append(Shape("dot", "point", round(x, 1), round(y, 1)))
        shapes.append(
            Shape("path", "line", d=f"M{x:.1f} {y:.1f}l{(dx or 0) * reach:.1f} {-(dy or 0) * reach:.1f}")
        )
    text = f"the longest line is {short_words(longest)} {safe(unit_words(plot.unit))}; each begins at its place, mm"
    shapes.append(Shape("text", "axis", 60, 100 + tall * scale, text=text))
    return Drawing(
        safe(plot.title), WIDTH, 110 + tall * scale, tuple(shapes), f"{safe(plot.title)}: {text}", 0
    )


def _cut(label: str) -> str:
    text = safe(label)
    return text if len(text) <= 32 else text[:31] + "\u2026"


_DRAW: Final[Mapping[str, Callable[[Plot, int], Drawing]]] = {
    "control": _control, "pareto": _pareto, "intervals": _intervals, "histogram": _histogram, "offsets": _offsets,
}  # fmt: skip
