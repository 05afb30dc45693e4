"""A print that is shifted, turned and stretched by known amounts."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.print_offset import PrintOffset, resolve
from broker_bridge.errors import UsageError

AMOUNT = st.floats(-0.2, 0.2)
TINY = st.floats(-1e-3, 1e-3)


def pads(generator: np.random.Generator, n: int = 200) -> tuple[np.ndarray, np.ndarray]:
    return generator.uniform(0, 250, n), generator.uniform(0, 180, n)


def moved(x, y, shift, turn, stretch, centre=(0.0, 0.0)):
    u, v = x - centre[0], y - centre[1]
    return shift[0] - turn * v + stretch[0] * u, shift[1] + turn * u + stretch[1] * v


@settings(max_examples=30)
@given(AMOUNT, AMOUNT, TINY, TINY, TINY, st.integers(0, 99))
def test_known_amounts_come_out_exactly_in_spite_of_smears(sx, sy, turn, ex, ey, seed) -> None:
    generator = np.random.default_rng(seed)
    x, y = pads(generator)
    dx, dy = moved(x, y, (sx, sy), turn, (ex, ey), (100, 50))
    dx[:40] += generator.uniform(1, 5, 40)
    found = resolve(x, y, dx, dy, centre=(100, 50))
    assert isinstance(found, PrintOffset)
    told = [p.value for p in (found.shift_x, found.shift_y, found.rotation, found.stretch_x, found.stretch_y)]
    assert told == pytest.approx([sx, sy, turn, ex, ey], abs=1e-7)
    assert set(found.outliers) == set(range(40))


def test_intervals_hold_what_they_promise_with_noise_and_smears() -> None:
    generator = np.random.default_rng(1)
    inside = np.zeros(5)
    truth = (0.05, -0.03, 4e-4, 2e-4, -1e-4)
    for _ in range(200):
        x, y = pads(generator)
        dx, dy = moved(x, y, truth[:2], truth[2], truth[3:], (125, 90))
        dx, dy = dx + generator.normal(0, 0.01, 200), dy + generator.normal(0, 0.01, 200)
        dy[:20] += 0.5
        found = resolve(x, y, dx, dy, centre=(125, 90))
        parts = (found.shift_x, found.shift_y, found.rotation, found.stretch_x, found.stretch_y)
        inside += [p.interval.low <= t <= p.interval.high for p, t in zip(parts, truth, strict=True)]
    assert inside.min() >= 0.9 * 200, inside


def test_null_prints_seldom_get_advice() -> None:
    generator = np.random.default_rng(2)
    advised = 0
    for _ in range(200):
        x, y = pads(generator)
        found = resolve(x, y, generator.normal(0, 0.02, 200), generator.normal(0, 0.02, 200))
        advised += not found.advice.startswith("No offset")
    assert advised <= stats.binom.ppf(0.999, 200, 0.05)


def test_advice_is_for_a_person() -> None:
    generator = np.random.default_rng(3)
    x, y = pads(generator)
    dx, dy = moved(x, y, (0.08, 0), 0.002, (0.001, 0), (float(x.mean()), float(y.mean())))
    found = resolve(x, y, dx + generator.normal(0, 0.005, 200), dy + generator.normal(0, 0.005, 200))
    assert "-0.08" in found.advice or "-0.079" in found.advice
    assert "degrees" in found.advice
    assert "no alignment mends" in found.advice
    assert "the person who aligns" in found.advice


def test_weights_and_missing_values() -> None:
    generator = np.random.default_rng(4)
    x, y = pads(generator, 40)
    dx, dy = moved(x, y, (0.1, 0.2), 0, (0, 0))
    dx[:3], weights = np.nan, np.ones(40)
    dx[3:9], weights[3:9] = 7, 0
    found = resolve(x, y, dx, dy, weights=weights, keys=[f"p{i}" for i in range(40)])
    assert found.shift_x.value == pytest.approx(0.1)
    assert found.pads == 31


def test_pads_in_a_row_do_not_tell_all() -> None:
    x = np.linspace(0, 100, 20)
    dx, dy = moved(x, np.zeros(20), (0.1, 0), 1e-3, (1e-4, 0), (50, 0))
    found = resolve(x, np.zeros(20), dx, dy)
    assert found.stretch_y is None
    assert found.rotation.value == pytest.approx(1e-3)
    assert found.stretch_x.value == pytest.approx(1e-4)


def test_refusals_and_wrong_calls() -> None:
    few = np.arange(7.0)
    assert isinstance(resolve(few, few, few, few), Refused)
    assert isinstance(resolve(np.ones(9), np.ones(9), np.ones(9), np.ones(9)), Refused)
    for call in (
        lambda: resolve([1], [1], [1], []),
        lambda: resolve([1] * 9, [1] * 9, [1] * 9, [1] * 9, weights=[-1] * 9),
    ):
        with pytest.raises(UsageError):
            call()
