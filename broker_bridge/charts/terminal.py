"""Plots as lines of text. Every mark is a character of its own; without colour nothing is lost.

o  point     X  point that a rule hits     -  limit     =  centre line     #  bar     |--*--|  interval
"""

import math
from collections.abc import Sequence
from typing import Final

from broker_bridge.errors import UsageError
from broker_bridge.trace.quality import Plot
from broker_bridge.trace.units import unit_words

HEIGHT: Final = 12
_MARGIN: Final = 11


def draw(plot: Plot, width: int = 96) -> list[str]:
    """The plot, at most `width` characters wide, its title first."""
    kinds = {
        "control": _control, "pareto": _pareto, "intervals": _intervals, "histogram": _histogram, "offsets": _offsets,
    }  # fmt: skip
    if plot.kind not in kinds:
        raise UsageError(f"there is no plot {plot.kind!r}; there are {', '.join(kinds)}")
    unit = f" [{unit_words(plot.unit)}]" if plot.unit else ""
    return [f"{plot.title}{unit}"[:width], *(line.rstrip() for line in kinds[plot.kind](plot, width))]


def _control(plot: Plot, width: int) -> list[str]:
    columns = width - _MARGIN
    # The newest points are what a person looks for.
    first = max(0, len(plot.points) - columns)
    points, centre = plot.points[first:], plot.centre[first:]
    lower, upper = plot.lower[first:], plot.upper[first:]
    low, high = _range([v for column in (points, centre, lower, upper) for v in column if v is not None])
    rows = [[" "] * len(points) for _ in range(HEIGHT)]
    hit = {mark.place - first for mark in plot.marks if mark.place >= first}

    def put(place: int, value: float | None, sign: str) -> None:
        if value is not None:
            rows[HEIGHT - 1 - round((value - low) / (high - low) * (HEIGHT - 1))][place] = sign

    for place in range(len(points)):
        for column, sign in ((centre, "="), (lower, "-"), (upper, "-")):
            if column:
                put(place, column[place], sign)
    for place, value in enumerate(points):
        put(place, value, "X" if place in hit else "o")
    told = [
        f"{_number(high - (high - low) * row / (HEIGHT - 1)):>9} |{''.join(line)}"
        for row, line in enumerate(rows)
    ]
    foot = f"{'':>9} +{'-' * len(points)}"
    if plot.labels:
        ends = plot.labels[first], plot.labels[-1]
        foot_text = f"{'':>11}{ends[0]}" if len(points) == 1 else f"{'':>11}{ends[0]} ... {ends[1]}"
        told += [foot, foot_text[:width]]
    if first:
        told.append(f"{'':>11}the last {len(points)} of {len(plot.points)} points")
    for mark in [mark for mark in plot.marks if mark.place >= first][:8]:
        told.append(f"{'':>11}X {plot.labels[mark.place]}: {mark.rule}, {mark.meaning}"[:width])
    return told


def _pareto(plot: Plot, width: int) -> list[str]:
    most = max((v for v in plot.points if v is not None), default=0.0) or 1.0
    name = min(28, max(map(len, plot.labels), default=1))
    space = width - name - 20
    rows = zip(plot.labels, plot.points, plot.centre, strict=True)
    told = [
        f"{label[:name]:<{name}} {_number(value or 0):>7} {share or 0:>6.1%} {'#' * max(1, round((value or 0) / most * space))}"
        for label, value, share in list(rows)[:12]
    ]
    return [f"{'':<{name}} {'':>7} {'cumul.':>6}", *told] + (
        [f"{len(plot.labels) - 12} more"] if len(plot.labels) > 12 else []
    )


def _intervals(plot: Plot, width: int) -> list[str]:
    name = min(34, max(map(len, plot.labels), default=1))
    space = width - name - 2
    none = plot.limits[0] if plot.limits and plot.limits[0] is not None else None
    values = [
        v for column in (plot.points, plot.lower, plot.upper) for v in column if v is not None and v > 0
    ]
    values += [none] if none else []
    low, high = _range([math.log(v) for v in values])

    def at(value: float) -> int:
        return round((math.log(max(value, 1e-12)) - low) / (high - low) * (space - 1))

    told = []
    for label, value, left, right in zip(plot.labels, plot.points, plot.lower, plot.upper, strict=True):
        line = [" "] * space
        if value is None or left is None or right is None or value <= 0:
            continue
        begin, end = max(0, at(left)), min(space - 1, at(right))
        line[begin : end + 1] = "-" * (end - begin + 1)
        line[begin] = line[end] = "|"
        line[at(value)] = "*"
        if none is not None and line[at(none)] == " ":
            line[at(none)] = ":"
        told.append(f"{label[:name]:<{name}} {''.join(line)}")
    scale = f"{'':<{name}} {_number(math.exp(low))} to {_number(math.exp(high))}, logarithmic"
    return [*told, scale + (f"; ':' is {_number(none)}, no difference" if none is not None else "")]


def _histogram(plot: Plot, width: int) -> list[str]:
    most = max((v for v in plot.points if v is not None), default=0.0) or 1.0
    edges = plot.where[0]
    lower, upper, target = (*plot.limits, None, None, None)[:3]
    told = []
    for place, value in enumerate(plot.points):
        left, right = edges[place], edges[place + 1]
        words = [
            word for word, limit in (("lower limit", lower), ("upper limit", upper), ("target", target))
            if limit is not None and left <= limit < right
        ]  # fmt: skip
        bar = "#" * round((value or 0) / most * (width - 50))
        told.append(
            f"{_number(left):>10} to {_number(right):<10} {int(value or 0):>6} {bar}{'  <- ' + ', '.join(words) if words else ''}"
        )
    outside = [
        f"{word} {_number(limit)}"
        for word, limit in (("lower limit", lower), ("upper limit", upper))
        if limit is not None
    ]
    return told + ([f"{'':>11}{', '.join(outside)}"] if outside else [])


def _offsets(plot: Plot, width: int) -> list[str]:
    """A coarse map: the mean offset of the pads of each field, as an arrow and a number."""
    columns, rows = 6, 4
    xs, ys = [x for x, _ in plot.where], [y for _, y in plot.where]
    (left, right), (low, high) = _range(xs), _range(ys)
    fields: dict[tuple[int, int], list[tuple[float, float]]] = {}
    for (x, y), dx, dy in zip(plot.where, plot.lower, plot.upper, strict=True):
        if dx is not None and dy is not None:
            field = (
                min(columns - 1, int((x - left) / (right - left) * columns)),
                min(rows - 1, int((y - low) / (high - low) * rows)),
            )
            fields.setdefault(field, []).append((dx, dy))
    told = []
    for row in reversed(range(rows)):
        cells = []
        for column in range(columns):
            found = fields.get((column, row))
            if not found:
                cells.append(f"{'.':^12}")
                continue
            dx = sum(one for one, _ in found) / len(found)
            dy = sum(two for _, two in found) / len(found)
            cells.append(f"{_arrow(dx, dy) + ' ' + _number(math.hypot(dx, dy)):^12}")
        told.append("".join(cells)[:width])
    return [*told, "each field: where its pads lie off, and how far; y upwards, seen from the printed side"]


def _arrow(dx: float, dy: float) -> str:
    """Direction in letters, as on a map: N is up."""
    names = ("E", "NE", "N", "NW", "W", "SW", "S", "SE")
    return names[round(math.degrees(math.atan2(dy, dx)) / 45) % 8]


def _range(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values, default=0.0), max(values, default=1.0)
    if high - low < 1e-12 * max(1.0, abs(high)):
        return low - 0.5, high + 0.5
    return low, high


def _number(value: float) -> str:
    return f"{value:.4g}"
