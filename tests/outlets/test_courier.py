"""The courier and its cursor, with a receiver in memory; the contract of all outlets tried on the plainest one."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import pytest
from contracts.outlet_contract import EventKey, OutletContract, Setting, until

from broker_bridge.errors import ConfigError, NotFound, OutletUnavailable
from broker_bridge.outlets.base import Outgoing, Refused
from broker_bridge.outlets.cursor import Cursor, ask_again, ask_replay, count_letters, letters, standing
from broker_bridge.store.sqlite_reader import SqliteReader


class Memory:
    """A receiver in memory, and the outlet that leads to it."""

    def __init__(self) -> None:
        self.taken: list[EventKey] = []
        self.there = True
        self.bad: set[EventKey] = set()
        self.at_once = 7
        self.gate: asyncio.Event | None = None

    def outlet(self) -> "MemoryOutlet":
        return MemoryOutlet(self)

    async def got(self) -> Sequence[EventKey]:
        return list(self.taken)

    async def down(self) -> None:
        self.there = False

    async def up(self) -> None:
        self.there = True

    async def refuse(self, keys: Sequence[EventKey]) -> None:
        self.bad = set(keys)


class MemoryOutlet:
    """Confirms each event by itself, so that it can tell how far it got."""

    wants_bodies = True
    pause_s = 0.0

    def __init__(self, memory: Memory) -> None:
        self._memory = memory
        self.window = memory.at_once

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    async def send(self, events: Sequence[Outgoing]) -> Sequence[Refused]:
        refused = []
        for place, event in enumerate(events):
            await asyncio.sleep(0)
            if self._memory.gate is not None:
                await self._memory.gate.wait()
            if not self._memory.there:
                raise OutletUnavailable(
                    "nobody is there", confirmed=events[place - 1].fact.number if place else 0
                )
            key = event.fact.source, event.fact.id
            if key in self._memory.bad:
                refused.append(Refused(event.fact.number, "bad", "this receiver does not like it"))
            else:
                assert event.body
                self._memory.taken.append(key)
        return refused


class TestMemory(OutletContract):
    @contextlib.asynccontextmanager
    async def receiver(self, folder: Path) -> AsyncIterator[Memory]:  # type: ignore[override]
        yield Memory()


def test_a_stop_waits_for_what_was_handed_over(tmp_path: Path) -> None:
    async def play() -> None:
        setting, memory = Setting(tmp_path), Memory()
        await setting.commit(1, 7)
        memory.gate = asyncio.Event()
        async with setting.running(memory.outlet()) as task:
            await until_started(memory)
            task.cancel()
            await asyncio.sleep(0)
            memory.gate.set()
            await asyncio.wait([task])
        assert len(memory.taken) == 7
        assert standing(setting.position).number == 7

    async def until_started(memory: Memory) -> None:
        async def started() -> bool:
            assert memory.gate is not None
            return bool(memory.gate._waiters)  # type: ignore[attr-defined]

        await until(started)

    asyncio.run(play())


def test_a_receiver_that_refuses_everything_stops_it_at_the_ceiling(tmp_path: Path) -> None:
    async def play() -> None:
        setting, memory = Setting(tmp_path), Memory()
        await setting.commit(1, 60)
        await memory.refuse(setting.events())
        async with setting.running(memory.outlet(), ceiling=10):

            async def stopped() -> bool:
                with contextlib.suppress(NotFound):
                    return standing(setting.position).condition == "stopped"
                return False

            await until(stopped)
            assert 10 <= count_letters(setting.position) < 10 + memory.at_once
            await memory.refuse([])
            await ask_again(setting.position, None)
            await setting.reaches(60)

            async def empty() -> bool:
                return count_letters(setting.position) == 0

            await until(empty)
        assert sorted(memory.taken) == sorted(setting.events())

    asyncio.run(play())


def test_a_new_outlet_may_begin_at_the_end(tmp_path: Path) -> None:
    async def play() -> None:
        setting, memory = Setting(tmp_path), Memory()
        await setting.commit(1, 20)
        async with setting.running(memory.outlet(), at_end=True):
            await setting.reaches(20)
            await setting.commit(21, 25)
            await setting.reaches(25)
        assert memory.taken == setting.events()[20:]

    asyncio.run(play())


def test_two_processes_do_not_move_one_position(tmp_path: Path) -> None:
    async def play() -> None:
        cursor = await Cursor.open(tmp_path / "mes.db")
        try:
            with pytest.raises(ConfigError, match="already writes this outlet's position"):
                await Cursor.open(tmp_path / "mes.db")
        finally:
            await cursor.close()

    asyncio.run(play())


def test_the_position_in_another_record_is_refused(tmp_path: Path) -> None:
    async def play() -> None:
        setting = Setting(tmp_path)
        await setting.commit(1, 5)
        async with setting.running(Memory().outlet()):
            await setting.reaches(5)
        other = SqliteReader(setting.path)
        cursor = await Cursor.open(setting.position)
        try:
            head = other.head()
            other.head = lambda: head._replace(name="elsewhere")  # type: ignore[method-assign]
            with pytest.raises(ConfigError, match="in record 'plant', not in 'elsewhere'"):
                await cursor.meet(other, at_end=False)
        finally:
            await cursor.close()
            other.close()

    asyncio.run(play())


def test_the_trail_reaches_far_back_and_stays_short(tmp_path: Path) -> None:
    async def play() -> None:
        cursor = await Cursor.open(tmp_path / "mes.db")
        try:
            for commit in range(1, 601):
                await cursor.advance(0, passed=(commit, commit * 10, 1_000_000 + commit))
            rows = await cursor._all("SELECT commit_no FROM trail ORDER BY commit_no")
            known = [row[0] for row in rows]
            assert len(known) <= 256
            assert known[0] == 1
            assert known[-100:] == list(range(501, 601))
        finally:
            await cursor.close()

    asyncio.run(play())


def test_what_is_not_there_cannot_be_asked_for(tmp_path: Path) -> None:
    async def play() -> None:
        setting = Setting(tmp_path)
        with pytest.raises(NotFound):
            await ask_again(setting.position, None)
        await setting.commit(1, 5)
        async with setting.running(Memory().outlet()):
            await setting.reaches(5)
        with pytest.raises(NotFound, match="has no dead letter 3"):
            await ask_again(setting.position, [3])
        with pytest.raises(NotFound, match="stands at event 5"):
            await ask_replay(setting.position, 6)
        assert letters(setting.position) == []

    asyncio.run(play())
