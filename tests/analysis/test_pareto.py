"""Pareto."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.pareto import Pareto, pareto
from broker_bridge.errors import UsageError


def test_order_shares_members() -> None:
    found = pareto(["b", "a", "b", None, "c"], keys=["k0", "k1", "k2", "k3", "k4"])
    assert isinstance(found, Pareto)
    assert [(bar.category, bar.weight, bar.members) for bar in found.bars] == [
        ("b", 2, ("k0", "k2")), ("a", 1, ("k1",)), ("c", 1, ("k4",)),
    ]  # fmt: skip
    assert found.uncategorized == ("k3",)
    assert found.bars[0].interval is not None
    assert found.bars[0].interval.low < 0.5 < found.bars[0].interval.high


@given(st.lists(st.sampled_from("abcd"), min_size=1))
def test_shares_add_up(categories: list[str]) -> None:
    found = pareto(categories)
    assert isinstance(found, Pareto)
    assert found.bars[-1].cumulative == pytest.approx(1)
    assert sum(len(bar.members) for bar in found.bars) == len(categories)
    weights = [bar.weight for bar in found.bars]
    assert weights == sorted(weights, reverse=True)


def test_ends() -> None:
    assert isinstance(pareto([]), Refused)
    assert isinstance(pareto(["a"], weights=[0]), Refused)
    with pytest.raises(UsageError):
        pareto(["a"], weights=[-1])
