"""The small parts: times and ages, filters, what came before, the newest few."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from told import Told, at, board

from broker_bridge.live.choice import Choice
from broker_bridge.live.clock import Clock
from broker_bridge.live.newest import Newest
from broker_bridge.live.seen import Seen
from broker_bridge.live.told import tell

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
BERLIN = ZoneInfo("Europe/Berlin")


@pytest.mark.parametrize(
    ("before", "age"),
    [
        (timedelta(), "0 s"),
        (timedelta(seconds=59.9), "59 s"),
        (timedelta(minutes=59), "59 min"),
        (timedelta(hours=2, minutes=5), "2 h 05 min"),
        (timedelta(days=3, hours=23), "3 d"),
        (timedelta(seconds=-1), "0 s"),
        (timedelta(seconds=-30), "ahead 30 s"),
        (timedelta(minutes=-59), "ahead 59 min"),
        (timedelta(hours=-5, minutes=-50), "ahead 5 h"),
        (timedelta(days=-400), "ahead 400 d"),
    ],
)
def test_ages(before: timedelta, age: str) -> None:
    assert Clock(NOON, UTC).age(NOON - before) == age
    assert len(age) <= 12


def test_times_in_the_terminals_zone() -> None:
    clock = Clock(NOON, BERLIN)
    assert clock.time(NOON) == "13:00:00"
    assert clock.time(NOON - timedelta(hours=14)) == "03-01 23:00"
    assert clock.time(NOON - timedelta(days=365)) == "2025-03-02 13:00"
    assert clock.offset() == "UTC+01:00"
    assert Clock(NOON, ZoneInfo("America/St_Johns")).offset() == "UTC-03:30"
    assert Clock(NOON, UTC).offset() == "UTC"


@pytest.mark.parametrize("year", [1, 9999])
def test_years_that_a_zone_cannot_hold_are_told_in_utc(year: int) -> None:
    end = datetime(
        year, 12 if year == 9999 else 1, 31 if year == 9999 else 1, 23 if year == 9999 else 0, tzinfo=UTC
    )
    for zone in (None, ZoneInfo("Asia/Tokyo"), ZoneInfo("America/St_Johns")):
        assert f"{year:04d}-" in Clock(NOON, zone).time(end)


def test_filters() -> None:
    said = Told()
    arrived = tell(said.say("board.arrived", "11:00:00", board("HW-1"), station="spi", how="loaded"))
    doubtful = tell(said.say("inspection.reviewed", "11:00:00", board("X[1]"), candidates=["spi", "aoi"]))
    assert all(Choice().takes(told) for told in (arrived, doubtful))
    assert Choice(line="line-1", station="spi", board="HW-1", type="board.arrived").takes(arrived)
    assert Choice(station="spi").takes(doubtful), "it may be this one"
    assert Choice(board="HW-*", type="board.*").takes(arrived)
    assert Choice(board="X[1]").takes(doubtful), "letter for letter before wild cards"
    for choice in (Choice(line="line-2"), Choice(station="aoi"), Choice(board="HW"), Choice(type="work.*")):
        assert not choice.takes(arrived)
    assert Choice(board="HW-1", type="board.*").words() == "board HW-1, type board.*"
    assert Choice().words() == "all"


def test_seen_knows_the_last_ones_by_source_and_id() -> None:
    seen = Seen(limit=3)
    assert [seen.new("/a", "g.1.0.1"), seen.new("/a", "g.1.0.1"), seen.new("/b", "g.1.0.1")] == [
        True,
        False,
        True,
    ]
    assert seen.new("/a", "g.2.0.1")
    assert seen.new("/a", "g.3.0.1")
    assert seen.new("/a", "g.1.0.1"), "forgotten by now"
    assert not seen.new("/a", "g.3.0.1")


@given(st.lists(st.integers(0, 30), max_size=40), st.integers(1, 8))
def test_the_newest_are_the_greatest_of_the_set(steps: list[int], limit: int) -> None:
    said = Told()
    told = [
        tell(said.say("work.started", at("11:00:00") + timedelta(seconds=step), station="a", position=step))
        for step in steps
    ]
    newest = Newest(limit)
    for one in told:
        newest.add(one)
    expected = sorted({one.key for one in told})[-limit:]
    assert [one.key for one in newest] == expected
    assert [one.key for one in reversed(newest)] == expected[::-1]
