"""Flow through stations and lines."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from broker_bridge.analysis.flow import LineFlow, StationFlow, changeovers, line_flow, station_flow
from broker_bridge.analysis.intervals import Refused
from broker_bridge.errors import UsageError


def test_one_station_by_hand() -> None:
    """Board a: here 0-10, worked on 2-8, blocked 8-10. Nothing 10-15. Board b: 15-25, worked on all the time."""
    found = station_flow([0, 15], [2, 15], [8, 25], [10, 25], boards="ab")
    assert isinstance(found, StationFlow)
    assert (found.busy, found.blocked, found.starved, found.waiting) == pytest.approx(
        (16 / 25, 2 / 25, 5 / 25, 2 / 25)
    )
    assert (found.cycle.median, found.cycle.longest, found.dwell.median) == (8, "b", 10)
    assert found.throughput.value == 2 / 25
    assert found.throughput.members == ("a", "b")


def test_missing_times_are_filled_by_nothing() -> None:
    found = station_flow([0, 1, 2], [0, None, 2], [1, 2, 3], [1, 2, 3], boards="abc")
    assert found.partial == ("b",)
    assert (found.coverage.number, found.coverage.of) == (2, 3)
    assert found.cycle.unknown == ("b",)
    assert found.dwell.mean.of == 3


VISITS = st.lists(st.tuples(st.floats(0, 100), *[st.floats(0, 20)] * 3), min_size=2, max_size=15)


@settings(max_examples=50)
@given(VISITS)
def test_each_moment_is_one_of_four(visits) -> None:
    times = [(a, a + w, a + w + c, a + w + c + b) for a, w, c, b in visits]
    found = station_flow(*zip(*times, strict=True))
    if not isinstance(found, Refused):
        parts = (found.busy, found.blocked, found.starved, found.waiting)
        assert sum(parts) == pytest.approx(1)
        assert min(parts) >= 0


@settings(max_examples=50)
@given(st.lists(st.tuples(st.floats(0, 1e4), st.floats(0.1, 1e3)), min_size=1, max_size=30))
def test_littles_law_is_exact_where_a_line_begins_and_ends_empty(boards) -> None:
    found = line_flow([a for a, _ in boards], [a + t for a, t in boards])
    assert isinstance(found, LineFlow)
    assert found.littles_law == pytest.approx(1)
    assert found.begins_empty
    assert found.ends_empty
    total = found.in_process * (found.window[1] - found.window[0])
    assert total == pytest.approx(sum(t for _, t in boards))


def test_100_an_hour_and_two_hours_make_200() -> None:
    """Little's law, textbook numbers: in a window of steady flow."""
    entered = [36 * i for i in range(1000)]
    found = line_flow(entered, [t + 7200 for t in entered], window=(7200, 28_800))
    assert found.in_process == pytest.approx(200, rel=1e-2)
    assert found.throughput.value * 3600 == pytest.approx(100, rel=1e-2)
    assert not found.begins_empty
    assert not found.ends_empty


def test_boards_still_inside() -> None:
    found = line_flow([0, 5], [10, None], boards="ab")
    assert found.still_inside == ("b",)
    assert not found.ends_empty
    assert isinstance(found.time_in_line, Refused)


def test_changeovers() -> None:
    (one, two) = changeovers(
        ["A", "A", "B", None, "A"], [0, 10, 100, 150, 205], [5, 15, 105, 155, 210], boards="abcde"
    )
    assert (one.before, one.after, one.seconds, one.last, one.first) == ("A", "B", 85, "b", "c")
    assert (two.seconds, two.first) == (100, "e")


def test_refusals_and_wrong_calls() -> None:
    assert isinstance(station_flow([0], [1], [2], [3]), Refused)
    assert isinstance(station_flow([1, 1], [1, 1], [1, 1], [1, 1]), Refused)
    assert isinstance(line_flow([], []), Refused)
    assert isinstance(line_flow([1], [1]), Refused)
    for call in (
        lambda: station_flow([0], [1], [2], []),
        lambda: station_flow([0, 5], [1, 4], [2, 6], [3, 7]),
        lambda: line_flow([5], [4]),
        lambda: line_flow([None], [4]),
    ):
        with pytest.raises(UsageError):
            call()
