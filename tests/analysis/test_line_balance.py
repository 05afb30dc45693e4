"""Bottleneck, balance, limits of a line."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from broker_bridge.analysis.flow import station_flow
from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.line_balance import Pattern, balance, faster, line_limits, pattern
from broker_bridge.errors import UsageError


def run(cycles: list[float], boards: int = 200, seed: int = 0, noise: float = 0.05):
    """Stations in a row without buffers: a board leaves when it is finished and the next station is empty."""
    generator = np.random.default_rng(seed)
    n = len(cycles)
    arrived, finished, departed = (np.zeros((n, boards)) for _ in range(3))
    for b in range(boards):
        for s in range(n):
            free = departed[s, b - 1] if b else 0.0
            arrived[s, b] = departed[s - 1, b] if s else free
            finished[s, b] = arrived[s, b] + cycles[s] * max(0.1, generator.normal(1, noise))
            ahead = departed[s + 1, b - 1] if b and s + 1 < n else 0.0
            departed[s, b] = max(finished[s, b], ahead)
    return {f"S{s}": station_flow(arrived[s], arrived[s], finished[s], departed[s]) for s in range(n)}


@pytest.mark.parametrize("slow", range(4))
def test_the_pattern_around_a_bottleneck(slow: int) -> None:
    cycles = [20.0] * 4
    cycles[slow] = 30.0
    found = pattern([f"S{s}" for s in range(4)], f"S{slow}", run(cycles))
    assert found.fits
    assert (found.blocked_before is None, found.starved_behind is None) == (slow == 0, slow == 3)
    wrong = pattern([f"S{s}" for s in range(4)], f"S{(slow + 2) % 4}", run(cycles))
    assert not wrong.fits


def test_of_stations_whose_shares_are_not_known_nothing_is_told() -> None:
    found = pattern(["a", "b", "c"], "b", {})
    assert found == Pattern(None, None, None)


def test_penny_fab() -> None:
    """Hopp and Spearman, Factory Physics, chapter 7: four stations of two hours."""
    table = {
        1: (0.125, 8, 0.125, 8), 2: (0.25, 8, 0.2, 10), 3: (0.375, 8, 0.25, 12), 4: (0.5, 8, 0.285714, 14),
        6: (0.5, 12, 0.333333, 18), 10: (0.5, 20, 0.384615, 26),
    }  # fmt: skip
    for wip, expected in table.items():
        found = line_limits(0.5, 8, wip)
        assert (*found.best, *found.practical_worst) == pytest.approx(expected, abs=5e-7)
        assert found.worst == (1 / 8, 8 * wip)
        assert found.critical == 4


CYCLES = st.dictionaries(st.sampled_from("abcdef"), st.floats(1, 100), min_size=2)


@settings(max_examples=50)
@given(CYCLES, st.floats(0.5, 100))
def test_a_gain_is_bound_by_the_next_bottleneck(cycles, seconds) -> None:
    now = balance(cycles)
    assert 0 < now.balance <= 1 + 1e-12
    station = now.bound_by[0]
    found = faster(cycles, station, seconds)
    others = max(value for name, value in cycles.items() if name != station)
    assert found.after == max(seconds, others)
    assert found.useful == others
    assert found.more_per_hour == pytest.approx(3600 / found.after - 3600 / found.before)


def test_making_another_station_faster_gains_nothing() -> None:
    found = faster({"printer": 20, "placement": 30, "oven": 25}, "printer", 10)
    assert (found.more_per_hour, found.bound_by) == (0, ("placement",))
    gained = faster({"printer": 20, "placement": 30, "oven": 25}, "placement", 15)
    assert (gained.after, gained.bound_by, gained.more_per_hour) == (25, ("oven",), pytest.approx(24))


def test_refusals_and_wrong_calls() -> None:
    assert isinstance(balance({}), Refused)
    for call in (
        lambda: faster({"a": 1}, "b", 1),
        lambda: balance({"a": 0}),
        lambda: line_limits(0, 1, 1),
    ):
        with pytest.raises(UsageError):
            call()
