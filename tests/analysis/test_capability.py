"""Capability against published examples."""

import numpy as np
import pytest
from published import HARD_BAKE, PISTON
from scipy import stats

from broker_bridge.analysis.capability import (
    Capability,
    PercentileCapability,
    capability,
    indices,
    percentile_capability,
)
from broker_bridge.analysis.intervals import Refused
from broker_bridge.errors import UsageError

# luca-scr/qcc, tests/testthat/test-capability.R
SMALL = [[10.00, 10.02, 9.98, 10.01], [10.03, 9.99, 10.01, 10.00], [9.97, 10.04, 10.02, 9.99]]


def test_nist_6_1_6() -> None:
    found = indices(16, 2, 50, lower=8, upper=20, target=14)
    assert found.both[0] == 1.0
    assert found.upper[0] == pytest.approx(0.6667, abs=5e-5)
    assert found.lower[0] == pytest.approx(1.3333, abs=5e-5)
    assert found.worse[0] == found.upper[0]
    assert found.target[0] == pytest.approx(0.7071, abs=5e-5)


@pytest.mark.parametrize("spread", ["within", "overall"])
def test_intervals_of_qcc(spread: str) -> None:
    """d2(4) = 2.059 as printed. Trap: the one-sided rows are headed 2.5 and 97.5 %, but are those of 90 %."""
    expected = {
        "within": {
            "both": (1.372667, 0.808460, 1.937713), "lower": (1.441300, 0.911657, 1.970943),
            "upper": (1.304033, 0.820114, 1.787953), "worse": (1.304033, 0.727408, 1.880659),
        },
        "overall": {
            "both": (1.612598, 0.949773, 2.276410), "lower": (1.693228, 1.078708, 2.307749),
            "upper": (1.531968, 0.971902, 2.092035), "worse": (1.531968, 0.864608, 2.199329),
        },
    }[spread]  # fmt: skip
    for name, numbers in expected.items():
        level = 0.90 if name in ("lower", "upper") else 0.95
        found = capability(SMALL, lower=9.9, upper=10.1, target=10, level=level, least=12, places=3)
        assert isinstance(found, Capability)
        value, interval = getattr(getattr(found, spread), name)
        assert (value, interval.low, interval.high) == pytest.approx(numbers, abs=2e-6), name


@pytest.mark.parametrize(
    ("spread", "printed"),
    [("within", (1.344463, 0.804207, 1.885321)), ("overall", (1.567395, 0.933327, 2.202237))],
)
def test_interval_about_a_target(spread: str, printed: tuple[float, float, float]) -> None:
    """Cpm is qcc's. Trap: the printed interval has n (1 + a^2) / (1 + 2 a^2) degrees of freedom; Boyles' are squared.

    Matching mean and variance of the spread about the target gives the square; test_intervals_hold proves it.
    """
    found = capability(SMALL, lower=9.9, upper=10.1, target=10, least=12, places=3)
    part = getattr(found, spread)
    value, interval = part.target
    assert value == pytest.approx(printed[0], abs=2e-6)
    a2 = ((found.mean - 10) / part.sigma) ** 2
    for power, bounds in ((1, printed[1:]), (2, (interval.low, interval.high))):
        degrees = 12 * (1 + a2) ** power / (1 + 2 * a2)
        expected = [value * np.sqrt(stats.chi2.ppf(p, degrees) / degrees) for p in (0.025, 0.975)]
        assert expected == pytest.approx(bounds, abs=3e-6)


def test_few_values_are_refused_politely() -> None:
    refused = capability(SMALL, lower=9.9, upper=10.1)
    assert isinstance(refused, Refused)
    assert (refused.have, refused.need) == (12, 25)
    assert isinstance(capability([1.0] * 30, lower=0, upper=2), Refused)
    assert isinstance(percentile_capability(range(740), lower=0), Refused)
    assert isinstance(percentile_capability([1.0] * 800, lower=0), Refused)


def test_piston_rings() -> None:
    found = capability(PISTON, lower=73.95, upper=74.05, target=74)
    assert isinstance(found, Capability)
    told = (found.within.both[0], found.within.worse[0], found.overall.both[0], found.overall.worse[0])
    assert told == pytest.approx((1.7032, 1.6632, 1.6551, 1.6162), abs=5e-5)
    assert round(found.overall.sigma, 7) == 0.0100700
    assert found.outside == 0


def test_hard_bake() -> None:
    found = capability(HARD_BAKE, lower=1.0, upper=2.0)
    assert isinstance(found, Capability)
    assert round(found.within.both[0], 3) == 1.192
    assert round(found.within.worse[0], 3) == 1.179
    assert found.within.target is None


@pytest.mark.parametrize(
    ("cp", "ppm"), [(0.5, 133614), (1, 2699.8), (1.33, 66.07), (1.5, 6.795), (1.67, 0.544), (2, 0.00197)]
)
def test_fallout_of_a_centred_process(cp: float, ppm: float) -> None:
    found = indices(0, 1, 100, lower=-3 * cp, upper=3 * cp)
    assert found.fallout_ppm == pytest.approx(ppm, rel=2e-3)


def test_intervals_hold_what_they_promise() -> None:
    generator = np.random.default_rng(11)
    inside = {"both": 0, "worse": 0, "target": 0}
    truth = {"both": 4 / 3, "worse": 7 / 6, "target": 4 / 3 / np.sqrt(1.25)}
    for _ in range(300):
        found = capability(generator.normal(0.5, 1, 60), lower=-4, upper=4, target=0).overall
        for name in inside:
            interval = getattr(found, name)[1]
            inside[name] += interval.low <= truth[name] <= interval.high
    assert min(inside.values()) >= 0.92 * 300, inside


def test_remarks() -> None:
    generator = np.random.default_rng(12)
    skewed = capability(generator.exponential(size=200), upper=8)
    assert any("not normal" in remark for remark in skewed.remarks)
    assert skewed.within.both is skewed.within.lower is skewed.off_centre is None
    wandering = capability(np.cumsum(generator.normal(size=200)), upper=90)
    assert any("wanders" in remark for remark in wandering.remarks)


def test_percentiles() -> None:
    values = stats.norm.ppf((np.arange(20_000) + 0.5) / 20_000, 10, 1)
    found = percentile_capability(values, lower=6, upper=14)
    assert isinstance(found, PercentileCapability)
    assert (found.pp, found.ppk) == pytest.approx((4 / 3, 4 / 3), rel=1e-2)
    assert all(i.low < p < i.high for i, p in zip(found.intervals, found.percentiles, strict=True))
    few = percentile_capability(values[::25], lower=6)
    assert few.intervals[0] is None, "800 values do not bound their 0.135 percentile from below"
    assert few.intervals[1] is not None
    assert few.pp is None


def test_percentile_intervals_hold_what_they_promise() -> None:
    generator = np.random.default_rng(13)
    inside = 0
    for _ in range(200):
        found = percentile_capability(generator.exponential(size=5000), upper=10)
        inside += found.intervals[2].low <= stats.expon.ppf(1 - 0.00135) <= found.intervals[2].high
    assert inside >= 0.92 * 200


def test_wrong_calls() -> None:
    for call in (
        lambda: capability(range(30)),
        lambda: capability(range(30), lower=3, upper=3),
        lambda: indices(0, 0, 30, lower=1),
        lambda: percentile_capability(range(3)),
    ):
        with pytest.raises(UsageError):
            call()
