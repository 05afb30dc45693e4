"""The outbox keeps everything until a live receipt covers it, and numbers without gaps."""

import asyncio
import sqlite3
from collections.abc import Callable, Coroutine
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.edge import requests
from broker_bridge.edge.archive import Archive
from broker_bridge.edge.outbox import Outbox
from broker_bridge.errors import ConfigError, OutboxFull, StoreUnavailable
from broker_bridge.events.base import Origin
from broker_bridge.events.station import StationAlarmRaised
from broker_bridge.events.union import dump_event, parse_event

SOURCE = "/harbour-works/smt/line-1/aoi-files"
START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


class Clock:
    """A wall clock that a test turns."""

    def __init__(self) -> None:
        self.now = START

    def __call__(self) -> datetime:
        return self.now


def taking(position: int, count: int = 1, text: str = "door open") -> Taking:
    statements = tuple(
        Statement(
            data=StationAlarmRaised(
                station="aoi-1",
                code=f"A{ordinal}",
                text=text,
                origin=Origin(adapter="aoi-files", events=count),
            ),
            time=START,
            subject="HW-000123",
        )
        for ordinal in range(count)
    )
    return Taking(generation="g1", position=position, revision=1, statements=statements, rawname="a.csv")


def with_outbox(
    folder: Path,
    use: Callable[[Outbox], Coroutine[Any, Any, None]],
    *,
    ceiling: int = 10**9,
    clock: Clock | None = None,
) -> None:
    """Open the outbox of a folder, use it, close it: one life of an edge."""

    async def life() -> None:
        outbox = await Outbox.open(
            folder / "outbox.db",
            archive=Archive(folder / "archive"),
            ceiling_bytes=ceiling,
            clock=clock or Clock(),
        )
        try:
            await outbox.writer(SOURCE)
            await use(outbox)
        finally:
            await outbox.close()

    asyncio.run(life())


def test_events_are_numbered_without_gaps_across_restarts(tmp_path):
    async def first(outbox: Outbox) -> None:
        writer = await outbox.writer(SOURCE)
        assert await writer.take([taking(0, 2), taking(10)]) == 3

    async def second(outbox: Outbox) -> None:
        writer = await outbox.writer(SOURCE)
        await writer.take([taking(20)])
        held = await outbox.held(SOURCE, 1, 99, 99)
        assert [event.sequence for event in held] == [1, 2, 3, 4]
        events = [parse_event(event.body) for event in held]
        assert [event.id for event in events] == ["g1.0.0.1", "g1.0.1.1", "g1.10.0.1", "g1.20.0.1"]
        assert {int(event.epoch) for event in events} == {int(START.timestamp() * 1000)}

    with_outbox(tmp_path, first)
    with_outbox(tmp_path, second)


def test_the_quick_encoding_is_the_schema_s_own(tmp_path):
    async def use(outbox: Outbox) -> None:
        writer = await outbox.writer(SOURCE)
        await writer.take([taking(0, text='quote " and ü and \u2028')])
        [held] = await outbox.held(SOURCE, 1, 1, 1)
        assert dump_event(parse_event(held.body)) == held.body

    with_outbox(tmp_path, use)


def test_events_and_read_state_are_kept_together_or_not_at_all(tmp_path):
    async def use(outbox: Outbox) -> None:
        writer = await outbox.writer(SOURCE)
        await writer.take([taking(0)], {"file/a": b"1", "file/b": b"2"})
        with pytest.raises(OutboxFull, match="do not fit"):
            await writer.take([taking(1, text="x" * 4000)], {"file/a": b"9"})
        assert await writer.state("file/a") == b"1"
        assert await writer.states("file/") == {"file/a": b"1", "file/b": b"2"}
        await writer.take([], {"file/a": None})
        assert await writer.state("file/a") is None
        assert outbox.level(SOURCE).last == 1

    with_outbox(tmp_path, use, ceiling=3000)


def test_the_ceiling_counts_only_what_no_record_has(tmp_path):
    async def use(outbox: Outbox) -> None:
        writer = await outbox.writer(SOURCE)
        await writer.take([taking(0)])
        with pytest.raises(OutboxFull):
            await writer.take([taking(1)])
        await outbox.receipt(SOURCE, 1, incarnation=7)
        assert outbox.backlog_bytes() == 0
        await writer.take([taking(1)])

    with_outbox(tmp_path, use, ceiling=900)


def test_room_for_stating_a_gap_is_kept_free(tmp_path):
    async def use(outbox: Outbox) -> None:
        assert await outbox.take(SOURCE, [taking(0)], None, reserved=True) == 1

    with_outbox(tmp_path, use, ceiling=1)


def test_a_receipt_of_a_restored_record_makes_backlog_of_what_it_lacks(tmp_path):
    async def use(outbox: Outbox) -> None:
        writer = await outbox.writer(SOURCE)
        await writer.take([taking(n) for n in range(10)])
        await outbox.receipt(SOURCE, 10, incarnation=7)
        await outbox.receipt(SOURCE, 4, incarnation=7)
        assert outbox.level(SOURCE).receipted == 10, "an old receipt takes nothing back"
        await outbox.receipt(SOURCE, 4, incarnation=8)
        assert outbox.level(SOURCE).receipted == 4
        assert outbox.level(SOURCE).backlog_bytes > 0
        await outbox.receipt(SOURCE, 10, incarnation=7)
        assert outbox.level(SOURCE).receipted == 4, "a receipt of the old incarnation is void"

    with_outbox(tmp_path, use)


def test_receipted_events_are_forgotten_after_their_days_and_no_others(tmp_path):
    clock = Clock()

    async def use(outbox: Outbox) -> None:
        writer = await outbox.writer(SOURCE)
        await writer.take([taking(n) for n in range(4)])
        await outbox.receipt(SOURCE, 2, incarnation=1)
        assert await outbox.trim(timedelta(days=7)) == 0
        clock.now += timedelta(days=8)
        assert await outbox.trim(timedelta(days=7)) == 2
        assert await outbox.oldest_held(SOURCE) == 3
        assert [event.sequence for event in await outbox.held(SOURCE, 1, 9, 9)] == [3, 4]

    with_outbox(tmp_path, use, clock=clock)


def test_backlog_is_known_again_after_a_restart(tmp_path):
    sizes: list[int] = []

    async def first(outbox: Outbox) -> None:
        writer = await outbox.writer(SOURCE)
        await writer.take([taking(n) for n in range(5)])
        await outbox.receipt(SOURCE, 2, incarnation=3)
        sizes.append(outbox.level(SOURCE).backlog_bytes)

    async def second(outbox: Outbox) -> None:
        assert outbox.level(SOURCE).backlog_bytes == sizes[0] > 0
        assert outbox.incarnation == 3

    with_outbox(tmp_path, first)
    with_outbox(tmp_path, second)


def test_a_second_edge_on_the_same_outbox_is_refused(tmp_path):
    async def use(outbox: Outbox) -> None:
        with pytest.raises(ConfigError, match="already writes this outbox"):
            await Outbox.open(tmp_path / "outbox.db", archive=Archive(tmp_path), ceiling_bytes=1)

    with_outbox(tmp_path, use)


def test_a_taking_that_miscounts_its_events_is_our_bug(tmp_path):
    wrong = Taking("g1", 0, 1, taking(0, 2).statements[:1])

    async def use(outbox: Outbox) -> None:
        with pytest.raises(ValueError, match=r"origin\.events is 2 in a taking of 1"):
            await outbox.take(SOURCE, [wrong], None)

    with_outbox(tmp_path, use)


def test_a_cancelled_writer_leaves_a_whole_transaction(tmp_path):
    async def use(outbox: Outbox) -> None:
        writer = await outbox.writer(SOURCE)
        task = asyncio.ensure_future(writer.take([taking(n) for n in range(300)], {"k": b"v"}))
        await asyncio.sleep(0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await writer.take([taking(999)])
        held = await outbox.held(SOURCE, 1, 999, 999)
        assert [event.sequence for event in held] == list(range(1, 302))
        assert await writer.state("k") == b"v"

    with_outbox(tmp_path, use)


def test_a_full_disk_is_told_and_nothing_is_half_written(tmp_path):
    async def use(outbox: Outbox) -> None:
        writer = await outbox.writer(SOURCE)
        await writer.take([taking(0)])
        async with outbox._connection.execute("PRAGMA page_count") as cursor:
            pages = (await cursor.fetchone())[0]
        await outbox._connection.execute(f"PRAGMA max_page_count={pages}")
        with pytest.raises(StoreUnavailable, match="full"):
            await writer.take([taking(1, 50, "y" * 4000)], {"file/a": b"1"})
        await outbox._connection.execute("PRAGMA max_page_count=1000000")
        assert await writer.state("file/a") is None
        await writer.take([taking(1)])
        assert outbox.level(SOURCE).last == 2

    with_outbox(tmp_path, use)


def test_a_commit_that_was_told_to_have_failed_and_took_effect_stops_nobody(tmp_path, monkeypatch):
    async def use(outbox: Outbox) -> None:
        writer = await outbox.writer(SOURCE)
        execute = outbox._connection.execute
        told = False

        async def lying(connection: Any, sql: str) -> None:
            await execute(sql)
            raise sqlite3.OperationalError("disk I/O error")

        def once(sql: str, *arguments: Any) -> Any:
            nonlocal told
            if sql == "COMMIT" and not told:
                told = True
                return lying(outbox._connection, sql)
            return execute(sql, *arguments)

        monkeypatch.setattr(outbox._connection, "execute", once)
        with pytest.raises(StoreUnavailable):
            await writer.take([taking(0, 3)])
        await writer.take([taking(0, 3)])
        assert outbox.level(SOURCE).last == 6, "the same events again, under numbers of their own"
        assert outbox.level(SOURCE).backlog_bytes == sum(
            len(event.body) for event in await outbox.held(SOURCE, 1, 9, 9)
        )

    with_outbox(tmp_path, use)


def test_a_request_waits_on_disk_for_its_answer(tmp_path):
    numbers: list[int] = []

    async def first(outbox: Outbox) -> None:
        numbers.append(
            await requests.ask(tmp_path / "outbox.db", SOURCE, "retry", {"generation": "g1"}, START)
        )

    async def second(outbox: Outbox) -> None:
        writer = await outbox.writer(SOURCE)
        [request] = await writer.requests()
        assert (request.action, dict(request.arguments)) == ("retry", {"generation": "g1"})
        assert requests.outcome(tmp_path / "outbox.db", numbers[0]) is None
        await writer.answer(request, "3 events")
        assert await writer.requests() == []
        assert requests.outcome(tmp_path / "outbox.db", numbers[0]) == "3 events"

    with_outbox(tmp_path, first)
    with_outbox(tmp_path, second)


def test_every_commit_is_flushed_to_disk(tmp_path):
    async def use(outbox: Outbox) -> None:
        async with outbox._connection.execute("PRAGMA synchronous") as cursor:
            assert (await cursor.fetchone())[0] == 2, "FULL"

    with_outbox(tmp_path, use)
    assert sqlite3.connect(tmp_path / "outbox.db").execute("PRAGMA journal_mode").fetchone()[0] == "wal"


def test_a_record_that_forgot_gets_again_what_it_lacks_and_an_old_receipt_takes_nothing_back(tmp_path):
    async def use(outbox: Outbox) -> None:
        writer = await outbox.writer(SOURCE)
        await writer.take([taking(n) for n in range(10)])
        await outbox.receipt(SOURCE, 10, incarnation=7)
        await outbox.receipt(SOURCE, 4, incarnation=7, forgotten=True)
        assert (outbox.level(SOURCE).receipted, outbox.level(SOURCE).backlog) == (4, 6)
        assert outbox.level(SOURCE).backlog_bytes > 0

    with_outbox(tmp_path, use)


def test_the_next_outbox_knows_that_there_was_one_and_is_younger_whatever_the_clock(tmp_path):
    clock = Clock()
    epochs = []

    async def use(outbox: Outbox) -> None:
        epochs.append(outbox.epoch)
        assert outbox.before == tuple(epochs[:-1])

    for _ in range(3):
        with_outbox(tmp_path, use, clock=clock)
        for name in ("outbox.db", "outbox.db-wal", "outbox.db-shm"):
            (tmp_path / name).unlink(missing_ok=True)
        clock.now -= timedelta(days=1)
    assert epochs == [epochs[0], epochs[0] + 1, epochs[0] + 2]


def test_an_outbox_that_was_not_lost_has_no_forgotten_ones(tmp_path):
    async def use(outbox: Outbox) -> None:
        assert outbox.before == ()

    for _ in range(2):
        with_outbox(tmp_path, use)


def test_an_outbox_of_another_plant_is_refused_and_left_alone(tmp_path):
    """Its events would enter this plant's record, and nothing takes them out again."""

    async def use(outbox: Outbox) -> None:
        await outbox.take(SOURCE, [taking(0)], None)

    with_outbox(tmp_path, use)

    async def other(site: str) -> None:
        outbox = await Outbox.open(
            tmp_path / "outbox.db", archive=Archive(tmp_path), ceiling_bytes=10**9, site=site
        )
        assert outbox.level(SOURCE).last == 1
        await outbox.close()

    with pytest.raises(ConfigError, match=r"of the plant 'harbour-works', and plant\.site is 'other-works'"):
        asyncio.run(other("other-works"))
    asyncio.run(other("harbour-works"))


def test_why_events_cannot_be_kept_is_known_until_they_can(tmp_path):
    now = [0.0]

    async def life() -> None:
        outbox = await Outbox.open(
            tmp_path / "outbox.db", archive=Archive(tmp_path), ceiling_bytes=10**9, monotonic=lambda: now[0]
        )
        try:
            await outbox.writer(SOURCE)
            row = await outbox._one("PRAGMA page_count")
            assert row is not None
            await outbox._connection.execute(f"PRAGMA max_page_count={row[0]}")
            for _ in range(2):
                with pytest.raises(StoreUnavailable, match="full"):
                    await outbox.take(SOURCE, [taking(0, text="x" * 8_000)], None)
                assert "disk is full" in outbox.trouble
                now[0] += 121  # nobody has tried since
                assert outbox.trouble == ""
            with pytest.raises(StoreUnavailable):
                await outbox.take(SOURCE, [taking(0, text="x" * 8_000)], None)
            await outbox.take(SOURCE, [], None)  # proves nothing
            assert outbox.trouble
            await outbox._connection.execute("PRAGMA max_page_count=1000000")
            await outbox.take(SOURCE, [taking(0)], None)
            assert outbox.trouble == ""
        finally:
            await outbox.close()

    asyncio.run(life())
