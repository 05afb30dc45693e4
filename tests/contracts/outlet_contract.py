"""What every outlet does, whatever it leads to. Subclass it and say how to open a receiver.

A receiver that keeps things at rest (tables) has no order of arrival: it sets `ordered` False. One that takes
whatever it is given sets `refuses` False.
"""

import asyncio
import contextlib
import time
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

import pytest
from contracts.arrivals import run_of

from broker_bridge.errors import NotFound
from broker_bridge.outlets.base import Outlet
from broker_bridge.outlets.courier import Courier
from broker_bridge.outlets.cursor import Cursor, ask_again, ask_replay, letters, standing
from broker_bridge.outlets.leaving import Choice
from broker_bridge.store.restoring import restore
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.store.sqlite_reader import SqliteReader

EventKey = tuple[str, str]
"""Source and id of an event."""


class Receiver(Protocol):
    """A plant system as the contract sees it; used from the test's event loop."""

    def outlet(self) -> Outlet:
        """A new outlet that leads to it."""
        ...

    async def got(self) -> Sequence[EventKey]:
        """Everything it has taken, in order of arrival, repetitions included."""
        ...

    async def down(self) -> None:
        """From now on it cannot be reached."""
        ...

    async def up(self) -> None:
        """It is there again, with what it had."""
        ...

    async def refuse(self, keys: Sequence[EventKey]) -> None:
        """From now on it refuses these events for good; none with an empty list."""
        ...


async def until(condition: Callable[[], Awaitable[bool]], seconds: float = 20.0) -> None:
    """Wait for a condition, with a deadline."""
    end = time.monotonic() + seconds
    while not await condition():
        assert time.monotonic() < end, "it never came to that"
        await asyncio.sleep(0.01)


ALL = Choice(allow=("persons", "raw"))


class Setting:
    """A record, and couriers over it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.path = folder / "record.db"
        self.position = folder / "position.db"

    async def commit(self, first: int, last: int, each: int = 10) -> None:
        """Put the events numbered so into the record, some a commit."""
        store = await SqliteStore.open(self.path, "plant")
        try:
            for start in range(first, last + 1, each):
                # Five boards take turns, so that order within a board is worth looking at.
                await store.commit(run_of(start, min(last, start + each - 1)))
        finally:
            await store.close()

    def events(self) -> list[EventKey]:
        """All events of the record, in its order."""
        reader = SqliteReader(self.path)
        try:
            return [(fact.source, fact.id) for fact in reader.after(0, 100_000)]
        finally:
            reader.close()

    @contextlib.asynccontextmanager
    async def running(
        self, outlet: Outlet, choice: Choice = ALL, **more: Any
    ) -> AsyncIterator["asyncio.Task[None]"]:
        """A courier at work; stopped at the end."""
        reader = SqliteReader(self.path)
        cursor = await Cursor.open(self.position)
        courier = Courier(
            "test", outlet, cursor, reader, choice,
            poll_s=0.01, first_wait_s=0.05, **more,
        )  # fmt: skip
        task = asyncio.create_task(courier.run())
        try:
            yield task
        finally:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
            await cursor.close()
            reader.close()

    def stands_at(self) -> int:
        """The stored position."""
        try:
            return standing(self.position).number
        except NotFound:
            return 0

    async def reaches(self, number: int) -> None:
        """Wait until the position is there."""

        async def there() -> bool:
            return self.stands_at() >= number

        await until(there)


class OutletContract:
    """Inherit, and give `receiver`: a context that opens one below a folder."""

    ordered = True
    refuses = True

    def receiver(self, folder: Path) -> contextlib.AbstractAsyncContextManager[Receiver]:
        raise NotImplementedError

    @pytest.fixture
    def setting(self, tmp_path: Path) -> Setting:
        return Setting(tmp_path)

    def same(self, got: Sequence[EventKey], expected: Sequence[EventKey]) -> None:
        """Exactly these, each once, in their order."""
        if self.ordered:
            assert list(got) == list(expected)
        else:
            assert Counter(got) == Counter(expected)

    def test_everything_arrives_once_and_in_order(self, setting: Setting) -> None:
        async def play() -> None:
            async with self.receiver(setting.folder) as receiver:
                await setting.commit(1, 95)
                async with setting.running(receiver.outlet()):
                    await setting.reaches(95)
                    await setting.commit(96, 130)
                    await setting.reaches(130)
                self.same(await receiver.got(), setting.events())

        asyncio.run(play())

    def test_a_new_start_sends_nothing_again(self, setting: Setting) -> None:
        async def play() -> None:
            async with self.receiver(setting.folder) as receiver:
                await setting.commit(1, 40)
                async with setting.running(receiver.outlet()):
                    await setting.reaches(40)
                await setting.commit(41, 60)
                async with setting.running(receiver.outlet()):
                    await setting.reaches(60)
                self.same(await receiver.got(), setting.events())

        asyncio.run(play())

    def test_a_receiver_that_is_away_only_delays(self, setting: Setting) -> None:
        async def play() -> None:
            async with self.receiver(setting.folder) as receiver:
                await setting.commit(1, 30)
                async with setting.running(receiver.outlet()):
                    await setting.reaches(30)
                    await receiver.down()
                    await setting.commit(31, 70)

                    async def waits() -> bool:
                        return standing(setting.position).condition == "waiting"

                    await until(waits)
                    assert setting.stands_at() < 70
                    await receiver.up()
                    await setting.reaches(70)
                got = await receiver.got()
                assert set(got) == set(setting.events())
                assert letters(setting.position) == []

        asyncio.run(play())

    def test_stopped_at_any_moment_nothing_is_missing(self, setting: Setting) -> None:
        async def play() -> None:
            async with self.receiver(setting.folder) as receiver:
                await setting.commit(1, 200, each=50)
                for stop_at in (0, 1, 60, 130):
                    async with setting.running(receiver.outlet(), stop_s=0.0):
                        await setting.reaches(stop_at)
                async with setting.running(receiver.outlet()):
                    await setting.reaches(200)
                got = await receiver.got()
                assert set(got) == set(setting.events())
                if not self.ordered:
                    assert len(got) == 200

        asyncio.run(play())

    def test_what_is_refused_becomes_a_dead_letter_and_goes_when_asked(self, setting: Setting) -> None:
        if not self.refuses:
            return

        async def play() -> None:
            async with self.receiver(setting.folder) as receiver:
                await setting.commit(1, 30)
                bad = setting.events()[11]
                await receiver.refuse([bad])
                async with setting.running(receiver.outlet()):
                    await setting.reaches(30)
                    (letter,) = letters(setting.position)
                    assert (letter.source, letter.event) == bad
                    assert letter.reason
                    self.same(await receiver.got(), [key for key in setting.events() if key != bad])
                    await ask_again(setting.position, None)

                    async def tried() -> bool:
                        return letters(setting.position)[0].times == 2

                    await until(tried)
                    await receiver.refuse([])
                    await ask_again(setting.position, [letter.letter])

                    async def gone() -> bool:
                        return not letters(setting.position)

                    await until(gone)
                assert Counter(await receiver.got()) == Counter(setting.events())

        asyncio.run(play())

    def test_a_replay_sends_what_is_behind_a_number_again(self, setting: Setting) -> None:
        async def play() -> None:
            async with self.receiver(setting.folder) as receiver:
                await setting.commit(1, 30)
                async with setting.running(receiver.outlet()):
                    await setting.reaches(30)
                    await ask_replay(setting.position, 20)
                    if self.ordered:

                        async def again() -> bool:
                            return len(await receiver.got()) >= 40

                        await until(again)
                    await setting.commit(31, 31)
                    await setting.reaches(31)
                keys = setting.events()
                self.same(
                    await receiver.got(), [*keys[:30], *keys[20:30], keys[30]] if self.ordered else keys
                )

        asyncio.run(play())

    def test_behind_a_restored_record_nothing_is_missing(self, setting: Setting) -> None:
        async def play() -> None:
            async with self.receiver(setting.folder) as receiver:
                await setting.commit(1, 40)
                backup = setting.folder / "backup.db"
                reader = SqliteReader(setting.path)
                reader.backup(backup)
                reader.close()
                await setting.commit(41, 60)
                async with setting.running(receiver.outlet()):
                    await setting.reaches(60)
                restore(backup, setting.path, datetime.now(UTC))
                # Edges refill in another order, and more has happened meanwhile.
                await setting.commit(55, 80)
                await setting.commit(41, 54)
                async with setting.running(receiver.outlet()):
                    await setting.reaches(80)
                got = await receiver.got()
                assert set(got) == set(setting.events())
                if self.ordered:
                    assert len(got) <= 60 + 40  # only what lies behind the backup comes again

        asyncio.run(play())
