"""What held a line up: lines whose bottleneck is known, and sums that have to come out."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from broker_bridge.analysis.critical_path import BLOCKS, critical_path
from broker_bridge.analysis.intervals import Refused
from broker_bridge.errors import UsageError

TRAVEL = 4.0


def line(
    cycles: list[float],
    boards: int = 60,
    buffer: int = 2,
    seed: int = 0,
    noise: float = 0.05,
):
    """Stations in a row with buffers between them (none: a board waits where it is). Max-plus, the trade's usual model."""
    generator = np.random.default_rng(seed)
    n = len(cycles)
    a, f, d = (np.zeros((n, boards)) for _ in range(3))
    for b in range(boards):
        for s in range(n):
            free = d[s, b - 1] if b else 0.0
            a[s, b] = max(free, d[s - 1, b] + TRAVEL) if s else free
            f[s, b] = a[s, b] + cycles[s] * max(0.1, generator.normal(1, noise))
            # It leaves when the buffer ahead has room, or the station ahead where there is none.
            room = b - buffer if buffer else b - 1
            ahead = 0.0
            if s + 1 < n and room >= 0:
                ahead = a[s + 1, room] if buffer else d[s + 1, room]
            d[s, b] = max(f[s, b], ahead)
    order = sorted(((s, b) for s in range(n) for b in range(boards)), key=lambda sb: (a[sb], sb[1], sb[0]))
    row = {key: place for place, key in enumerate(order)}
    return {
        "station": [f"S{s}" for s, _ in order],
        "arrived": [a[key] for key in order],
        "departed": [d[key] for key in order],
        "before": [row.get((s - 1, b), -1) for s, b in order],
        "ahead": [row.get((s, b - 1), -1) for s, b in order],
        "program": ["A"] * len(order),
        "last": row[n - 1, boards - 1],
    }  # fmt: skip


@pytest.mark.parametrize("buffer", [0, 2])
@pytest.mark.parametrize("slow", range(4))
def test_the_slow_station_holds_the_line_up(slow: int, buffer: int) -> None:
    """Common practice: the slowest station bounds a line; here with arrivals and departures alone too."""
    cycles = [20.0] * 4
    cycles[slow] = 30.0
    found = critical_path(**line(cycles, buffer=buffer))
    assert next(iter(found.seconds)) == f"S{slow}"
    assert found.seconds[f"S{slow}"] > 0.75 * (found.end - found.begin)
    assert found.blocks.count(f"S{slow}") >= 8
    pace, number = found.pace[f"S{slow}", "A"]
    # Without a buffer the way belongs to it: the board ahead has to be gone before the next sets out.
    assert pace == pytest.approx(30 if buffer or slow == 0 else 30 + TRAVEL, rel=0.03)
    assert number > 30


@pytest.mark.parametrize(("which", "seconds"), [("S1", 95.0), ("S2", 95.0), ("S2", -95.0)])
def test_a_clock_that_is_off_hides_no_bottleneck(which: str, seconds: float) -> None:
    told = line([20.0, 30.0, 20.0])
    off = [seconds if station == which else 0.0 for station in told["station"]]
    for name in ("arrived", "departed"):
        told[name] = [time + shift for time, shift in zip(told[name], off, strict=True)]
    assert next(iter(critical_path(**told).seconds)) == "S1"


def test_boards_that_are_let_in_late_are_held_up_by_no_station() -> None:
    station = ["S0", "S1"] * 20
    arrived = [100.0 * (row // 2) + (row % 2) * 14 for row in range(40)]
    departed = [time + 10 for time in arrived]
    before = [row - 1 if row % 2 else -1 for row in range(40)]
    ahead = [row - 2 if row >= 2 else -1 for row in range(40)]
    found = critical_path(station, arrived, departed, before, ahead, ["A"] * 40, last=39)
    assert found.let_in == pytest.approx(19 * 90)
    assert found.blocks == (None,) * BLOCKS


def test_a_change_of_program_is_told_apart() -> None:
    """The second station takes 300 s to change over, the first needs none."""
    rows = []
    free = [0.0, 0.0]
    for board in range(20):
        a0 = free[0]
        d0 = a0 + 10
        a1 = max(d0 + TRAVEL, free[1]) + (300 if board == 10 else 0)
        d1 = a1 + 12
        free = [d0, d1]
        rows += [("S0", a0, d0, board), ("S1", a1, d1, board)]
    found = critical_path(
        [r[0] for r in rows], [r[1] for r in rows], [r[2] for r in rows],
        [place - 1 if place % 2 else -1 for place in range(40)], [place - 2 if place > 1 else -1 for place in range(40)],
        ["A" if r[3] < 10 else "B" for r in rows], last=39,
    )  # fmt: skip
    assert set(found.changes) == {"S1"}
    assert found.changes["S1"] == pytest.approx(300, abs=30)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(5, 60), min_size=2, max_size=5), st.integers(0, 3), st.integers(2, 25), st.integers(0, 99),
)  # fmt: skip
def test_the_path_is_the_whole_time_without_a_break(cycles, buffer, boards, seed) -> None:
    told = line(cycles, boards, buffer, seed, 0.3)
    found = critical_path(**told)
    assert found.end == max(told["departed"])
    assert sum(found.seconds.values()) + sum(found.changes.values()) + found.let_in == pytest.approx(
        found.end - found.begin
    )
    for one, other in zip(found.steps, found.steps[1:], strict=False):
        assert one.end == pytest.approx(other.begin)
        assert one.begin < one.end


def test_refusals_and_wrong_calls() -> None:
    assert isinstance(critical_path(["S"], [1.0], [1.0], [-1], [-1], ["A"], last=0), Refused)
    with pytest.raises(UsageError, match="none of the 1"):
        critical_path(["S"], [1.0], [1.0], [-1], [-1], ["A"], last=3)
    with pytest.raises(UsageError, match="without arrival"):
        critical_path(["S"], [None], [1.0], [-1], [-1], ["A"], last=0)
