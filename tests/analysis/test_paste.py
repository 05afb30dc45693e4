"""Paste pad by pad: known causes are found and ranked first, chance is not."""

import time
import tracemalloc

import numpy as np
import pytest
from scipy import stats

from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.paste import Changes, by_component, drift, pad_statistics, stroke_difference
from broker_bridge.errors import UsageError


def test_statistics() -> None:
    found = pad_statistics(
        [[1, 5], [2, None], [3, 7], [9, 9]],
        pads=["U1.1", "U1.2"],
        prints=["p1", "p2", "p3", "p4"],
        void=[False, False, False, True],
        lower=2,
        upper=[2.5, 7],
    )
    assert found.measured == (3, 2)
    assert found.mean == (2, 6)
    assert found.sd == pytest.approx((1, np.sqrt(2)))
    assert (found.below, found.above) == ((1, 0), (1, 0))
    assert (found.lowest, found.highest) == ((1, 5), (3, 7))
    assert (found.prints, found.void) == (("p1", "p2", "p3"), ("p4",))
    assert found.half_width[0] == pytest.approx(stats.t.ppf(0.975, 2) / np.sqrt(3))
    empty = pad_statistics([[None]])
    assert (empty.mean, empty.sd, empty.lowest, empty.measured) == ((None,), (None,), (None,), (0,))


def test_agrees_with_numpy() -> None:
    table = np.random.default_rng(1).normal(1e6, 0.1, (50, 7))
    table[3, 2] = np.nan
    found = pad_statistics(table)
    assert found.mean == pytest.approx(np.nanmean(table, axis=0), rel=1e-12)
    assert found.sd == pytest.approx(np.nanstd(table, axis=0, ddof=1), rel=1e-6)


def test_limits_in_force_at_each_print() -> None:
    found = pad_statistics([[1], [1], [1]], lower=[[2], [1], [2]], void=[False, False, True])
    assert found.below == (1,)


def test_a_thousand_panels_of_5000_pads() -> None:
    table = np.random.default_rng(2).normal(1, 0.1, (1000, 5000))
    started = time.perf_counter()
    found = pad_statistics(table, lower=0.5, upper=1.5)
    took = time.perf_counter() - started
    assert len(found.pads) == 5000
    assert took < 3, f"{took:.2f} s; alone on a machine it takes well under 1 s"
    tracemalloc.start()
    pad_statistics(table[:200], lower=0.5, upper=1.5)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert 5 * peak + table.nbytes < 1e9


def test_components() -> None:
    table, names = by_component([[1, 3, 5], [2, 4, None]], ["R1", "R1", "C1"])
    assert names == ("R1", "C1")
    assert table[0].tolist() == [2, 5]
    assert table[1, 0] == 3
    assert np.isnan(table[1, 1])


def worn(generator: np.random.Generator, prints: int = 200, pads: int = 300) -> np.ndarray:
    """Prints share a level that wanders; pads have a level of their own."""
    common = 1 + np.cumsum(generator.normal(0, 0.002, prints))
    return common[:, None] * generator.normal(0.85, 0.05, pads) * generator.normal(1, 0.06, (prints, pads))


def test_a_worn_aperture_is_found_and_ranked_first() -> None:
    table = worn(np.random.default_rng(3))
    table[:, 17] *= np.linspace(1, 0.8, 200)
    found = drift(table, relative=True, pads=[f"pad{i}" for i in range(300)])
    assert isinstance(found, Changes)
    assert found.found[0].pad == "pad17"
    assert len(found.found) == 1
    assert found.found[0].interval.low < -0.2 / 200 < found.found[0].interval.high
    assert (found.tested, found.false_alarms) == (300, 0.05)


def test_drift_is_told_before_a_limit_breaks() -> None:
    generator = np.random.default_rng(4)
    table = generator.normal(1, 0.05, (100, 20))
    table[:, 5] = 1 - 0.003 * np.arange(100) + generator.normal(0, 0.05, 100)
    found = drift(table, lower=0.5, upper=1.5)
    (change,) = found.found
    assert change.pad == 5
    assert (table[:, 5] > 0.5).all(), "no limit is broken yet"
    left = (1 - 0.003 * 99 - 0.5) / 0.003
    assert change.soonest < left < 2 * change.prints_to_limit
    assert change.prints_to_limit == pytest.approx(left, rel=0.3)
    up = drift(2 - table, lower=0.5, upper=1.5).found[0]
    assert up.prints_to_limit == pytest.approx(change.prints_to_limit)


def test_null_sets_do_not_drift_more_often_than_stated() -> None:
    generator = np.random.default_rng(5)
    absolute = sum(bool(drift(generator.normal(1, 0.1, (60, 40))).found) for _ in range(200))
    relative = sum(bool(drift(worn(generator, 60, 40), relative=True).found) for _ in range(200))
    assert absolute <= 10
    assert relative <= 10


def test_washed_prints_are_void() -> None:
    generator = np.random.default_rng(6)
    table = generator.normal(1, 0.05, (60, 3))
    table[50:] = 9
    washed = [i >= 50 for i in range(60)]
    found = drift(table, void=washed)
    assert not found.found
    assert found.void == tuple(range(50, 60))


def test_stroke_direction() -> None:
    generator = np.random.default_rng(7)
    table = generator.normal(1, 0.05, (100, 30))
    strokes = ["forward", "backward"] * 50
    table[1::2, 4] += 0.1
    found = stroke_difference(table, strokes, pads=[f"p{i}" for i in range(30)])
    assert [change.pad for change in found.found] == ["p4"]
    assert found.found[0].interval.low < 0.1 < found.found[0].interval.high, "backward comes first by name"
    plain = stats.ttest_ind(table[1::2, 4], table[::2, 4], equal_var=False).pvalue
    assert found.found[0].p == pytest.approx(30 * plain, rel=1e-6)


def test_null_sets_show_no_stroke_more_often_than_stated() -> None:
    generator = np.random.default_rng(8)
    strokes = ["forward", "backward"] * 30
    cried = sum(
        bool(stroke_difference(generator.normal(1, 0.1, (60, 20)), strokes).found) for _ in range(200)
    )
    assert cried <= stats.binom.ppf(0.999, 200, 0.05), "200 sets measure 5 % with an error of their own"


def test_refusals_and_wrong_calls() -> None:
    assert isinstance(drift(np.ones((19, 2))), Refused)
    assert isinstance(drift(np.full((40, 2), np.nan)), Refused)
    assert isinstance(stroke_difference(np.ones((9, 1)), ["f"] * 9), Refused)
    assert isinstance(stroke_difference(np.ones((6, 1)), ["f", "b"] * 3), Refused)
    some = np.random.default_rng(9).normal(size=(40, 2))
    some[:, 1] = np.nan
    assert drift(some).too_few == (1,)
    for call in (
        lambda: pad_statistics([1, 2]),
        lambda: pad_statistics([[1]], pads=[1, 2]),
        lambda: pad_statistics([[1]], void=[True, False]),
        lambda: drift(np.ones((30, 2)), relative=True, lower=0),
        lambda: by_component([[1, 2]], ["R1"]),
    ):
        with pytest.raises(UsageError):
            call()
