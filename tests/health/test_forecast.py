"""When it will be full, and how sure that is."""

import asyncio
import itertools
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from contracts.arrivals import run_of
from hypothesis import given, settings
from hypothesis import strategies as st

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.config import Settings
from broker_bridge.edge.archive import Archive
from broker_bridge.edge.outbox import Outbox
from broker_bridge.edge.survey import intake
from broker_bridge.events.base import Origin
from broker_bridge.events.source import SourceConnected
from broker_bridge.health.forecast import BIN_S, BINS, edges, outlook
from broker_bridge.health.growth import growth
from broker_bridge.store.sqlite import SqliteStore

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
DAY = 86_400


def test_a_steady_rate_is_divided_into_the_room() -> None:
    found = outlook([8e6] * BINS, 64e6 * 30)  # 64 MB a day into 1,920 MB
    assert found is not None
    assert found.full_s == pytest.approx(30 * DAY)
    assert found.soonest_s == pytest.approx(30 * DAY)
    assert found.text.endswith("(steady)")


def test_one_busy_day_in_a_week_gives_a_range() -> None:
    found = outlook([1e6] * 8 * 6 + [8e6] * 8, 1e9)
    assert found is not None
    assert found.full_s / found.soonest_s == pytest.approx(8 / ((6 * 1 + 8) / 7))
    assert "(uneven)" in found.text


@pytest.mark.parametrize(
    ("bins", "word"), [(1, "a rough guess"), (7, "a rough guess"), (8, "an estimate"), (56, "steady")]
)
def test_little_data_is_said_to_be_little(bins: int, word: str) -> None:
    found = outlook([0.0] * (BINS - bins) + [5e6] * bins, 1e9)
    assert found is not None
    assert found.seen_s == bins * BIN_S
    assert word in found.text


def test_a_plant_that_has_just_begun_is_not_said_to_have_run_for_three_hours() -> None:
    found = outlook([0.0] * (BINS - 1) + [5e6], 1e7, age_s=40.0)
    assert found is not None
    assert found.seen_s == 40.0
    assert found.text == "too early to tell when it is full (seen over 40 s, an hour is needed)"
    assert not found.within(DAY)  # 5 MB in 40 s: a start catches up with its past
    later = outlook([0.0] * (BINS - 2) + [5e6, 5e6], 90e6, age_s=4 * 3600)
    assert later is not None
    assert later.full_s == pytest.approx(36 * 3600)  # 10 MB in four hours, not in six
    assert "at the rate of the last 4 h" in later.text


def test_what_began_long_ago_is_seen_for_as_long_as_is_looked_back() -> None:
    found = outlook([1e6] * BINS, 1e9, age_s=90 * DAY)
    assert found == outlook([1e6] * BINS, 1e9)


def test_nothing_seen_gives_no_forecast() -> None:
    assert outlook([0.0] * BINS, 1e9) is None


@settings(max_examples=50)
@given(st.lists(st.floats(0, 1e9), min_size=BINS, max_size=BINS), st.floats(0, 1e12), st.floats(0, 1e7))
def test_the_busiest_time_never_lasts_longer_than_the_mean(
    grown: list[float], room: float, age_s: float
) -> None:
    found = outlook(grown, room, age_s)
    if found is not None:
        assert 0 <= found.soonest_s <= found.full_s * (1 + 1e-9)


def plant(tmp_path: Path, ceiling_mb: float = 4096) -> Settings:
    return Settings.model_validate(
        {
            "plant": {"site": "harbour-works"},
            "data": tmp_path,
            "record": {"path": tmp_path / "record.db"},
            "edge": {
                "outbox": tmp_path / "outbox.db",
                "archive": tmp_path / "archive",
                "ceiling_mb": ceiling_mb,
            },
        }
    )


def fill(path: Path, hours: int, each: int) -> int:
    """Two sources take in `each` events an hour; returns the bytes of one."""

    async def story() -> int:
        now = [NOW - timedelta(hours=hours)]
        outbox = await Outbox.open(
            path, archive=Archive(path.parent), ceiling_bytes=10**9, clock=lambda: now[0]
        )
        numbers = itertools.count()
        try:
            for line in (1, 2):
                now[0] = NOW - timedelta(hours=hours)
                writer = await outbox.writer(f"/harbour-works/smt/line-{line}/a")
                for _ in range(hours):
                    now[0] += timedelta(hours=1)
                    said = SourceConnected(origin=Origin(adapter="a", time_means="taken_in"))
                    await writer.take(
                        [Taking("g", next(numbers), 1, (Statement(said, NOW),)) for _ in range(each)]
                    )
            return len((await outbox.held("/harbour-works/smt/line-1/a", 1, 1, 1))[0].body)
        finally:
            await outbox.close()

    return asyncio.run(story())


def test_the_intake_of_an_outbox_is_found_by_a_few_looks(tmp_path: Path) -> None:
    size = fill(tmp_path / "outbox.db", hours=12, each=5)
    at = [int(instant * 1000) for instant in edges(NOW.timestamp() + 1)]
    grown = intake(tmp_path / "outbox.db", at)
    assert sum(grown) == pytest.approx(12 * 5 * 2 * size, rel=0.05)
    assert sum(1 for size in grown if size) == 4  # four bins of three hours


def test_check_forecasts_outbox_and_disk(tmp_path: Path) -> None:
    fill(tmp_path / "outbox.db", hours=12, each=5)

    async def record() -> None:
        ticks = itertools.count(int((NOW - timedelta(hours=30)).timestamp() * 1e6), 3600 * 10**6)
        store = await SqliteStore.open(tmp_path / "record.db", "record", now=ticks.__next__)
        for hour in range(24):
            await store.commit(run_of(hour * 5 + 1, hour * 5 + 5))
        await store.close()

    asyncio.run(record())
    findings = {one.subject: one for one in growth(plant(tmp_path, ceiling_mb=0.01), NOW)}
    assert set(findings) == {"forecast: outbox", "forecast: disk of record"}
    outbox = findings["forecast: outbox"]
    assert outbox.level == "notice"  # a day without a recorder does not fit
    assert "a rough guess" in outbox.text
    assert "raise edge.ceiling_mb" in outbox.advice
    assert "hardly grows" in findings["forecast: disk of record"].text
    assert next(iter(growth(plant(tmp_path), NOW))).level == "fine"


def test_check_of_a_plant_that_has_run_for_a_minute_says_so(tmp_path: Path) -> None:
    async def record() -> None:
        ticks = itertools.count(int((NOW - timedelta(seconds=60)).timestamp() * 1e6), 10**6)
        store = await SqliteStore.open(tmp_path / "record.db", "record", now=ticks.__next__)
        for part in range(10):
            await store.commit(run_of(part * 5 + 1, part * 5 + 5))
        await store.close()

        outbox = await Outbox.open(
            tmp_path / "outbox.db", archive=Archive(tmp_path), ceiling_bytes=10**9,
            clock=lambda: NOW - timedelta(seconds=45),
        )  # fmt: skip
        writer = await outbox.writer("/harbour-works/smt/line-1/a")
        said = SourceConnected(origin=Origin(adapter="a", time_means="taken_in"))
        await writer.take([Taking("g", 1, 1, (Statement(said, NOW),))])
        await outbox.close()

    asyncio.run(record())
    findings = {one.subject: one for one in growth(plant(tmp_path, ceiling_mb=0.001), NOW)}
    assert "seen over 45 s" in findings["forecast: outbox"].text
    assert (
        "seen over 5" in findings["forecast: disk of record"].text
    )  # nothing was committed in the first seconds
    assert {one.level for one in findings.values()} == {"fine"}


def test_without_anything_there_is_nothing_to_forecast(tmp_path: Path) -> None:
    assert list(growth(plant(tmp_path), NOW)) == []
