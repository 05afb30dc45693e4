"""The line as it is now, while another record is put in the place of the one that is followed."""

import asyncio
from datetime import UTC, datetime
from pathlib import Path

import pytest
from told import Told, board, record

from broker_bridge.store.restoring import restore
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.web import stations as module
from broker_bridge.web.stations import Live, Mark, Stations


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
