"""Charts as text: every kind, any columns, every hit told by a shape and a word."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from broker_bridge.charts.terminal import draw
from broker_bridge.errors import UsageError
from broker_bridge.trace.quality import Mark, Plot

numbers = st.floats(-1e6, 1e6, allow_nan=False)


def control(points: list[float | None], marks: tuple[Mark, ...] = ()) -> Plot:
    n = len(points)
    return Plot(
        "control",
        "t",
        tuple(f"p{i}" for i in range(n)),
        "um",
        tuple(points),
        (0.0,) * n,
        (-3.0,) * n,
        (3.0,) * n,
        marks,
    )


def test_a_hit_has_a_shape_of_its_own_and_its_rule_as_a_word() -> None:
    lines = draw(control([0.0, 1.0, 9.0], (Mark(2, "WE1", "one point beyond 3 sigma"),)))
    body = [line.partition("|")[2] for line in lines if "|" in line]
    assert sum(line.count("X") for line in body) == 1
    assert sum(line.count("o") for line in body) == 2
    assert any("X p2: WE1, one point beyond 3 sigma" in line for line in lines)


def test_of_many_points_the_newest_are_shown_and_that_is_said() -> None:
    lines = draw(control([0.0] * 500, (Mark(3, "WE1", "old"),)), 80)
    assert any("the last 69 of 500 points" in line for line in lines)
    assert not any("old" in line for line in lines)


@settings(max_examples=40)
@given(st.lists(st.none() | numbers, min_size=1, max_size=150), st.integers(60, 140))
def test_any_points_fit_the_width(points: list[float | None], width: int) -> None:
    assert all(len(line) <= width for line in draw(control(points), width))


@settings(max_examples=30)
@given(
    st.lists(
        st.tuples(st.text("abcdef ", min_size=1, max_size=60), st.floats(0, 1e5)), min_size=1, max_size=30
    )
)
def test_any_pareto_fits_and_tells_what_it_leaves_out(bars: list[tuple[str, float]]) -> None:
    plot = Plot(
        "pareto", "t", tuple(n for n, _ in bars), "rows", tuple(v for _, v in bars), (0.5,) * len(bars)
    )
    lines = draw(plot)
    assert all(len(line) <= 96 for line in lines)
    assert any("more" in line for line in lines) is (len(bars) > 12) or any(
        "more" in name for name, _ in bars
    )


def test_an_interval_that_holds_no_difference_crosses_its_line_and_one_that_does_not_lies_beside_it() -> None:
    plot = Plot(
        "intervals", "t", ("clear", "unsure"), "times", (4.0, 1.2), (), (2.0, 0.6), (8.0, 2.4), limits=(1.0,)
    )
    clear, unsure = draw(plot)[1:3]
    assert clear.index(":") < clear.index("|")
    assert ":" not in unsure  # it lies under the interval


def test_directions_of_offsets_are_those_of_a_map() -> None:
    plot = Plot(
        "offsets",
        "t",
        ("a", "b"),
        "um",
        (math.hypot(3, 3), 5.0),
        (),
        (3.0, 0.0),
        (3.0, -5.0),
        where=((0.0, 0.0), (10.0, 10.0)),
    )
    text = "\n".join(draw(plot))
    assert "NE 4.243" in text
    assert "S 5" in text


def test_a_histogram_names_the_limit_where_it_lies() -> None:
    plot = Plot(
        "histogram",
        "t",
        ("0 to 1", "1 to 2"),
        "V",
        (3.0, 1.0),
        limits=(0.5, 9.0, None),
        where=((0.0, 1.0, 2.0),),
    )
    lines = draw(plot)
    assert "lower limit" in lines[1]
    assert "upper limit 9" in lines[-1]


def test_there_is_no_other_kind() -> None:
    with pytest.raises(UsageError, match="there are control"):
        draw(Plot("pie", "t", (), "", ()))
