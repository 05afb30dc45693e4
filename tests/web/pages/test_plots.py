"""Plots as shapes: every kind, with holes, nothing outside of the picture."""

import re

import pytest
from eventful import HOSTILE

from broker_bridge.trace.quality import KINDS, Mark, Plot
from broker_bridge.web.pages.plots import Drawing, drawing

POINTS = (1.0, None, 3.0, 2.0)
PLOTS = {
    "control": Plot(
        "control", "x", ("a", "b", "c", HOSTILE), "um", POINTS, (2.0,) * 4, (0.0, 0.0, None, 0.0), (4.0,) * 4,
        (Mark(2, "WE1", "beyond a limit", 1, ("A",)), Mark(2, "N1", "the same", 1)),
    ),
    "pareto": Plot("pareto", "x", ("a", HOSTILE), "calls", (3.0, 1.0), (0.75, 1.0)),
    "intervals": Plot("intervals", "x", ("a", "b"), "", (2.0, None), (), (1.0, 0.2), (4.0, 5.0), limits=(1.0,)),
    "histogram": Plot("histogram", "x", ("1", "2"), "V", (3.0, 0.0), limits=(0.5, 3.5, 2.0), where=((1.0, 2.0, 3.0),)),
    "offsets": Plot("offsets", "x", ("a", "b"), "um", (5.0, 0.0), (), (3.0, 0.0), (-4.0, 0.0), where=((0.0, 0.0), (9.0, 4.0))),
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_drawn_within_its_picture(kind: str) -> None:
    made = drawing(PLOTS[kind], 1)
    assert made.shapes
    for x, y in _places(made):
        assert -60 <= x <= made.width + 60
        assert -20 <= y <= made.height + 20
    assert "nan" not in repr(made)


@pytest.mark.parametrize("kind", KINDS)
def test_a_plot_with_one_point_or_none_known_is_drawn_too(kind: str) -> None:
    plot = PLOTS[kind]
    where = ((1.0, 2.0),) if kind == "histogram" else plot.where[:1]
    one = plot._replace(
        labels=plot.labels[:1], points=(None,), centre=plot.centre[:1], lower=plot.lower[:1], upper=plot.upper[:1],
        marks=(), where=where,
    )  # fmt: skip
    assert "nan" not in repr(drawing(one, 1))


def test_what_a_rule_hits_is_a_diamond_with_its_word_and_leads_to_its_boards() -> None:
    (hit,) = [shape for shape in drawing(PLOTS["control"], 3).shapes if shape.what == "diamond"]
    assert (hit.text, hit.href) == ("WE1 N1", "#hit-3-1")


def test_a_hole_in_a_series_is_no_line() -> None:
    (line,) = [shape for shape in drawing(PLOTS["control"], 1).shapes if shape.look == "line"]
    assert [part for part in re.findall(r"[ML]", line.d)] == ["M", "M", "L"]


def _places(made: Drawing) -> list[tuple[float, float]]:
    found = [(shape.x, shape.y) for shape in made.shapes if shape.what != "path"]
    for shape in made.shapes:
        found += [(float(x), float(y)) for x, y in re.findall(r"[ML]\s*(-?[\d.]+) (-?[\d.]+)", shape.d)]
    return found
