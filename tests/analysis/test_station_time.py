"""Station time by SEMI E10's states."""

import numpy as np
import pytest

from broker_bridge.analysis.intervals import Refused
from broker_bridge.analysis.station_time import (
    STATES,
    StationTime,
    alarm_pareto,
    station_time,
    time_between,
    time_of_states,
)
from broker_bridge.errors import UsageError
from broker_bridge.events.station import StationStateChanged


def test_states_are_the_schemas() -> None:
    stated = StationStateChanged.model_fields["state"].annotation.__args__
    assert set(stated) == {*STATES, "unknown"}


def test_a_week() -> None:
    """168 h: computed when the references were collected; formulas of E10 from memory."""
    hours = dict(zip(STATES, (100, 20, 4, 8, 12, 24), strict=True))
    found = time_of_states(
        {name: h * 3600 for name, h in hours.items()}, failures=4, repair=[3 * 3600] * 4, cycles=8000
    )
    assert isinstance(found, StationTime)
    assert (found.operations / 3600, found.uptime / 3600) == (144, 124)
    told = (found.operational_uptime, found.operational_utilization, found.total_utilization)
    assert told == pytest.approx((0.86111, 0.69444, 0.59524), abs=5e-6)
    assert found.mtbf.value == 25 * 3600
    assert found.mttr.value == 3 * 3600
    assert found.mcbf.value == 2000
    assert found.mtbf.interval.low < found.mtbf.value < found.mtbf.interval.high
    assert found.coverage == 1


def test_state_changes() -> None:
    found = station_time(
        [0, 10, 15, 18, 30, 40],
        ["productive", "unscheduled_down", "unscheduled_down", "productive", "unknown", "unscheduled_down"],
        end=50,
        keys="abcdef",
    )
    assert found.seconds["productive"] == 22
    assert found.coverage == 0.8
    assert found.failures == ("b", "f"), "one failure may be told in two rows"
    assert found.open_failure
    assert isinstance(found.mttr, Refused), "one repair has no interval, the open one no length"
    assert (found.mtbf.failures, found.mtbf.value) == (2, 11)
    assert isinstance(found.mcbf, Refused)


def test_a_record_that_begins_with_a_failure_has_not_seen_it_begin() -> None:
    found = station_time([0, 10], ["unscheduled_down", "productive"], end=30)
    assert found.failures == ()
    assert found.seconds["unscheduled_down"] == 10


def test_no_failure_gives_a_bound_and_no_mean() -> None:
    refused = time_between(1000, 0)
    assert isinstance(refused, Refused)
    assert "at least" in refused.reason
    assert isinstance(time_between(0, 1), Refused)


def test_interval_of_mtbf_holds_what_it_promises() -> None:
    generator = np.random.default_rng(1)
    inside = 0
    for _ in range(300):
        failures = int(generator.poisson(8))
        found = time_between(800.0, failures)
        inside += not isinstance(found, Refused) and found.interval.low <= 100 <= found.interval.high
    assert inside >= 0.93 * 300


def test_alarms() -> None:
    found = alarm_pareto(["jam", "low", "jam"], [0, 10, 20], [5, None, 22], hours=2, keys="abc")
    assert [(bar.category, bar.members) for bar in found.by_number.bars] == [
        ("jam", ("a", "c")),
        ("low", ("b",)),
    ]
    assert [(bar.category, bar.weight) for bar in found.by_seconds.bars] == [("jam", 7)]
    assert found.open == ("b",)
    assert found.per_hour.value == 1.5


def test_refusals_and_wrong_calls() -> None:
    assert isinstance(station_time([], [], end=1), Refused)
    assert isinstance(station_time([1], ["productive"], end=1), Refused)
    for call in (
        lambda: station_time([0], ["running"], end=1),
        lambda: station_time([5, 0], ["productive"] * 2, end=9),
        lambda: station_time([5], ["productive"], end=4),
        lambda: time_of_states({"idle": 1}, failures=0),
        lambda: alarm_pareto(["a"], [5], [4], hours=1),
        lambda: alarm_pareto(["a"], [5], [6], hours=0),
    ):
        with pytest.raises(UsageError):
            call()
