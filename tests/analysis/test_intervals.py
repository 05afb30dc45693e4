"""Intervals against scipy and statsmodels, and published numbers."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from published import LEW, MAVRO, MICHELSO
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from broker_bridge.analysis.intervals import (
    Mean,
    Proportion,
    Refused,
    exact,
    garwood,
    mean,
    proportion,
    rate,
    wilson,
)
from broker_bridge.errors import UsageError


@st.composite
def shares(draw: st.DrawFn) -> tuple[int, int]:
    of = draw(st.integers(1, 5000))
    return draw(st.integers(0, of)), of


@settings(max_examples=60)
@given(shares(), st.sampled_from([0.8, 0.95, 0.99]))
def test_shares_agree_with_statsmodels(share: tuple[int, int], level: float) -> None:
    for ours, method in ((exact, "beta"), (wilson, "wilson")):
        low, high = proportion_confint(*share, alpha=1 - level, method=method)
        found = ours(*share, level)
        assert found.low == pytest.approx(np.nan_to_num(low, nan=0.0), abs=1e-9)
        assert found.high == pytest.approx(np.nan_to_num(high, nan=1.0), abs=1e-9)
        assert found.low <= share[0] / share[1] <= found.high


def test_first_pass_95_of_100() -> None:
    """Computed with statsmodels when the references were collected."""
    found = proportion(95, 100)
    assert isinstance(found, Proportion)
    assert (round(found.wilson.low, 5), round(found.wilson.high, 5)) == (0.88825, 0.97846)
    assert (round(found.exact.low, 5), round(found.exact.high, 5)) == (0.88717, 0.98357)


@settings(max_examples=40)
@given(st.integers(0, 400), st.floats(0.1, 1e7))
def test_rates_agree_with_scipy(number: int, of: float) -> None:
    found = garwood(number, of)
    assert found.low == pytest.approx(stats.chi2.ppf(0.025, 2 * number) / 2 / of if number else 0, rel=1e-8)
    assert found.high == pytest.approx(stats.chi2.ppf(0.975, 2 * number + 2) / 2 / of, rel=1e-8)


@settings(max_examples=40)
@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=30).filter(lambda v: np.std(v) > 1e-3))
def test_means_agree_with_scipy(values: list[float]) -> None:
    found = mean(np.array([*values, math.nan]))
    assert isinstance(found, Mean)
    low, high = stats.t.interval(0.95, len(values) - 1, np.mean(values), stats.sem(values))
    assert (found.interval.low, found.interval.high) == pytest.approx((low, high), rel=1e-7, abs=1e-7)
    assert found.of == len(values)


@pytest.mark.parametrize(
    ("values", "number", "average", "sd"),
    [
        (MICHELSO, 100, 299.8524, 0.0790105478190518),
        (MAVRO, 50, 2.001856, 0.000429123454003053),
        (LEW, 200, -177.435, 277.332168044316),
    ],
)
def test_certified_values_of_nist_strd(values, number: int, average: float, sd: float) -> None:
    found = mean(np.array(values, dtype=float))
    assert isinstance(found, Mean)
    assert found.of == number
    assert found.value == pytest.approx(average, rel=1e-13)
    assert found.sd == pytest.approx(sd, rel=1e-10)


@pytest.mark.parametrize("width", [3, 4])
def test_sd_of_large_numbers_with_small_spread(width: int) -> None:
    """NIST StRD NumAcc3 and NumAcc4: a one-pass sum of squares fails here. [Data from memory]"""
    base = 10.0 ** (width + 3)
    found = mean(np.array([base + 0.2] + [base + 0.1, base + 0.3] * 500))
    assert isinstance(found, Mean)
    assert found.value == pytest.approx(base + 0.2, rel=1e-12)
    assert found.sd == pytest.approx(0.1, rel=1e-7)


def test_nothing_is_refused_not_raised() -> None:
    assert isinstance(proportion(0, 0), Refused)
    assert isinstance(rate(0, 0), Refused)
    assert isinstance(mean(np.array([1.0, math.nan])), Refused)


@pytest.mark.parametrize(
    "call",
    [
        lambda: exact(3, 2),
        lambda: wilson(-1, 2),
        lambda: wilson(1, 2, 1.0),
        lambda: garwood(-1, 2),
        lambda: mean(np.array([1.0, 2.0]), 0),
    ],
)
def test_wrong_calls(call) -> None:
    with pytest.raises(UsageError):
        call()
