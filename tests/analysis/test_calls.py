"""False calls and escapes."""

import pytest
from statsmodels.stats.inter_rater import cohens_kappa

from broker_bridge.analysis.calls import call_quality, cohen_kappa, defect_level, quality_of_counts
from broker_bridge.analysis.intervals import Refused
from broker_bridge.errors import UsageError


def test_worked_example() -> None:
    """TP 92, FN 8, FP 950, TN 98950; formulas as in SMTnet forum thread 14872."""
    found = quality_of_counts(hit=92, false=950, escaped=8, good=99_900)
    assert (found.detection.value, found.escape_rate.value) == (0.92, 0.08)
    assert found.false_call_ppm.value == pytest.approx(9500)
    assert round(found.false_positive_rate.value, 7) == 0.0095095
    assert round(found.precision.value, 6) == 0.088292
    assert round(found.false_calls_per_defect, 3) == 10.326
    assert found.escapes_ppm.value == pytest.approx(80)
    assert (found.escape_rate.of, found.escapes_ppm.of) == (100, 100_000), "two denominators, two names"


def test_rows_name_their_members() -> None:
    found = call_quality(
        [True, True, True, False, False, None],
        [True, False, None, True, None, None],
        keys="abcdef",
        looked_again=True,
    )
    assert found.detection.members == ("a",)
    assert found.false_call_ppm.members == ("b",)
    assert found.open_reviews == ("c",)
    assert found.escape_rate.members == ("d",)
    assert (found.false_call_ppm.of, found.coverage.number, found.coverage.of) == (5, 5, 6)
    assert (found.precision.number, found.precision.of) == (1, 2)


def test_escapes_are_not_known_where_nothing_looked_again() -> None:
    found = call_quality([True, False], [True, None], looked_again=False)
    assert all(isinstance(n, Refused) for n in (found.detection, found.escape_rate, found.escapes_ppm))
    assert found.precision.value == 1


def test_williams_brown() -> None:
    assert round(defect_level(0.5, 0.9), 6) == 0.066967
    assert round(defect_level(0.8, 0.95), 6) == 0.011095


def test_kappa() -> None:
    table = [[20, 5], [10, 15]]
    assert cohen_kappa(table) == pytest.approx(0.40)
    assert cohen_kappa(table) == pytest.approx(cohens_kappa(table).kappa)
    assert isinstance(cohen_kappa([[5, 0], [0, 0]]), Refused)


def test_wrong_calls() -> None:
    for call in (
        lambda: quality_of_counts(hit=1, false=3, escaped=0, good=2),
        lambda: cohen_kappa([[1, 2]]),
        lambda: defect_level(0, 0.5),
    ):
        with pytest.raises(UsageError):
            call()
