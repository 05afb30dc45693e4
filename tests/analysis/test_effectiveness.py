"""Overall equipment effectiveness against published examples."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from broker_bridge.analysis.effectiveness import (
    Effectiveness,
    Station,
    iso_22400,
    line_effectiveness,
    losses,
    semi_e79,
)
from broker_bridge.analysis.intervals import Refused
from broker_bridge.errors import UsageError


def test_a_shift() -> None:
    """PyPI oee 0.2.0, README: 420 min planned, 47 down, 60 a minute, 19271 made, 423 rejected."""
    found = iso_22400(
        planned_busy=420, production=373, run_time_per_item=1 / 60, produced=19271, good=19271 - 423
    )
    assert isinstance(found, Effectiveness)
    assert [round(part, 6) for part in found.parts.values()] == [0.888095, 0.861081, 0.978050]
    assert round(found.value, 6) == 0.747937
    assert found.value == pytest.approx(18848 / 60 / 420)
    assert found.standard == "ISO 22400-2"
    # TEEP of the same example, .654: all 480 minutes stand below the line, as E79 has it.
    whole = semi_e79(
        total=480, uptime=373, production=373, theoretical_per_item=1 / 60, produced=19271, good=18848
    )
    assert round(whole.value, 3) == 0.654
    assert whole.standard == "SEMI E79"


@given(st.floats(0.1, 1), st.floats(0.1, 1), st.integers(1, 500), st.data())
def test_e79_is_good_theoretical_time_over_total(up: float, running: float, produced: int, data) -> None:
    good = data.draw(st.integers(0, produced))
    found = semi_e79(
        total=1000, uptime=1000 * up, production=1000 * up * running, theoretical_per_item=0.01, produced=produced, good=good
    )  # fmt: skip
    product = 1.0
    for part in found.parts.values():
        product *= part
    assert found.value == pytest.approx(product)


def test_a_line_is_no_mean_of_stations() -> None:
    """PyPI oee: .80 and .45 make .5375, not .625."""
    first = iso_22400(planned_busy=100, production=90, run_time_per_item=1, produced=80, good=80)
    second = iso_22400(planned_busy=300, production=150, run_time_per_item=1, produced=150, good=135)
    assert (first.value, second.value) == pytest.approx((0.80, 0.45))
    assert line_effectiveness([Station(100, 1, 80), Station(300, 1, 135)]) == pytest.approx(0.5375)


def test_losses() -> None:
    """PyPI oee: shares 28, 28, 17, 17, 11 %, cumulative 28, 56, 72, 89, 100 %."""
    found = losses(
        planned=480, downtime=80, setup=30, ideal_cycle=0.5, produced=700, rejected=100, rejected_at_start=40
    )
    assert [(bar.category, bar.weight) for bar in found.bars] == [
        ("breakdowns", 50), ("minor stops and reduced speed", 50), ("process defects", 30),
        ("setup and adjustment", 30), ("start-up rejects", 20),
    ]  # fmt: skip
    assert [round(100 * bar.share) for bar in found.bars] == [28, 28, 17, 17, 11]
    assert [round(100 * bar.cumulative) for bar in found.bars] == [28, 56, 72, 89, 100]


def test_above_one_is_told() -> None:
    found = iso_22400(planned_busy=10, production=12, run_time_per_item=2, produced=10, good=10)
    assert len(found.remarks) == 2
    assert semi_e79(total=9, uptime=9, production=9, theoretical_per_item=1, produced=10, good=1).remarks


def test_refusals_and_wrong_calls() -> None:
    assert isinstance(
        iso_22400(planned_busy=0, production=0, run_time_per_item=1, produced=0, good=0), Refused
    )
    assert isinstance(
        semi_e79(total=1, uptime=0, production=0, theoretical_per_item=1, produced=0, good=0), Refused
    )
    assert isinstance(line_effectiveness([]), Refused)
    fast = losses(planned=10, downtime=5, setup=0, ideal_cycle=1, produced=9, rejected=0, rejected_at_start=0)
    assert isinstance(fast, Refused)
    for call in (
        lambda: iso_22400(planned_busy=1, production=1, run_time_per_item=1, produced=1, good=2),
        lambda: iso_22400(planned_busy=-1, production=1, run_time_per_item=1, produced=1, good=1),
        lambda: semi_e79(total=1, uptime=2, production=1, theoretical_per_item=1, produced=1, good=1),
        lambda: losses(
            planned=1, downtime=2, setup=0, ideal_cycle=1, produced=1, rejected=0, rejected_at_start=0
        ),
    ):
        with pytest.raises(UsageError):
            call()
