"""EWMA and CUSUM against published examples."""

import math

import numpy as np
import pytest

from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.weighted_charts import (
    Cusum,
    Ewma,
    cusum,
    cusum_run_length,
    ewma,
    shewhart_run_length,
)
from broker_bridge.errors import UsageError

# Montgomery, Table 9.1 (mean 10, sigma 1).
TABLE_9_1 = [
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62,
    10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
]  # fmt: skip


def test_ewma_nist_6_3_2_4() -> None:
    values = [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
        49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
    ]  # fmt: skip
    printed = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
        50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ]  # fmt: skip
    found = ewma(values, target=50, sigma=2.0539, weight=0.3, steady=True)
    assert isinstance(found, Ewma)
    assert found.points == pytest.approx(printed, abs=0.00501)
    assert (found.upper[0], found.lower[0]) == pytest.approx((52.5884, 47.4115), abs=1.01e-4)
    assert not found.signals


def test_cusum_nist_6_3_2_3() -> None:
    values = [
        324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
        324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
    ]  # fmt: skip
    above = [
        0,
        0,
        0,
        0,
        0.0325,
        0,
        0,
        0,
        0,
        0,
        0,
        0,
        3.0075,
        4.94,
        7.4475,
        10.63,
        11.9875,
        14.445,
        16.0025,
        19.035,
    ]
    below = [0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.715, 0.1725, 0.255, 0.3125, *([0] * 9)]
    sigma = 0.635
    found = cusum(
        values, target=325, sigma=sigma, allowance=0.3175 / sigma, decision=4.1959 / sigma, keys=range(1, 21)
    )
    assert isinstance(found, Cusum)
    assert found.above == pytest.approx(above, abs=1e-9)
    assert found.below == pytest.approx(below, abs=1e-9)
    assert found.decision == pytest.approx(4.1959)
    assert found.signals[0] == 14
    assert found.began == 13


def test_cusum_montgomery() -> None:
    above = [
        0, 0, 0, 1.16, 2.82, 2.50, 0.04, 1.00, 0, 0, 0, 0.97, 0.98, 0, 0, 0, 0.12, 0, 0, 0.34, 0.74, 0, 1.79,
        2.79, 2.89, 3.47, 3.35, 4.47, 5.28, 5.30,
    ]  # fmt: skip
    below = [
        0.05, 1.56, 1.77, 0, 0, 0, 1.46, 0, 0.30, 0, 0.47, 0, 0, 0.10, 0, 0.13, 0, 0, 0.98, 0, 0, 0.17, *([0] * 8),
    ]  # fmt: skip
    found = cusum(TABLE_9_1, target=10, sigma=1, keys=range(1, 31))
    assert isinstance(found, Cusum)
    assert found.above == pytest.approx(above, abs=1e-9)
    assert found.below == pytest.approx(below, abs=1e-9)
    assert found.signals == (29, 30)
    assert found.began == 23
    assert found.false_alarm_every == pytest.approx(465.4, abs=0.5)


def test_ewma_montgomery() -> None:
    found = ewma(TABLE_9_1, target=10, sigma=1, weight=0.1, width=2.7, keys=range(1, 31))
    assert isinstance(found, Ewma)
    assert found.points[:3] == pytest.approx((9.945, 9.7495, 9.70355))
    assert found.points[27:] == pytest.approx((10.57314, 10.64682, 10.63414), abs=5e-6)
    for place, low, high in ((0, 9.73, 10.27), (1, 9.6368, 10.3632), (28, 9.3813, 10.6187)):
        assert (found.lower[place], found.upper[place]) == pytest.approx((low, high), abs=5e-5)
    assert found.signals[0] == 29


def test_vectors_of_qcc() -> None:
    found = cusum([1.5, 0.5, 0.6, -1.5, -0.5, -0.8], target=0, sigma=1, decision=1, keys=range(1, 7))
    assert found.above == pytest.approx((1, 1, 1.1, 0, 0, 0))
    assert found.below == pytest.approx((0, 0, 0, 1, 1, 1.3))
    assert found.signals == (3, 6), "on the line is no signal"
    average = ewma([11, 13, 12], target=10, sigma=2, weight=0.5, width=2)
    assert average.points == (10.5, 11.75, 11.875)
    assert average.sigma == pytest.approx((1, math.sqrt(1.25), math.sqrt(1.3125)))


@pytest.mark.parametrize(
    ("decision", "lengths"),
    [
        (4, {0: 335.4, 0.5: 26.68, 1: 8.38, 1.5: 4.75, 2: 3.34, 3: 2.19}),
        (5, {0: 930.9, 0.5: 38.0, 1: 10.38, 1.5: 5.75, 2: 4.01, 3: 2.57}),
    ],
)
def test_run_lengths_of_cusum(decision: float, lengths: dict[float, float]) -> None:
    """Brook and Evans' chain, computed when the references were collected; Montgomery prints 168 and 465 for two sides."""
    for shift, expected in lengths.items():
        assert cusum_run_length(0.5, decision, shift) == pytest.approx(expected, rel=5e-4, abs=0.006)
    assert round(cusum_run_length(0.5, decision) / 2) == {4: 168, 5: 465}[decision]


def test_run_lengths_of_limits() -> None:
    for shift, expected in {0: 370.4, 0.5: 155.2, 1: 43.9, 1.5: 14.97, 2: 6.30, 3: 2.00}.items():
        assert shewhart_run_length(shift) == pytest.approx(expected, rel=2e-3)


def test_stated_false_alarms_are_not_exceeded() -> None:
    generator = np.random.default_rng(7)
    cried = points = 0
    for _ in range(200):
        values = generator.normal(size=400)
        found = cusum(values, target=0, sigma=1)
        first = found.signals[0] if found.signals else None
        points += 400 if first is None else first + 1
        cried += first is not None
    expected = points / found.false_alarm_every
    assert cried <= expected + 3 * math.sqrt(expected)


def test_missing_values_refusals_and_wrong_calls() -> None:
    assert ewma([None, 1], target=0, sigma=1, keys="ab").keys == ("b",)
    assert isinstance(ewma([], target=0, sigma=1), Refused)
    assert isinstance(cusum([None], target=0, sigma=1), Refused)
    for call in (lambda: ewma([1], target=0, sigma=0), lambda: ewma([1], target=0, sigma=1, weight=1.5)):
        with pytest.raises(UsageError):
            call()
