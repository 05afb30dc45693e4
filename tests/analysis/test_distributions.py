"""Tail probabilities and quantiles against scipy."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from broker_bridge.analysis import distributions as ours

SHARE = st.floats(1e-6, 1 - 1e-6)
DEGREES = st.one_of(st.integers(1, 40), st.integers(40, 20_000))


@settings(max_examples=60)
@given(SHARE, DEGREES)
def test_chi_square(share: float, degrees: int) -> None:
    x = stats.chi2.ppf(share, degrees)
    assert ours.chi_square_quantile(share, degrees) == pytest.approx(x, rel=1e-8)
    assert ours.chi_square_below(x, degrees) == pytest.approx(share, rel=1e-8)


@settings(max_examples=60)
@given(SHARE, DEGREES, DEGREES)
def test_beta(share: float, a: int, b: int) -> None:
    assert ours.beta_quantile(share, a, b) == pytest.approx(stats.beta.ppf(share, a, b), rel=1e-8)


@settings(max_examples=60)
@given(SHARE, DEGREES)
def test_student(share: float, degrees: int) -> None:
    t = stats.t.ppf(share, degrees)
    assert ours.student_quantile(share, degrees) == pytest.approx(t, rel=1e-8, abs=1e-9)
    assert ours.student_above(t, degrees) == pytest.approx(1 - share, rel=1e-7)


@settings(max_examples=60)
@given(st.floats(0, 30), DEGREES, DEGREES)
def test_f(value: float, upper: int, lower: int) -> None:
    assert ours.f_above(value, upper, lower) == pytest.approx(
        stats.f.sf(value, upper, lower), rel=1e-7, abs=1e-14
    )


@given(st.floats(-8, 8))
def test_normal(z: float) -> None:
    assert ours.normal_below(z) == pytest.approx(stats.norm.cdf(z), rel=1e-12)


def test_ends() -> None:
    assert ours.chi_square_quantile(0.5, 0) == ours.gamma_below(3, 0) == ours.beta_below(2, 2, 0) == 0
    assert ours.beta_below(2, 2, 1) == ours.f_above(0, 2, 2) == 1
    assert ours.student_quantile(0.5, 3) == 0
    assert ours.two_sided_z(0.95) == pytest.approx(1.959964, abs=1e-6)
