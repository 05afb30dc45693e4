"""Acknowledged only after the commit, in order; nothing while the store cannot be written."""

import asyncio
from collections.abc import Iterable, Sequence
from contextlib import asynccontextmanager
from typing import Any

import pytest
from memory_store import MemoryStore
from test_intake import NOON, SOURCE, TOPIC, TOPICS, body, examine

from broker_bridge.bus.inbox import Message
from broker_bridge.bus.wire import SourceState, dump, join_batch, parse_receipt, parse_record_state
from broker_bridge.errors import BusUnavailable, RecordDamaged, StoreUnavailable
from broker_bridge.recorder import intake
from broker_bridge.recorder.recorder import Recorder
from broker_bridge.store.base import Arrival, Committed, Head, Refusal

RECEIPT = TOPICS.receipt(SOURCE, "record")
STATE = TOPICS.record_state("harbour-works", "record")


class FakeBus:
    """The client's side of a broker."""

    def __init__(self) -> None:
        self.trouble = ""
        self.inbox: list[Message] = []
        self.filled = asyncio.Event()
        self.log: list[Any] = []
        self.told: dict[str, bytes] = {}
        self.packets = 0
        self.lose = 0
        """So many of the next receipts get lost on their way to the broker."""

    def bring(self, topic: str, payload: bytes) -> None:
        self.packets += 1
        self.inbox.append(Message(topic, payload, False, False, 1, self.packets))
        self.filled.set()

    async def watch(self) -> None:
        await asyncio.Event().wait()

    async def wait_connected(self) -> int:
        return 1

    async def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> asyncio.Future[None]:
        assert retain
        done: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        if self.lose and topic == RECEIPT:
            self.lose -= 1
            if self.lose % 2:
                raise BusUnavailable("not connected")
            done.set_exception(BusUnavailable("connection lost"))
        else:
            self.told[topic] = payload
            done.set_result(None)
        return done

    async def next(self, timeout: float | None = None) -> Message | None:
        while not self.inbox:
            self.filled.clear()
            await self.filled.wait()
        return self.inbox.pop(0)

    def next_nowait(self) -> Message | None:
        return self.inbox.pop(0) if self.inbox else None

    def ack(self, messages: Iterable[Message]) -> None:
        self.log += [("acknowledged", message.packet) for message in messages]


class LoggingStore(MemoryStore):
    """A store that notes its commits in the bus's log and fails as often as told."""

    def __init__(self, name: str, log: list[Any]) -> None:
        super().__init__(name)
        self.log = log
        self.failures = 0
        self.head_failures = 0

    async def head(self) -> Head:
        if self.head_failures:
            self.head_failures -= 1
            raise StoreUnavailable("disk away")
        return await super().head()

    async def commit(self, arrivals: Sequence[Any] = (), *rest: Any, **more: Any) -> Committed:
        if self.failures:
            self.failures -= 1
            self.log.append("failed")
            raise StoreUnavailable("disk full")
        result = await super().commit(arrivals, *rest, **more)
        self.log.append(("committed", len(arrivals)))
        return result


@asynccontextmanager
async def recording(
    failures: int = 0, window: int = 500, refused: Sequence[Refusal] = (), store: LoggingStore | None = None
):
    bus = FakeBus()
    store = store or LoggingStore("record", bus.log)
    if refused:
        await store.commit([], refused)
        bus.log.clear()
    store.failures = failures
    task = asyncio.create_task(Recorder(bus, store, TOPICS, site="harbour-works", window=window).run())
    try:
        yield bus, store
    finally:
        task.cancel()
        await asyncio.wait({task})


async def until(condition, what: str) -> None:
    """Wait for a condition, ten seconds at most."""
    async with asyncio.timeout(10):
        while not condition():  # noqa: ASYNC110  (the condition has no event of its own)
            await asyncio.sleep(0.01)
    assert condition(), what


def test_a_commit_begins_before_what_comes_behind_it_is_taken():
    waiting: list[int] = []

    class Watched(LoggingStore):
        async def commit(self, arrivals: Sequence[Any] = (), *rest: Any, **more: Any) -> Committed:
            waiting.append(len(bus.inbox))
            return await super().commit(arrivals, *rest, **more)

    async def life() -> None:
        nonlocal bus
        async with recording(window=1, store=Watched("record", [])) as (bus, _):
            for number in range(1, 4):
                bus.bring(TOPIC, body(number))
            await until(lambda: len(waiting) == 3, "all committed")
            assert waiting[0] == 2, "the second one was examined first"

    bus = FakeBus()
    asyncio.run(life())


def test_acknowledged_after_the_commit_and_in_order():
    async def life() -> None:
        async with recording() as (bus, _):
            for number in range(1, 6):
                bus.bring(TOPIC, body(number))
            await until(lambda: ("acknowledged", 5) in bus.log, "all acknowledged")
            assert bus.log[0] == ("committed", 5), "what waited was committed together"
            assert bus.log[1:] == [("acknowledged", number) for number in range(1, 6)]

    asyncio.run(life())


def test_nothing_is_acknowledged_while_the_store_fails_and_nothing_is_lost():
    async def life() -> None:
        async with recording(failures=2) as (bus, store):
            bus.bring(TOPIC, body(1))
            await until(lambda: ("acknowledged", 1) in bus.log, "acknowledged in the end")
            assert bus.log == ["failed", "failed", ("committed", 1), ("acknowledged", 1)]
            assert (await store.head()).number == 1

    asyncio.run(life())


def test_a_receipt_names_what_is_there_and_what_is_missing():
    async def life() -> None:
        async with recording() as (bus, _):
            bus.bring(TOPIC, body(1))
            bus.bring(TOPIC, body(2))
            bus.bring(TOPICS.batch(SOURCE), join_batch([body(5), body(6)]))

            def told() -> bool:
                return RECEIPT in bus.told and bool(parse_receipt(bus.told[RECEIPT]).epochs[0].missing)

            await until(told, "told")
            [epoch] = parse_receipt(bus.told[RECEIPT]).epochs
            assert (epoch.epoch, epoch.contiguous, epoch.missing) == (7, 2, ((3, 4),))

    asyncio.run(life())


def test_the_tail_is_known_from_what_a_source_says_of_itself():
    async def life() -> None:
        async with recording() as (bus, _):
            bus.bring(TOPIC, body(1))
            state = SourceState(source=SOURCE, epoch=7, last=9, oldest=1, condition="idle", issued=NOON)
            bus.bring(TOPICS.state(SOURCE), dump(state))

            def told() -> bool:
                return RECEIPT in bus.told and bool(parse_receipt(bus.told[RECEIPT]).epochs[0].missing)

            await until(told, "told")
            assert parse_receipt(bus.told[RECEIPT]).epochs[0].missing == ((2, 9),)

    asyncio.run(life())


def test_a_poisoned_event_is_kept_acknowledged_and_counted_as_received():
    async def life() -> None:
        async with recording() as (bus, store):
            bus.bring(TOPIC, body(1).replace(b'"A1"', b"null"))
            bus.bring(TOPIC, b"\x00\x01")
            bus.bring(TOPIC, body(2))
            await until(lambda: ("acknowledged", 3) in bus.log, "acknowledged")
            assert [row.refusal.code for row in await store.refusals(0, 9)] == ["schema", "json"]
            [progress] = await store.progress()
            assert (progress.contiguous, progress.missing()) == (2, ())

    asyncio.run(life())


def test_the_same_message_twice_is_one_event():
    async def life() -> None:
        async with recording() as (bus, store):
            for _ in range(3):
                bus.bring(TOPIC, body(1))
            await until(lambda: ("acknowledged", 3) in bus.log, "acknowledged")
            assert (await store.head()).number == 1

    asyncio.run(life())


def test_a_refused_payload_becomes_an_event_once_the_program_knows_it():
    async def life() -> None:
        async with recording(
            refused=[Refusal(TOPIC, "type", "unknown to an older program", body(3), SOURCE, 7, 3)]
        ) as (
            bus,
            store,
        ):
            await until(lambda: RECEIPT in bus.told, "a receipt at the start")
            assert await store.refusals(0, 9) == []
            assert (await store.head()).number == 1
            assert store.reader.reused() == []

    asyncio.run(life())


def test_everybody_is_told_at_the_start_where_the_record_stands():
    async def life() -> None:
        store = LoggingStore("record", [])
        await store.commit(
            [arrival for arrival in examine(TOPICS, TOPIC, body(1)) if isinstance(arrival, Arrival)]
        )
        async with recording(store=store) as (bus, _):
            await until(lambda: RECEIPT in bus.told, "told without being asked")
            assert parse_receipt(bus.told[RECEIPT]).epochs[0].contiguous == 1

    asyncio.run(life())


def test_a_store_that_fails_from_the_start_is_waited_for_and_the_condition_is_told():
    async def life() -> None:
        async with recording(failures=3) as (bus, store):
            store.head_failures = 2
            bus.bring(TOPIC, body(1))
            await until(lambda: _condition(bus) == "waiting", "the record says that it waits")
            assert "disk full" in parse_record_state(bus.told[STATE]).detail
            await until(lambda: _condition(bus) == "recording", "and that it goes on")
            assert ("acknowledged", 1) in bus.log

    asyncio.run(life())


def test_a_receipt_that_did_not_reach_the_broker_is_given_again():
    async def life() -> None:
        async with recording() as (bus, _):
            bus.lose = 2
            bus.bring(TOPIC, body(1))
            await until(lambda: RECEIPT in bus.told, "given again")
            assert bus.lose == 0
            assert parse_receipt(bus.told[RECEIPT]).epochs[0].contiguous == 1

    asyncio.run(life())


def test_a_commit_takes_no_more_than_its_window_however_large_the_batches():
    async def life() -> None:
        async with recording(window=10) as (bus, _):
            for start in range(1, 41, 4):
                bus.bring(TOPICS.batch(SOURCE), join_batch([body(start + more) for more in range(4)]))
            await until(lambda: ("acknowledged", 10) in bus.log, "all acknowledged")
            sizes = [entry[1] for entry in bus.log if entry[0] == "committed"]
            assert sum(sizes) == 40
            assert max(sizes) == 12

    asyncio.run(life())


def test_an_edge_with_an_older_outbox_is_told_that_a_younger_one_speaks():
    async def life() -> None:
        async with recording() as (bus, _):
            bus.bring(TOPIC, body(1, epoch=9))
            bus.bring(TOPIC, body(2, epoch=7))
            await until(
                lambda: RECEIPT in bus.told and parse_receipt(bus.told[RECEIPT]).fenced == 9, "fenced"
            )
            await until(lambda: STATE in bus.told, "told")
            assert parse_record_state(bus.told[STATE]).alarms == ()

    asyncio.run(life())


def test_two_edges_that_take_turns_are_an_alarm_and_both_are_recorded():
    async def life() -> None:
        async with recording() as (bus, store):
            for number, epoch in enumerate([7, 9, 7, 9, 7], 1):
                bus.bring(TOPIC, body(number, epoch=epoch))
            await until(
                lambda: STATE in bus.told and bool(parse_record_state(bus.told[STATE]).alarms), "alarm"
            )
            assert SOURCE in parse_record_state(bus.told[STATE]).alarms[0]
            assert (await store.head()).number == 5
        assert parse_record_state(bus.told[STATE]).condition == "gone"

    asyncio.run(life())


def test_a_number_given_twice_is_an_alarm():
    async def life() -> None:
        async with recording() as (bus, _):
            bus.bring(TOPIC, body(1))
            bus.bring(TOPIC, body(1).replace(b'"g1.', b'"g2.'))
            await until(
                lambda: STATE in bus.told and bool(parse_record_state(bus.told[STATE]).alarms), "alarm"
            )
            assert "given twice" in parse_record_state(bus.told[STATE]).alarms[0]

    asyncio.run(life())


def test_a_state_that_cannot_be_read_or_speaks_of_another_is_not_heeded():
    async def life() -> None:
        async with recording() as (bus, store):
            bus.bring(TOPICS.state(SOURCE), b"rubbish")
            state = SourceState(source=SOURCE, epoch=7, last=9, oldest=1, condition="idle", issued=NOON)
            bus.bring(TOPICS.state("/harbour-works/smt/line-1/spi-files"), dump(state))
            bus.bring(TOPICS.record_state("harbour-works", "record"), b"of another kind")
            await until(lambda: ("acknowledged", 3) in bus.log, "acknowledged")
            assert await store.progress() == []

    asyncio.run(life())


def test_a_damaged_record_ends_the_recorder_and_nothing_is_acknowledged():
    async def life() -> None:
        bus = FakeBus()
        store = DamagedStore()
        bus.bring(TOPIC, body(1))
        async with asyncio.timeout(10):
            with pytest.raises(ExceptionGroup) as ended:
                await Recorder(bus, store, TOPICS, site="harbour-works").run()
        assert ended.value.subgroup(RecordDamaged) is not None
        assert bus.log == []
        assert _condition(bus) == "gone"

    asyncio.run(life())


class DamagedStore(MemoryStore):
    """A database whose file was written into."""

    async def commit(self, *what: Any, **more: Any) -> Committed:
        raise RecordDamaged("the record is malformed")


def _condition(bus: FakeBus) -> str:
    return parse_record_state(bus.told[STATE]).condition if STATE in bus.told else ""


def test_a_store_that_does_not_answer_is_told_although_nothing_failed(monkeypatch):
    monkeypatch.setattr("broker_bridge.recorder.recorder.SLOW_S", 0.05)
    monkeypatch.setattr("broker_bridge.recorder.recorder.BEAT_S", 0.02)

    async def life() -> None:
        store = LoggingStore("record", [])
        stuck = asyncio.Event()
        commit = store.commit

        async def late(*arguments: Any, **more: Any) -> Committed:
            await stuck.wait()
            return await commit(*arguments, **more)

        store.commit = late
        async with recording(store=store) as (bus, _):
            bus.bring(TOPIC, body(1))
            await until(lambda: _condition(bus) == "waiting", "the record says that it waits")
            assert "has not answered" in parse_record_state(bus.told[STATE]).detail
            stuck.set()
            await until(lambda: _condition(bus) == "recording", "and that it goes on")

    asyncio.run(life())


def test_what_is_wrong_with_the_way_to_the_broker_is_told_by_the_record(monkeypatch):
    monkeypatch.setattr("broker_bridge.recorder.recorder.BEAT_S", 0.02)

    async def life() -> None:
        async with recording() as (bus, _):
            bus.trouble = "the broker refuses the subscription to plant/#"
            await until(
                lambda: STATE in bus.told and bus.trouble in parse_record_state(bus.told[STATE]).alarms,
                "told",
            )

    asyncio.run(life())


def test_a_source_that_runs_wild_is_told_of_on_the_bus():
    async def life() -> None:
        now = 0.0
        bus = FakeBus()
        store = LoggingStore("record", bus.log)
        recorder = Recorder(bus, store, TOPICS, site="harbour-works", monotonic=lambda: now)
        task = asyncio.create_task(recorder.run())
        try:
            for last, at in ((1, 0.0), (90_001, 60.0)):
                now = at
                state = SourceState(
                    source=SOURCE, epoch=7, last=last, oldest=1, condition="idle", issued=NOON
                )
                bus.bring(TOPICS.state(SOURCE), dump(state))
                await until(lambda: bus.log and not bus.inbox and bus.log[-1][0] == "acknowledged", "taken")
            await until(lambda: any("1,500 a second" in alarm for alarm in alarms(bus)), "told")
        finally:
            task.cancel()
            await asyncio.wait({task})

    def alarms(bus: FakeBus) -> tuple[str, ...]:
        return parse_record_state(bus.told[STATE]).alarms if STATE in bus.told else ()

    asyncio.run(life())


def test_another_plant_is_neither_recorded_nor_given_a_receipt():
    """Its edge would take the receipt for its own record's and forget."""
    other = SOURCE.replace("harbour-works", "other-works")
    receipt = TOPICS.receipt(other, "record")

    async def life() -> None:
        store = LoggingStore("record", [])
        (arrival,) = intake.examine(TOPICS, TOPICS.batch(other), body(1, other), site="other-works")
        assert isinstance(arrival, Arrival)
        await store.commit([arrival])  # by a program that did not ask whose it was
        async with recording(store=store) as (bus, _):
            await until(lambda: STATE in bus.told, "started")
            state = SourceState(source=other, epoch=7, last=9, oldest=1, condition="idle", issued=NOON)
            bus.bring(TOPICS.state(other), dump(state))
            bus.bring(TOPICS.event(other, "aoi-1", "station.alarm_raised"), body(2, other))
            bus.bring(TOPIC, body(1))
            await until(lambda: RECEIPT in bus.told, "its own receipt")
            assert ("acknowledged", 2) in bus.log
            assert receipt not in bus.told
            assert (await store.head()).number == 2
            (refused,) = await store.refusals(0, 10)
            assert refused.refusal.code == "plant"
            assert {one.source: one.last for one in await store.progress()} == {other: 1, SOURCE: 1}

    asyncio.run(life())
