"""The bus and the record to one stream: no hole, no double, whatever comes from where."""

import asyncio
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from types import TracebackType
from typing import Any

import pytest
from servers import until
from told import Told, arrivals, at, board

from broker_bridge.bus.inbox import Message
from broker_bridge.bus.topics import Topics
from broker_bridge.console import feed as module
from broker_bridge.console.feed import Feed, Heard, Item, Notice
from broker_bridge.errors import ConfigError, NotFound, RecordDamaged, StoreUnavailable
from broker_bridge.events.fact import Fact

TOPICS = Topics("plant")


def numbered(count: int) -> list[Fact]:
    said = Told()
    for step in range(count):
        said.say("work.started", at("11:00:00"), board(f"B{step}"), station="spi", source="spi")
    return said.facts


class FakeClient:
    """A connection that tests feed by hand."""

    host, port, trouble = "127.0.0.1", 1883, ""

    def __init__(self) -> None:
        self.connected = False
        self.acknowledged: list[Message] = []
        self._up = asyncio.Event()
        self._messages: asyncio.Queue[Message] = asyncio.Queue()

    async def __aenter__(self) -> "FakeClient":
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.connected = False

    def connect(self) -> None:
        self.connected = True
        self._up.set()

    def deliver(self, fact: Fact) -> None:
        (arrival,) = arrivals([fact])
        topic = TOPICS.event(fact.source, "spi", fact.type)
        self._messages.put_nowait(Message(topic, arrival.body, False, False, 1, self._messages.qsize() + 1))

    async def wait_connected(self) -> int:
        await self._up.wait()
        return 1

    async def next(self, timeout: float | None = None) -> Message | None:
        return await self._messages.get()

    def ack(self, messages: Iterable[Message]) -> None:
        self.acknowledged += messages


class FakeRecord:
    """A record in memory; `down` makes it unreadable."""

    def __init__(self, facts: Sequence[Fact] = ()) -> None:
        self.facts = list(facts)
        self.down: Exception | None = None
        self.closed = False
        self.other = False

    def newest(self) -> int:
        return len(self.facts)

    def number_at(self, instant: datetime) -> int:
        return 0 if instant < at("11:30:00") else len(self.facts)

    def after(self, number: int, limit: int) -> Sequence[Fact]:
        if self.down is not None:
            raise self.down
        return self.facts[number : number + limit]

    def replaced(self) -> bool:
        return self.other

    def close(self) -> None:
        self.closed = True


class Watched:
    """A feed under way."""

    def __init__(self, open_record: Callable[[], Any], since: datetime | None = None, least: int = 0) -> None:
        self.client = FakeClient()
        self.items: list[Item] = []

        async def connect(filters: Sequence[str]) -> Any:
            self.filters = tuple(filters)
            return self.client

        self.feed = Feed(
            TOPICS, connect=connect, open_record=open_record, put=self.items.append, clock=lambda: at("12:00:00"),
            since=since, least=least,
        )  # fmt: skip

    async def __aenter__(self) -> "Watched":
        self.task = asyncio.create_task(self.feed.run())
        return self

    async def __aexit__(self, *_: object) -> None:
        self.task.cancel()
        await asyncio.gather(self.task, return_exceptions=True)

    def heard(self) -> list[tuple[str, bool]]:
        return [(item.told.label, item.past) for item in self.items if isinstance(item, Heard)]

    def notices(self) -> list[str]:
        return [item.text for item in self.items if isinstance(item, Notice)]


def no_record() -> Any:
    raise NotFound("there is no record at /x")


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("BEHIND_S", "REOPEN_S", "SUBSCRIBED_S"):
        monkeypatch.setattr(module, name, 0.005)


def test_a_line_that_stands_still_is_shown_as_it_stopped() -> None:
    async def scenario() -> None:
        async with Watched(lambda: FakeRecord(numbered(6)), since=at("11:45:00"), least=4) as watched:
            watched.client.connect()
            await until(watched.feed.caught_up.is_set, "all that is there")
            assert watched.heard() == [(f"B{step}", True) for step in range(2, 6)]

    asyncio.run(scenario())


def test_first_the_record_then_the_bus_and_the_overlap_once() -> None:
    async def scenario() -> None:
        facts = numbered(6)
        async with Watched(lambda: FakeRecord(facts[:5]), since=at("11:00:00")) as watched:
            for fact in facts[3:]:
                watched.client.deliver(fact)
            watched.client.connect()
            await until(lambda: len(watched.heard()) == 6, "all six")
            assert watched.heard() == [*((f"B{step}", True) for step in range(5)), ("B5", False)]
            await until(lambda: len(watched.client.acknowledged) == 3, "all three acknowledged")

    asyncio.run(scenario())


def test_without_since_it_begins_now() -> None:
    async def scenario() -> None:
        facts = numbered(3)
        record = FakeRecord(facts[:2])
        async with Watched(lambda: record) as watched:
            await until(watched.feed.caught_up.is_set, "the record is read")
            record.facts.append(facts[2])
            await until(watched.heard, "the new one")
            assert watched.heard() == [("B2", False)]
        assert record.closed

    asyncio.run(scenario())


def test_what_the_bus_did_not_bring_comes_from_the_record() -> None:
    async def scenario() -> None:
        facts = numbered(4)
        record = FakeRecord(facts[:1])
        async with Watched(lambda: record, since=at("11:00:00")) as watched:
            watched.client.connect()
            await until(watched.feed.caught_up.is_set, "the record is read")
            watched.client.deliver(facts[3])
            await until(lambda: len(watched.heard()) == 2, "the live one")
            record.facts = facts  # the second and third passed while nobody listened
            await until(lambda: len(watched.heard()) == 4, "the hole is filled")
            assert watched.heard() == [("B0", True), ("B3", False), ("B1", False), ("B2", False)]

    asyncio.run(scenario())


def test_without_a_record_it_says_so_and_takes_one_that_comes_later() -> None:
    async def scenario() -> None:
        facts = numbered(2)
        records: list[FakeRecord] = []
        async with Watched(lambda: records[0] if records else no_record(), since=at("11:00:00")) as watched:
            watched.client.connect()
            watched.client.deliver(facts[0])
            await until(watched.heard, "the live one")
            assert watched.notices() == ["there is no record at /x: shown is what comes from now on"]
            records.append(FakeRecord(facts))
            await until(lambda: len(watched.heard()) == 2, "the one from the record")
            assert len(watched.notices()) == 1

    asyncio.run(scenario())


def test_without_a_broker_the_record_is_shown() -> None:
    async def scenario() -> None:
        async with Watched(lambda: FakeRecord(numbered(2)), since=at("11:00:00")) as watched:
            await until(lambda: len(watched.heard()) == 2, "both")
            bus = watched.feed.bus()
            assert (bus.address, bus.connected) == ("127.0.0.1:1883", False)
            watched.client.connect()
            assert watched.feed.bus().connected

    asyncio.run(scenario())


def test_a_record_that_cannot_be_read_is_told_once_and_read_again() -> None:
    async def scenario() -> None:
        record = FakeRecord(numbered(2))
        record.down = StoreUnavailable("disk is away")
        async with Watched(lambda: record, since=at("11:00:00")) as watched:
            await until(watched.notices, "it says so")
            record.down = None
            await until(lambda: len(watched.heard()) == 2, "both")
            assert watched.notices() == ["the record cannot be read now: disk is away"]

    asyncio.run(scenario())


def test_a_record_restored_from_a_backup_is_read_on_from_where_it_stands() -> None:
    async def scenario() -> None:
        facts = numbered(5)
        records = [FakeRecord(facts[:4]), FakeRecord(facts[:1])]
        opened = iter(records)
        async with Watched(lambda: next(opened), since=at("11:00:00")) as watched:
            await until(lambda: len(watched.heard()) == 4, "all four")
            records[0].other = True
            await until(watched.notices, "it says so")
            assert records[0].closed
            # The edges fill it again; what was shown before is known.
            records[1].facts = [*facts[:4], facts[4]]
            await until(lambda: len(watched.heard()) == 5, "the new one")
            assert [label for label, _ in watched.heard()] == ["B0", "B1", "B2", "B3", "B4"]
            assert len(watched.notices()) == 1

    asyncio.run(scenario())


def test_what_it_subscribes_to() -> None:
    async def scenario() -> None:
        async with Watched(no_record) as watched:
            await until(lambda: hasattr(watched, "filters"), "it subscribes")
            assert watched.filters == (*TOPICS.all_events(), TOPICS.all_states())

    asyncio.run(scenario())


def test_what_nothing_mends_ends_it_as_it_is() -> None:
    async def damaged() -> None:
        record = FakeRecord()
        record.down = RecordDamaged("event 7 is not what was committed")
        async with Watched(lambda: record) as watched:
            await watched.task

    async def refused() -> None:
        async def connect(filters: Sequence[str]) -> Any:
            raise ConfigError("broker.password_file: no such file")

        feed = Feed(
            TOPICS, connect=connect, open_record=no_record, put=lambda item: None, clock=lambda: at("12:00:00")
        )  # fmt: skip
        await feed.run()

    with pytest.raises(RecordDamaged, match="event 7"):
        asyncio.run(damaged())
    with pytest.raises(ConfigError, match="password_file"):
        asyncio.run(refused())
