"""From outbox to record: complete, whatever the bus loses, and every hole is stated."""

import asyncio
from collections.abc import Iterable
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path

import pytest
from test_outbox import SOURCE, Clock, taking

from broker_bridge.bus.inbox import Message
from broker_bridge.bus.topics import Topics
from broker_bridge.bus.wire import (
    EpochReceipt,
    Receipt,
    dump,
    parse_edge_state,
    parse_source_state,
    split_batch,
)
from broker_bridge.edge.archive import Archive
from broker_bridge.edge.forwarder import Forwarder
from broker_bridge.edge.outbox import Outbox
from broker_bridge.errors import BusUnavailable, StoreUnavailable
from broker_bridge.events.envelope import Event
from broker_bridge.events.union import parse_event

TOPICS = Topics("plant")
RECORD = "record"


class FakeBus:
    """A broker with a recorder's ears: everything acknowledged at once, `deaf` drops it, `cut` refuses it."""

    def __init__(self) -> None:
        self.connection = 1
        self.trouble = ""
        self.deaf = False
        self.cut = False
        self.events: list[Event] = []
        self.batches = 0
        self.states: dict[str, bytes] = {}
        self.inbox: asyncio.Queue[Message] = asyncio.Queue()
        self.acknowledged: list[Message] = []

    async def watch(self) -> None:
        await asyncio.Event().wait()

    async def wait_connected(self) -> int:
        return self.connection

    async def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> asyncio.Future[None]:
        if self.cut:
            raise BusUnavailable("cut")
        await asyncio.sleep(0)
        done: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        done.set_result(None)
        address = TOPICS.read(topic)
        assert address is not None
        if retain:
            self.states[topic] = payload
        elif not self.deaf:
            bodies = split_batch(payload) if address.kind == "batch" else [payload]
            self.batches += address.kind == "batch"
            self.events += [parse_event(body) for body in bodies]
        return done

    async def next(self, timeout: float | None = None) -> Message | None:
        return await self.inbox.get()

    def ack(self, messages: Iterable[Message]) -> None:
        self.acknowledged += messages

    def numbers(self) -> list[int]:
        return [int(event.sequence) for event in self.events]

    def give_receipt(
        self,
        outbox: Outbox,
        *epochs: EpochReceipt,
        incarnation: int = 1,
        retain: bool = False,
        fenced: int | None = None,
    ) -> None:
        receipt = Receipt(
            record=RECORD,
            incarnation=incarnation,
            source=SOURCE,
            epochs=epochs,
            issued=outbox.clock(),
            fenced=fenced,
        )
        self.inbox.put_nowait(Message(TOPICS.receipt(SOURCE, RECORD), dump(receipt), retain, False, 1, 1))


@asynccontextmanager
async def forwarding(folder: Path, bus: FakeBus, monotonic=None, clock: Clock | None = None):
    """An outbox with one source and its forwarder, running."""
    extra = {} if monotonic is None else {"monotonic": monotonic}
    outbox = await Outbox.open(
        folder / "outbox.db", archive=Archive(folder), ceiling_bytes=10**9, clock=clock or Clock(), **extra
    )
    await outbox.writer(SOURCE)
    forwarder = Forwarder(
        outbox, bus, TOPICS, site="harbour-works", edge="edge", record=RECORD, keep=timedelta(days=7), **extra
    )
    task = asyncio.create_task(forwarder.run())
    try:
        yield outbox, forwarder
    finally:
        task.cancel()
        await asyncio.wait({task})
        await outbox.close()


async def until(condition, what: str) -> None:
    """Wait for a condition, ten seconds at most."""
    async with asyncio.timeout(10):
        while not condition():  # noqa: ASYNC110  (the condition has no event of its own)
            await asyncio.sleep(0.01)
    assert condition(), what


def test_events_travel_one_by_one_and_in_order(tmp_path):
    async def life() -> None:
        bus = FakeBus()
        async with forwarding(tmp_path, bus) as (outbox, _):
            await outbox.take(SOURCE, [taking(0, 2), taking(5)], None)
            await until(lambda: bus.numbers() == [1, 2, 3], "all sent")
            assert bus.batches == 0

    asyncio.run(life())


def test_a_backlog_travels_in_arrays(tmp_path):
    async def life() -> None:
        bus = FakeBus()
        bus.cut = True
        async with forwarding(tmp_path, bus) as (outbox, _):
            await outbox.take(SOURCE, [taking(n) for n in range(1000)], None)
            bus.cut = False
            await until(lambda: len(bus.events) >= 1000, "all sent")
            assert bus.numbers() == list(range(1, 1001))
            assert bus.batches >= 9

    asyncio.run(life())


def test_a_live_receipt_trims_and_a_retained_one_does_not(tmp_path):
    async def life() -> None:
        bus = FakeBus()
        async with forwarding(tmp_path, bus) as (outbox, _):
            await outbox.take(SOURCE, [taking(n) for n in range(3)], None)
            bus.give_receipt(outbox, EpochReceipt(epoch=outbox.epoch, contiguous=2), retain=True)
            await until(lambda: len(bus.acknowledged) == 1, "read")
            assert outbox.level(SOURCE).receipted == 0
            bus.give_receipt(outbox, EpochReceipt(epoch=outbox.epoch, contiguous=2))
            await until(lambda: outbox.level(SOURCE).receipted == 2, "receipted")

    asyncio.run(life())


def test_a_broker_that_acknowledges_and_forgets_is_caught_up(tmp_path):
    async def life() -> None:
        bus = FakeBus()
        bus.deaf = True
        hands = [0.0]
        async with forwarding(tmp_path, bus, monotonic=lambda: hands[0]) as (outbox, forwarder):
            await outbox.take(SOURCE, [taking(n) for n in range(3)], None)
            await until(lambda: forwarder._streams[SOURCE].plan.acknowledged == 3, "acknowledged")
            bus.deaf = False
            hands[0] = 35.0
            assert any("no receipt for" in alarm for alarm in forwarder.source_alarms(SOURCE))
            outbox.wake()
            await until(lambda: bus.numbers() == [1, 2, 3], "sent again")

    asyncio.run(life())


def test_an_outbox_begun_anew_states_what_is_unknown_of_the_old(tmp_path):
    async def life() -> None:
        bus = FakeBus()
        async with forwarding(tmp_path, bus) as (outbox, _):
            old = outbox.epoch - 1000
            for _ in range(2):
                bus.give_receipt(outbox, EpochReceipt(epoch=old, contiguous=41), retain=True)
            await until(lambda: len(bus.events) == 1 and len(bus.acknowledged) == 2, "stated once")
            gap = bus.events[0].data
            assert (gap.cause, gap.of_epoch, gap.first, gap.last) == ("outbox_lost", old, 42, None)

    asyncio.run(life())


def test_an_outbox_lost_before_any_record_heard_of_it_is_stated_too(tmp_path):
    async def life() -> None:
        bus = FakeBus()
        async with forwarding(tmp_path, bus) as (outbox, _):
            lost = outbox.epoch
        (tmp_path / "outbox.db").unlink()
        async with forwarding(tmp_path, bus) as (outbox, _):
            bus.give_receipt(outbox, EpochReceipt(epoch=outbox.epoch, contiguous=0), retain=True)
            await until(lambda: len(bus.acknowledged) == 1, "a kept receipt may not know yet")
            assert not bus.events
            bus.give_receipt(outbox, EpochReceipt(epoch=outbox.epoch, contiguous=0))
            await until(lambda: len(bus.events) >= 1, "stated")
            gap = bus.events[0].data
            assert (gap.cause, gap.of_epoch, gap.first, gap.last) == ("outbox_lost", lost, 1, None)

    asyncio.run(life())


def test_a_range_that_is_no_longer_held_is_answered_with_a_gap(tmp_path):
    async def life() -> None:
        bus = FakeBus()
        clock = Clock()
        hands = [0.0]
        async with forwarding(tmp_path, bus, clock=clock, monotonic=lambda: hands[0]) as (outbox, forwarder):
            await outbox.take(SOURCE, [taking(n) for n in range(6)], None)
            await until(lambda: forwarder._streams[SOURCE].plan.acknowledged == 6, "sent")
            bus.give_receipt(outbox, EpochReceipt(epoch=outbox.epoch, contiguous=4))
            await until(lambda: outbox.level(SOURCE).receipted == 4, "receipted")
            clock.now += timedelta(days=30)
            await outbox.trim(timedelta(days=7))
            hands[0] = 5.0
            bus.events.clear()
            bus.give_receipt(outbox, EpochReceipt(epoch=outbox.epoch, contiguous=2), incarnation=2)
            await until(lambda: len(bus.events) >= 3, "gap and what is still held")
            gap = next(event.data for event in bus.events if event.type == "source.gap")
            assert (gap.cause, gap.of_epoch, gap.first, gap.last) == ("range_not_held", outbox.epoch, 3, 4)
            assert {5, 6} <= set(bus.numbers())

    asyncio.run(life())


def test_everyone_is_told_how_far_the_source_has_got(tmp_path):
    async def life() -> None:
        bus = FakeBus()
        async with forwarding(tmp_path, bus) as (outbox, _):
            await until(lambda: TOPICS.state(SOURCE) in bus.states, "told")
            state = parse_source_state(bus.states[TOPICS.state(SOURCE)])
            assert (state.epoch, state.last, state.oldest, state.backlog) == (outbox.epoch, 0, 1, 0)

    asyncio.run(life())


def test_an_older_edge_is_told_that_it_was_fenced(tmp_path):
    async def life() -> None:
        bus = FakeBus()
        async with forwarding(tmp_path, bus) as (outbox, forwarder):
            bus.give_receipt(outbox, EpochReceipt(epoch=outbox.epoch, contiguous=0), fenced=outbox.epoch + 5)
            await until(lambda: bool(forwarder.source_alarms(SOURCE)), "alarm")
            assert "another edge" in forwarder.source_alarms(SOURCE)[0]

    asyncio.run(life())


def test_a_stop_at_the_moment_of_a_new_event_is_a_stop(tmp_path):
    async def life() -> None:
        bus = FakeBus()
        for _ in range(20):
            async with forwarding(tmp_path, bus) as (outbox, _):
                await until(lambda: TOPICS.state(SOURCE) in bus.states, "running and idle")
                await asyncio.sleep(0.002)
                outbox.wake()

    async def bounded() -> None:
        async with asyncio.timeout(20):
            await life()

    asyncio.run(bounded())


def test_a_receipt_for_numbers_that_were_never_given_is_an_alarm(tmp_path):
    async def life() -> None:
        bus = FakeBus()
        async with forwarding(tmp_path, bus) as (outbox, forwarder):
            await outbox.take(SOURCE, [taking(0)], None)
            bus.give_receipt(outbox, EpochReceipt(epoch=outbox.epoch, contiguous=1, missing=((2, 899),)))
            await until(lambda: bool(forwarder.source_alarms(SOURCE)), "alarm")
            assert "another client publishes as this source" in forwarder.source_alarms(SOURCE)[0]

    asyncio.run(life())


def test_a_record_restored_together_with_its_mark_is_filled_again(tmp_path):
    async def life() -> None:
        bus = FakeBus()
        clock = Clock()
        async with forwarding(tmp_path, bus, clock=clock) as (outbox, forwarder):
            await outbox.take(SOURCE, [taking(n) for n in range(6)], None)
            await until(lambda: forwarder._streams[SOURCE].plan.acknowledged == 6, "sent")
            clock.now += timedelta(seconds=10)
            bus.give_receipt(outbox, EpochReceipt(epoch=outbox.epoch, contiguous=6))
            await until(lambda: outbox.level(SOURCE).receipted == 6, "receipted")
            bus.events.clear()
            clock.now -= timedelta(seconds=5)
            bus.give_receipt(outbox, EpochReceipt(epoch=outbox.epoch, contiguous=2))
            await until(lambda: len(bus.acknowledged) == 2, "an old receipt, delivered late")
            assert outbox.level(SOURCE).receipted == 6
            clock.now += timedelta(seconds=60)
            bus.give_receipt(outbox, EpochReceipt(epoch=outbox.epoch, contiguous=2))
            await until(lambda: bus.numbers() == [3, 4, 5, 6], "sent again")

    asyncio.run(life())


def test_a_record_that_is_first_heard_of_gets_nothing_twice(tmp_path):
    async def life() -> None:
        bus = FakeBus()
        async with forwarding(tmp_path, bus) as (outbox, _):
            await outbox.take(SOURCE, [taking(n) for n in range(4)], None)
            await until(lambda: bus.numbers() == [1, 2, 3, 4], "sent")
            bus.give_receipt(outbox, EpochReceipt(epoch=outbox.epoch, contiguous=1), incarnation=7)
            await until(lambda: outbox.level(SOURCE).receipted == 1, "receipted")
            await outbox.take(SOURCE, [taking(4)], None)
            await until(lambda: bus.numbers()[-1] == 5, "sent")
            assert bus.numbers() == [1, 2, 3, 4, 5]

    asyncio.run(life())


def test_a_restored_record_is_filled_by_every_forwarder_of_the_outbox(tmp_path):
    async def life() -> None:
        bus, other_bus, clock = FakeBus(), FakeBus(), Clock()
        other = SOURCE.replace("line-1", "line-2")
        async with forwarding(tmp_path, bus, clock=clock) as (outbox, _):
            await outbox.writer(other)
            rest = {"site": "harbour-works", "edge": "edge", "record": RECORD, "keep": timedelta(days=7)}
            second = Forwarder(outbox, other_bus, TOPICS, **rest, sources=[other], others=None)
            task = asyncio.create_task(second.run())
            try:
                await outbox.take(other, [taking(n) for n in range(4)], None)
                await until(lambda: other_bus.numbers() == [1, 2, 3, 4], "sent")
                await outbox.receipt(other, 4, 1)
                other_bus.events.clear()
                bus.give_receipt(outbox, EpochReceipt(epoch=outbox.epoch, contiguous=0), incarnation=2)
                await until(lambda: other_bus.numbers() == [1, 2, 3, 4], "sent again")
            finally:
                task.cancel()
                await asyncio.wait({task})

    asyncio.run(life())


def test_a_folder_that_is_away_for_longer_than_a_minute_is_an_alarm(tmp_path):
    now = [1000.0]

    async def life() -> None:
        async with forwarding(tmp_path, FakeBus(), monotonic=lambda: now[0]) as (outbox, forwarder):
            writer = await outbox.writer(SOURCE)
            writer.report("away", "drop cannot be listed")
            now[0] += 59
            writer.report("away", "drop cannot be listed: no such file")
            assert forwarder.source_alarms(SOURCE) == ()
            now[0] += 61
            assert forwarder.source_alarms(SOURCE) == (
                "not reached for 2 min: drop cannot be listed: no such file",
            )
            writer.report("idle")
            assert forwarder.source_alarms(SOURCE) == ()
            writer.report("away", "again")
            assert forwarder.source_alarms(SOURCE) == ()

    asyncio.run(life())


def test_an_outbox_that_cannot_be_written_is_an_alarm_of_the_edge_and_of_its_sources(tmp_path):
    async def life() -> None:
        bus = FakeBus()
        async with forwarding(tmp_path, bus) as (outbox, forwarder):
            row = await outbox._one("PRAGMA page_count")
            assert row is not None
            await outbox._connection.execute(f"PRAGMA max_page_count={row[0]}")
            with pytest.raises(StoreUnavailable):
                await outbox.take(SOURCE, [taking(0, text="x" * 8_000)], None)
            await forwarder._tell(alive=True)
            source = parse_source_state(bus.states[TOPICS.state(SOURCE)])
            edge = parse_edge_state(bus.states[TOPICS.edge_state("harbour-works", "edge")])
            for alarms in (source.alarms, edge.alarms):
                (alarm,) = alarms
                assert alarm.startswith("events cannot be kept in the outbox: ")
                assert "disk is full" in alarm

    asyncio.run(life())
