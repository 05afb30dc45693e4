"""Gauge studies against AIAG's example and statsmodels."""

import numpy as np
import pandas as pd
import pytest
from published import GAUGE
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from broker_bridge.analysis.gauge import GaugeStudy, analysis_of_variance, average_and_range
from broker_bridge.analysis.intervals import Refused
from broker_bridge.errors import UsageError

AIAG = np.array([GAUGE[name] for name in "ABC"]).transpose(0, 2, 1)


def test_average_and_range_of_aiag() -> None:
    """MSA 4th edition, Fig. III-B 15; its K factors have four digits."""
    found = average_and_range(AIAG)
    assert isinstance(found, GaugeStudy)
    sd = {name: source.sd for name, source in found.sources.items()}
    printed = {
        "repeatability": 0.20188,
        "reproducibility": 0.22963,
        "gauge": 0.30575,
        "part": 1.10460,
        "total": 1.14610,
    }
    assert sd == pytest.approx(printed, abs=2e-4)
    percent = [found.sources[n].percent_study for n in printed]
    assert percent == pytest.approx([17.61, 20.04, 26.68, 96.38, 100], abs=0.02)
    assert found.distinct_categories == 5
    assert found.out_of_control == ((1, 3),), "appraiser B, part 4"
    assert found.judgement.startswith("may be acceptable")


def test_analysis_of_variance_of_aiag() -> None:
    found = analysis_of_variance(AIAG)
    assert isinstance(found, GaugeStudy)
    rows = {row.source: row for row in found.anova}
    assert [round(rows[n].sum_of_squares, 5) for n in ("appraiser", "part", "interaction", "error")] == [
        3.16726, 88.36193, 0.35898, 2.75893,
    ]  # fmt: skip
    assert [rows[n].freedom for n in rows] == [2, 9, 18, 60]
    assert [round(rows[n].mean_square, 6) for n in rows] == [1.583631, 9.817993, 0.019943, 0.045982]
    assert [round(rows[n].f, 3) for n in ("appraiser", "part")] == [34.440, 213.517]
    assert round(rows["interaction"].f, 4) == 0.4337
    assert round(rows["interaction"].p, 3) == 0.974
    assert found.pooled
    variance = {n: round(s.variance, 6) for n, s in found.sources.items()}
    assert variance == {
        "repeatability": 0.039973, "appraiser": 0.051455, "interaction": 0, "reproducibility": 0.051455,
        "gauge": 0.091429, "part": 1.086447, "total": 1.177875,
    }  # fmt: skip
    names = ("repeatability", "reproducibility", "gauge", "part", "total")
    assert [round(found.sources[n].sd, 5) for n in names] == [0.19993, 0.22684, 0.30237, 1.04233, 1.08530]
    assert [round(found.sources[n].percent_study, 2) for n in names[:4]] == [18.42, 20.90, 27.86, 96.04]
    assert round(found.sources["gauge"].percent_contribution, 2) == 7.76
    assert found.distinct_categories == 4, "the other method says 5 on the same data"
    assert found.repeatability.low < 0.19993 < found.repeatability.high
    assert found.gauge.low < 0.30237 < found.gauge.high


def test_not_pooled() -> None:
    found = analysis_of_variance(AIAG, pool_above=1.0)
    variance = {n: round(s.variance, 6) for n, s in found.sources.items()}
    names = ("repeatability", "interaction", "appraiser", "part", "gauge", "total")
    assert [variance[n] for n in names] == [0.045982, 0, 0.052123, 1.088672, 0.098105, 1.186777]
    assert round(found.sources["gauge"].percent_study, 2) == 28.75
    assert found.distinct_categories == 4


def test_designed_case() -> None:
    inner = np.array([[4, -4, 0], [-4, 0, 4], [0, 4, -4]])
    cells = np.array([10, 20, 30])[None, :] + np.array([0, 5, -5])[:, None] + inner.T
    found = analysis_of_variance(np.stack([cells - 1.0, cells + 1.0], axis=2))
    assert [row.sum_of_squares for row in found.anova] == pytest.approx([300, 1200, 192, 18])
    variance = {n: s.variance for n, s in found.sources.items()}
    assert variance == pytest.approx(
        {"repeatability": 2, "interaction": 23, "appraiser": 17, "reproducibility": 40, "part": 92, "gauge": 42, "total": 134}
    )  # fmt: skip
    assert not found.pooled
    assert found.distinct_categories == 2


def test_hand_case() -> None:
    """2 x 2 x 2: mean range .2, difference of appraisers .3 (K2 .7071), range of parts 1.0."""
    found = average_and_range([[[1.0, 1.2], [2.0, 2.2]], [[1.3, 1.5], [2.3, 2.5]]])
    repeat = 0.2 / 1.128379
    assert found.sources["repeatability"].sd == pytest.approx(repeat)
    assert found.sources["part"].sd == pytest.approx(1.0 * 0.7071, abs=5e-5)
    assert found.sources["reproducibility"].variance == pytest.approx(
        (0.3 * 0.7071) ** 2 - repeat**2 / 4, abs=1e-5
    )


@pytest.mark.parametrize("seed", range(4))
def test_random_studies_agree_with_statsmodels(seed: int) -> None:
    generator = np.random.default_rng(seed)
    table = (
        generator.normal(size=(3, 6, 2)) * 0.3
        + generator.normal(size=(1, 6, 1))
        + generator.normal(size=(3, 1, 1)) * 0.2
    )
    found = analysis_of_variance(table)
    a, p, _ = np.indices(table.shape)
    frame = pd.DataFrame({"y": table.ravel(), "a": a.ravel(), "p": p.ravel()})
    theirs = anova_lm(ols("y ~ C(a) * C(p)", data=frame).fit())
    for row, place in zip(found.anova, ("C(a)", "C(p)", "C(a):C(p)", "Residual"), strict=True):
        assert row.sum_of_squares == pytest.approx(theirs.loc[place, "sum_sq"])
        if row.f is not None:
            assert row.f == pytest.approx(theirs.loc[place, "F"])
            assert row.p == pytest.approx(theirs.loc[place, "PR(>F)"], rel=1e-6, abs=1e-12)


def test_interval_of_the_gauge_holds_what_it_promises() -> None:
    generator = np.random.default_rng(9)
    inside = 0
    for _ in range(200):
        table = (
            generator.normal(0, 1, (1, 10, 1))
            + generator.normal(0, 0.2, (8, 1, 1))
            + generator.normal(0, 0.3, (8, 10, 2))
        )
        found = analysis_of_variance(table)
        inside += found.gauge.low <= np.sqrt(0.2**2 + 0.3**2) <= found.gauge.high
    assert inside >= 0.9 * 200


def test_tolerance_refusals_and_wrong_calls() -> None:
    assert average_and_range(AIAG, tolerance=8).percent_tolerance == pytest.approx(22.93, abs=0.02)
    assert isinstance(average_and_range(AIAG[:1]), Refused)
    assert isinstance(average_and_range(np.zeros((2, 2, 2))), Refused)
    assert isinstance(analysis_of_variance(np.zeros((2, 2, 2))), Refused)
    assert isinstance(analysis_of_variance([[[1, None], [1, 2]]] * 2), Refused)
    with pytest.raises(UsageError):
        average_and_range([1, 2])
