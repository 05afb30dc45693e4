"""Exact tests, ratios and adjustments against scipy and statsmodels."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import confint_proportions_2indep

from broker_bridge.analysis.comparisons import difference, exact_test, holm, risk_ratio
from broker_bridge.errors import UsageError


@st.composite
def tables(draw: st.DrawFn) -> tuple[int, int, int, int]:
    m, o = draw(st.integers(1, 300)), draw(st.integers(1, 300))
    return draw(st.integers(0, m)), m, draw(st.integers(0, o)), o


@settings(max_examples=80)
@given(tables())
def test_one_table_is_fishers_exact_test(table) -> None:
    a, m, b, o = table
    assert exact_test([table]) == pytest.approx(
        stats.fisher_exact([[a, m - a], [b, o - b]]).pvalue, rel=1e-6, abs=1e-12
    )


def test_strata_keep_a_difficult_part_from_blaming_its_reel() -> None:
    """Within each part both reels are alike; together they look different: Simpson's paradox."""
    parts = [(40, 400, 10, 100), (1, 100, 4, 400)]
    assert exact_test([(41, 500, 14, 500)]) < 0.001
    assert exact_test(parts) > 0.9
    ratio, interval = risk_ratio(parts, 0.95)
    assert interval.low < 1 < interval.high
    assert ratio == pytest.approx(1)


@settings(max_examples=40)
@given(tables().filter(lambda t: t[0] > 0 and t[2] > 0))
def test_one_table_gives_katz_interval(table) -> None:
    a, m, b, o = table
    ratio, interval = risk_ratio([table], 0.95)
    spread = np.sqrt(max(0, 1 / a - 1 / m + 1 / b - 1 / o))
    assert ratio == pytest.approx((a / m) / (b / o))
    assert interval.high == pytest.approx(ratio * np.exp(1.959963984540054 * spread), rel=1e-6)
    theirs = stats.contingency.relative_risk(a, m, b, o).confidence_interval(0.95)
    assert (interval.low, interval.high) == pytest.approx((theirs.low, theirs.high), rel=1e-6)


@settings(max_examples=8)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=20))
def test_holm(chances: list[float]) -> None:
    assert holm(chances) == pytest.approx(multipletests(chances, method="holm")[1])


@settings(max_examples=40)
@given(tables())
def test_difference_is_newcombes(table) -> None:
    a, m, b, o = table
    gap, interval = difference(a, m, b, o, 0.95)
    low, high = confint_proportions_2indep(a, m, b, o, method="newcomb", compare="diff")
    assert (interval.low, interval.high) == pytest.approx((low, high), abs=1e-9)
    assert interval.low - 1e-12 <= gap <= interval.high + 1e-12


def test_ends() -> None:
    assert risk_ratio([(0, 5, 0, 5)], 0.95) is None
    assert risk_ratio([(1, 5, 0, 0)], 0.95) is None
    ratio, interval = risk_ratio([(3, 5, 0, 5)], 0.95)
    assert 1 < ratio < interval.high
    with pytest.raises(UsageError):
        exact_test([(6, 5, 0, 5)])
