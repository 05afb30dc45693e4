"""The run as a whole: the same seed gives the same bytes, nothing comes before its time."""

from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise

import pytest

from broker_bridge.simulate import Delivery, Plant, Profile, deliveries
from broker_bridge.simulate.clocks import MachineClock
from broker_bridge.simulate.profile import Reporting

START = datetime(2026, 3, 2, 6, tzinfo=UTC)


def drive(plant: Plant) -> tuple[list[Delivery], list[str]]:
    truth: list[str] = []
    return list(deliveries(plant, lambda _, line: truth.append(line))), truth


@pytest.mark.parametrize("profile", ["clean", "rough"])
def test_same_seed_same_bytes(profile: str) -> None:
    plant = Plant(7, 60, profile, START)
    assert drive(plant) == drive(Plant(7, 60, profile, START))
    assert drive(plant) == drive(plant)
    assert drive(plant)[0] != drive(Plant(8, 60, profile, START))[0]


@pytest.mark.parametrize("profile", ["clean", "rough"])
def test_stream_and_deliveries_are_in_order_of_time(profile: str) -> None:
    plant = Plant(11, 120, profile, START)
    times = [item.at for item in plant]
    assert times == sorted(times)
    taken = [delivery.at for delivery in drive(plant)[0]]
    assert taken == sorted(taken)
    assert taken[0] >= START


def test_reporting_faults_change_nothing_that_happens() -> None:
    """Clean and lossy reporting of one seed share one physical history."""
    happened = []
    for profile in (Profile(), replace(Profile(), lost=Reporting(rate=0.2), doubled=Reporting(rate=0.2))):
        _, truth = drive(Plant(5, 60, profile, START))
        happened.append([line for line in truth if '"kind": "fault"' not in line])
    assert happened[0] == happened[1]


def test_pad_rows_change_nothing_that_happens() -> None:
    _, without = drive(Plant(5, 60, "clean", START))
    with_pads, truth = drive(Plant(5, 60, "clean", START, every_pad=True))
    assert truth == without
    assert any(d.station == "SPI" and d.data.count(b"PAD;") > 30 for d in with_pads)


def test_start_without_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="time zone"):
        Plant(1, 10, "clean", datetime(2026, 3, 2, 6))  # noqa: DTZ001


@pytest.mark.parametrize(("boards", "speed"), [(0, 1.0), (-3, 1.0), (10, 0.0)])
def test_bad_numbers_are_refused(boards: int, speed: float) -> None:
    with pytest.raises(ValueError, match="must be"):
        Plant(1, boards, "clean", START, speed=speed)


def test_the_double_hour_of_autumn_is_in_the_files() -> None:
    """IANA time zone data: Lisbon goes back from 02:00 to 01:00 on 2026-10-25 at 01:00 UTC."""
    clock = MachineClock(datetime(2026, 10, 25, tzinfo=UTC), 1.0)
    assert f"{clock.local(1800.0):%H:%M}" == f"{clock.local(5400.0):%H:%M}" == "01:30"
    written = [
        d.data.decode("cp1252").split("End;")[1][:19]
        for d in deliveries(Plant(2, 60, "clean", datetime(2026, 10, 25, 0, 15, tzinfo=UTC)))
        if d.station == "SPI" and d.channel == "file"
    ]
    assert any(later < earlier for earlier, later in pairwise(written))
