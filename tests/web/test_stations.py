"""The line as it is now, while another record is put in the place of the one that is followed."""

import asyncio
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from told import Told, board, record

from broker_bridge.bus.wire import SourceState, dump
from broker_bridge.live.picture import Picture, View
from broker_bridge.live.told import tell
from broker_bridge.store.base import Heard
from broker_bridge.store.restoring import restore
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.web import stations as module
from broker_bridge.web.stations import Live, Mark, Stations, _in, _New, _take


def line(boards: int) -> Told:
    told = Told()
    for number in range(boards):
        told.passes("print", f"08:{number:02}:00", f"08:{number:02}:30", board(f"B{number}"))
    return told


async def write(path: Path, boards: int) -> None:
    store = await SqliteStore.open(path, "harbour-works")
    try:
        await record(store, line(boards).facts)
    finally:
        await store.close()


def test_a_restored_record_is_followed_and_who_listens_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_POLL_S", 0.01)
    path, backup = tmp_path / "record.db", tmp_path / "backup.db"

    async def life() -> None:
        await write(backup, 2)
        await write(path, 5)
        stations = Stations(f"sqlite:////{str(path).lstrip('/')}", (), lambda: datetime.now(UTC))
        following = asyncio.create_task(stations.follow())
        try:
            await until(lambda: stations.number == 10 and not stations.trouble)
            before = stations.mark
            waiting = asyncio.create_task(anext(stations.listen()))
            await asyncio.sleep(0)
            restore(backup, path, datetime.now(UTC))
            await until(lambda: stations.number == 4)
            assert not stations.holds(before)
            with pytest.raises(StopAsyncIteration):
                await waiting
            await write(path, 5)  # its recorder starts: the life is another, the numbers are given again
            await until(lambda: stations.number == 10 and not stations.trouble)
            assert stations.mark.incarnation > before.incarnation
            assert not stations.holds(before)
            assert await first(stations, Mark(stations.mark.incarnation, 4)) == 5
            path.rename(tmp_path / "away.db")
            await until(lambda: bool(stations.trouble))
        finally:
            following.cancel()
            await asyncio.gather(following, return_exceptions=True)

    asyncio.run(life())


def test_what_sources_said_of_themselves_is_heard_from_the_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that a dead edge is seen on the pages, which ask no broker."""
    monkeypatch.setattr(module, "_POLL_S", 0.01)
    path = tmp_path / "record.db"
    now = datetime.now(UTC)
    issued = now - timedelta(minutes=7)
    source = "/harbour/smt/line-1/aoi"
    state = SourceState(
        source=source, epoch=1, last=1, oldest=2, condition="idle", edge="edge-1", issued=issued
    )

    async def life() -> None:
        store = await SqliteStore.open(path, "harbour-works")
        await store.commit([], [], [Heard(source, 1, 1, dump(state))])
        await store.close()
        stations = Stations(f"sqlite:////{str(path).lstrip('/')}", (), lambda: datetime.now(UTC))
        following = asyncio.create_task(stations.follow())
        try:
            async with asyncio.timeout(20):
                while not (seen := (await stations.glance()).view).sources:  # noqa: ASYNC110  (as below)
                    await asyncio.sleep(0.01)
            (found,) = seen.sources
            assert (found.condition, found.silent, found.heard) == ("idle", True, issued)
            assert "edge edge-1 is silent" in seen.troubles[0].text
        finally:
            following.cancel()
            await asyncio.gather(following, return_exceptions=True)

    asyncio.run(life())


async def first(stations: Stations, after: Mark) -> int:
    one: Live = await anext(stations.listen(after))
    return one.mark.number


async def until(found) -> None:  # type: ignore[no-untyped-def]
    async with asyncio.timeout(20):
        while not found():  # noqa: ASYNC110  (a record has no event to wait for)
            await asyncio.sleep(0.01)


@pytest.mark.parametrize("text", ["7.12", "0.0", "1772431200001.3"])
def test_a_place_is_read_as_it_is_told(text: str) -> None:
    assert str(Mark.read(text)) == text
    assert Mark.read("12") == Mark(0, 12)


def test_who_does_not_wait_for_a_look_leaves_nobody_else_at_the_picture() -> None:
    looking, go_on = threading.Event(), threading.Event()
    order: list[str] = []

    class Slow(Picture):
        def view(self, *given: object, **named: object) -> View:
            looking.set()
            go_on.wait(20)
            order.append("looked")
            return super().view(*given, **named)  # type: ignore[arg-type]

    async def life() -> None:
        stations = Stations("sqlite:////none.db", (), lambda: datetime(2026, 3, 2, tzinfo=UTC))
        stations._drawn.picture = Slow()
        look = asyncio.create_task(stations.glance())
        await asyncio.to_thread(looking.wait, 20)
        look.cancel()
        await asyncio.gather(look, return_exceptions=True)
        taking = asyncio.create_task(_in(stations._drawing, lambda: order.append("taken")))
        await asyncio.sleep(0)
        go_on.set()
        await taking
        assert order == ["looked", "taken"]
        assert (await stations.glance()).view.lines == ()
        stations.close()

    asyncio.run(life())


def test_who_listens_before_there_is_a_record_hears_its_first_events(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Such a listener's place is told without the record's life: comparing it with the true one went round for ever."""
    monkeypatch.setattr(module, "_POLL_S", 0.01)
    path = tmp_path / "record.db"

    async def life() -> None:
        stations = Stations(f"sqlite:////{str(path).lstrip('/')}", (), lambda: datetime.now(UTC))
        listening = stations.listen()
        hears = asyncio.create_task(anext(listening))
        await asyncio.sleep(0)
        store = await SqliteStore.open(path, "harbour-works")
        following = asyncio.create_task(stations.follow())
        try:
            await until(lambda: not stations.trouble)
            await record(store, line(1).facts)
            async with asyncio.timeout(20):
                assert (await hears).mark.number == 1
        finally:
            await listening.aclose()
            await store.close()
            following.cancel()
            await asyncio.gather(following, return_exceptions=True)
            stations.close()

    asyncio.run(life())


def test_a_look_says_how_far_it_goes(tmp_path: Path) -> None:
    """Whoever goes on from there misses nothing, though it is a second old."""

    async def life() -> None:
        stations = Stations("sqlite:////none.db", (), lambda: datetime(2026, 3, 2, tzinfo=UTC))
        news = [_New(fact.number, None, tell(fact)) for fact in line(2).facts]
        stations._hand_on(news[:2])
        _take(stations._drawn, news[:2], stations.mark)
        assert (await stations.glance()).mark.number == 2
        stations._hand_on(news[2:])
        assert stations.number == 4
        assert (await stations.glance()).mark.number == 2
        stations._glances.clear()
        assert (await stations.glance()).mark.number == 2, "told on, and not in the picture yet"
        _take(stations._drawn, news[2:], stations.mark)
        stations._glances.clear()
        seen = await stations.glance()
        assert (seen.mark.number, len(seen.view.lines[0][1][0].station.visits)) == (4, 2)
        stations.close()

    asyncio.run(life())


def test_a_look_waits_for_no_thread_of_others() -> None:
    go_on = threading.Event()

    async def life() -> None:
        asyncio.get_running_loop().set_default_executor(ThreadPoolExecutor(1))
        busy = asyncio.create_task(asyncio.to_thread(go_on.wait, 20))
        await asyncio.sleep(0)
        stations = Stations("sqlite:////none.db", (), lambda: datetime(2026, 3, 2, tzinfo=UTC))
        try:
            async with asyncio.timeout(10):
                await stations.glance()
        finally:
            go_on.set()
            await busy
            stations.close()

    asyncio.run(life())
