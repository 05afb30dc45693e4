"""Plots as static SVG, by matplotlib (extra `charts`): no network, the same bytes for the same plot, text as paths.

Palette and shapes are our own. Circles are points, a diamond with its rule's word beside it is a hit; limits are dashed and named.
"""

import io
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from broker_bridge.errors import UsageError
from broker_bridge.trace.quality import Plot
from broker_bridge.trace.units import unit_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK: Final = "#1f2d3a"
LINE: Final = "#3d6b8c"
HIT: Final = "#b3541e"
QUIET: Final = "#8a99a6"
_WIDE: Final = 9.0
"""Inches."""
_SALT: Final = "broker-bridge"
_WORDS: Final = 12
"""Hits with a word beside them; more would lie upon each other."""
_SETTINGS: Final[Any] = {
    "svg.hashsalt": _SALT, "svg.fonttype": "path", "font.family": ["DejaVu Sans"], "font.size": 9, "axes.edgecolor": QUIET,
    "axes.labelcolor": INK, "text.color": INK, "xtick.color": INK, "ytick.color": INK, "axes.spines.top": False,
    "axes.spines.right": False, "axes.titlesize": 10, "axes.titlelocation": "left", "path.simplify": False,
}  # fmt: skip


def picture(plots: Sequence[Plot], sentence: str = "") -> str:
    """All plots below each other as one SVG, the sentence above them.

    Raises UsageError where there is nothing to draw, or the extra `charts` is not installed.
    """
    if not plots:
        raise UsageError("there is nothing to draw: this answer has no chart")
    try:
        import matplotlib
        from matplotlib.backends.backend_svg import FigureCanvasSVG
        from matplotlib.figure import Figure
    except ImportError as error:
        raise UsageError("--svg needs matplotlib: pip install 'broker-bridge[charts]'") from error
    with matplotlib.rc_context(_SETTINGS):
        heights = [
            max(2.6, 0.28 * len(plot.labels) + 1.0) if plot.kind in ("pareto", "intervals") else 2.9
            for plot in plots
        ]
        heights = [min(height, 7.0) for height in heights]
        title = "\n".join(textwrap.wrap(sentence, 120))
        above = 0.17 * (title.count("\n") + 1) + 0.1 if title else 0.1
        height = sum(heights) + above
        figure = Figure(figsize=(_WIDE, height), facecolor="white")
        FigureCanvasSVG(figure)
        if title:
            figure.text(0.01, 1 - 0.05 / height, title, va="top", ha="left", fontsize=9)
        # Places by arithmetic: a layout that is solved for differs in its last digits from run to run.
        floor = height - above
        for plot, own_height in zip(plots, heights, strict=True):
            floor -= own_height
            left = _margin(plot)
            axes = figure.add_axes(
                (
                    left / _WIDE,
                    (floor + 0.75) / height,
                    (_WIDE - left - 0.3) / _WIDE,
                    (own_height - 1.05) / height,
                )
            )
            _DRAW[plot.kind](axes, plot)
            axes.set_title(plot.title)
        out = io.StringIO()
        figure.savefig(
            out, format="svg", metadata={"Date": None, "Creator": "Broker Bridge", "Title": plots[0].title}
        )
    return out.getvalue()


def _margin(plot: Plot) -> float:
    """Inches left of the axes: where categories stand, as wide as the longest."""
    if plot.kind not in ("pareto", "intervals"):
        return 1.0
    return min(3.5, 0.35 + 0.068 * max((len(label) for label in plot.labels), default=0))


def _control(axes: "Axes", plot: Plot) -> None:
    x = list(range(len(plot.points)))
    points = [float("nan") if v is None else v for v in plot.points]
    axes.plot(x, points, color=LINE, linewidth=0.8, marker="o", markersize=3, zorder=3)
    for column, style, word in (
        (plot.centre, "-", "centre"),
        (plot.lower, "--", "lower limit"),
        (plot.upper, "--", "upper limit"),
    ):
        told = [float("nan") if v is None else v for v in column]
        if any(v == v for v in told):
            axes.step(x, told, where="mid", color=QUIET, linestyle=style, linewidth=0.9)
            axes.annotate(
                word,
                (x[-1], told[-1]),
                xytext=(3, 2),
                textcoords="offset points",
                fontsize=7,
                color=INK,
                ha="right",
            )
    places = sorted({mark.place for mark in plot.marks})
    axes.plot(
        places, [points[place] for place in places], linestyle="none", marker="D", markersize=6, markerfacecolor="none",
        markeredgecolor=HIT, markeredgewidth=1.4, zorder=4,
    )  # fmt: skip
    words: dict[int, list[str]] = {}
    for mark in plot.marks:
        words.setdefault(mark.place, []).append(mark.rule)
    for place in places[:_WORDS]:
        axes.annotate(
            " ".join(words[place]),
            (place, points[place]),
            xytext=(4, 5),
            textcoords="offset points",
            fontsize=7,
            color=HIT,
        )
    _labels(axes, plot.labels)
    axes.set_ylabel(unit_words(plot.unit))


def _labels(axes: "Axes", labels: Sequence[str]) -> None:
    step = max(1, len(labels) // 6)
    places = list(range(0, len(labels), step))
    axes.set_xticks(places, [labels[place] for place in places], rotation=12, ha="right", fontsize=7)


def _pareto(axes: "Axes", plot: Plot) -> None:
    rows = list(zip(plot.labels, plot.points, plot.centre, strict=True))[:15]
    places = list(range(len(rows)))
    axes.barh(places, [value or 0 for _, value, _ in rows], color=LINE, height=0.7)
    axes.set_yticks(places, [label for label, *_ in rows], fontsize=7)
    axes.invert_yaxis()
    for place, (_, value, share) in zip(places, rows, strict=True):
        axes.annotate(
            f"{value or 0:g}  (cumulative {share or 0:.0%})",
            (value or 0, place),
            xytext=(4, -3),
            textcoords="offset points",
            fontsize=7,
        )
    axes.set_xlabel(unit_words(plot.unit))
    axes.margins(x=0.25)


def _intervals(axes: "Axes", plot: Plot) -> None:
    rows = list(zip(plot.labels, plot.points, plot.lower, plot.upper, strict=True))
    for place, (_, value, low, high) in enumerate(rows):
        axes.plot([low or 0, high or 0], [place, place], color=LINE, linewidth=1.2, marker="|", markersize=8)
        axes.plot([value or 0], [place], marker="o", markersize=4, color=LINE)
    axes.set_yticks(range(len(rows)), [label for label, *_ in rows], fontsize=7)
    axes.invert_yaxis()
    axes.set_xscale("log")
    axes.xaxis.set_major_formatter("{x:g}")
    if plot.limits and plot.limits[0] is not None:
        axes.axvline(plot.limits[0], color=QUIET, linestyle="--", linewidth=0.9)
        axes.annotate(
            "no difference", (plot.limits[0], -0.4), xytext=(3, 3), textcoords="offset points", fontsize=7
        )
    axes.set_xlabel(unit_words(plot.unit))


def _histogram(axes: "Axes", plot: Plot) -> None:
    edges: Any = plot.where[0]
    axes.stairs([value or 0 for value in plot.points], edges, fill=True, color=LINE)
    for limit, word in zip(plot.limits, ("lower limit", "upper limit", "target"), strict=False):
        if limit is not None:
            axes.axvline(
                limit,
                color=HIT if word != "target" else QUIET,
                linestyle="--" if word != "target" else ":",
                linewidth=1.2,
            )
            axes.annotate(
                word,
                (limit, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(3, -8),
                textcoords="offset points",
                fontsize=7,
            )
    axes.set_xlabel(unit_words(plot.unit))
    axes.set_ylabel("values")


def _offsets(axes: "Axes", plot: Plot) -> None:
    x, y = [a for a, _ in plot.where], [b for _, b in plot.where]
    dx, dy = [v or 0 for v in plot.lower], [v or 0 for v in plot.upper]
    axes.quiver(x, y, dx, dy, color=LINE, width=0.0025, pivot="mid")
    axes.margins(0.08)
    longest = max((v or 0 for v in plot.points), default=0.0)
    axes.set_xlabel(f"mm; the longest arrow is {longest:.3g} {unit_words(plot.unit)}")
    axes.set_ylabel("mm")
    axes.set_aspect("equal", adjustable="box")


_DRAW: Final = {
    "control": _control, "pareto": _pareto, "intervals": _intervals, "histogram": _histogram, "offsets": _offsets,
}  # fmt: skip
