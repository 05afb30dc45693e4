"""Stencil wear and cleaning."""

import numpy as np
import pytest

from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.stencil import Cleaning, Wear, cleaning_effect, wear
from broker_bridge.errors import UsageError


def test_wear_is_found() -> None:
    generator = np.random.default_rng(1)
    seen, inside = np.arange(1000), 0
    for _ in range(200):
        found = wear(0.9 - 2e-5 * seen + generator.normal(0, 0.03, 1000), seen)
        assert isinstance(found, Wear)
        assert found.certain
        inside += found.interval.low < -0.02 < found.interval.high
    assert inside >= 0.92 * 200


def test_null_sets() -> None:
    generator = np.random.default_rng(2)
    worn = sum(wear(generator.normal(0.9, 0.03, 200), range(200)).certain for _ in range(200))
    cleaned = [i % 10 == 0 and i > 0 for i in range(200)]
    helped = sum(cleaning_effect(generator.normal(0.9, 0.03, 200), cleaned).certain for _ in range(200))
    assert worn <= 10 + 3 * np.sqrt(9.5)
    assert helped <= 10 + 3 * np.sqrt(9.5)


def test_cleaning_helps() -> None:
    generator = np.random.default_rng(3)
    values = [0.9 - 0.01 * (i % 10) + generator.normal(0, 0.01) for i in range(100)]
    found = cleaning_effect(values, [i % 10 == 0 for i in range(100)], keys=[f"b{i}" for i in range(100)])
    assert isinstance(found, Cleaning)
    assert found.difference.interval.low < 0.07 < found.difference.interval.high
    assert found.certain
    assert found.left_out == ("b0",)
    assert found.cleanings[0] == "b10"


def test_washed_prints_are_void_and_neighbouring_cleanings_share_nothing() -> None:
    values = [1.0, 2.0] * 8
    cleaned = [i % 2 == 1 for i in range(16)]
    found = cleaning_effect(values, cleaned, reach=3)
    assert found.difference.value == 1.0
    spoiled = [*values[:-1], 99.0]
    again = cleaning_effect(spoiled, cleaned, void=[i == 15 for i in range(16)])
    assert again.difference.value == 1.0
    assert again.left_out == (15,)


def test_refusals_and_wrong_calls() -> None:
    assert isinstance(cleaning_effect([1, 2, 3, 4], [False, True, False, True]), Refused)
    assert isinstance(wear([1] * 49, range(49)), Refused)
    assert isinstance(wear([1] * 60, [5] * 60), Refused)
    assert wear([1] * 60, range(60), void=[False] * 60).p == 1
    with pytest.raises(UsageError):
        wear([1], [1, 2])
