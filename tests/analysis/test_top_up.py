"""The top-up loop."""

import numpy as np
import pytest
from scipy import stats

from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.top_up import TopUpLoop, top_up_loop
from broker_bridge.errors import UsageError


def test_a_top_up_that_works_nine_times_of_ten() -> None:
    generator = np.random.default_rng(1)
    topped = generator.random(400) < 0.7
    passed = generator.random(400) < np.where(topped, 0.9, 0.4)
    found = top_up_loop([True] * 400, topped.tolist(), passed.tolist())
    assert isinstance(found, TopUpLoop)
    assert found.passed_topped_up.wilson.low < 0.9 < found.passed_topped_up.wilson.high
    gain, interval = found.gain
    assert interval.low < 0.5 < interval.high
    assert gain == pytest.approx(found.passed_topped_up.value - found.passed_left_alone.value)
    assert found.verdict == "topped-up pads pass more often"


def test_null_sets() -> None:
    generator = np.random.default_rng(2)
    cried = 0
    for _ in range(200):
        topped, passed = generator.random(80) < 0.5, generator.random(80) < 0.7
        cried += top_up_loop([True] * 80, topped.tolist(), passed.tolist()).p < 0.05
    assert cried <= stats.binom.ppf(0.999, 200, 0.05)


def test_everything_has_its_place() -> None:
    found = top_up_loop(
        [True, True, True, False, True, True],
        [True, True, False, True, False, True],
        [True, None, False, True, True, True],
        keys="abcdef",
        void=[False] * 5 + [True],
    )
    assert (found.called, found.topped_up.members) == (4, ("a", "b"))
    assert (found.passed_topped_up.members, found.passed_topped_up.of) == (("a",), 1)
    assert (found.passed_left_alone.members, found.passed_left_alone.of) == (("e",), 2)
    assert (found.open, found.void, found.not_called) == (("b",), ("f",), ("d",))


def test_nothing_left_alone_cannot_be_compared() -> None:
    found = top_up_loop([True] * 3, [True] * 3, [True] * 3)
    assert found.gain is None
    assert found.verdict.startswith("cannot tell")
    assert isinstance(found.passed_left_alone, Refused)


def test_refusals_and_wrong_calls() -> None:
    assert isinstance(top_up_loop([False], [False], [None]), Refused)
    with pytest.raises(UsageError):
        top_up_loop([True], [], [])
