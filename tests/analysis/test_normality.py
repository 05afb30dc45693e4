"""Anderson and Darling's test against statsmodels."""

import numpy as np
import pytest
from statsmodels.stats.diagnostic import normal_ad

from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.normality import Normality, anderson_darling


@pytest.mark.parametrize("kind", ["normal", "exponential", "uniform", "gumbel", "laplace"])
@pytest.mark.parametrize("size", [8, 30, 400])
def test_agrees_with_statsmodels(kind: str, size: int) -> None:
    values = getattr(np.random.default_rng(size), kind)(size=size)
    found = anderson_darling(values)
    assert isinstance(found, Normality)
    statistic, p = normal_ad(values)
    assert found.a_squared == pytest.approx(statistic, rel=1e-9)
    assert found.p == pytest.approx(p, rel=1e-6, abs=1e-12)


def test_null_sets() -> None:
    generator = np.random.default_rng(1)
    cried = sum(anderson_darling(generator.normal(size=40)).p < 0.05 for _ in range(200))
    assert cried <= 10 + 3 * np.sqrt(9.5)


def test_refusals() -> None:
    assert isinstance(anderson_darling([1, 2, 3]), Refused)
    assert isinstance(anderson_darling([1] * 20), Refused)
