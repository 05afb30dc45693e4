"""The role that keeps the index up while the plant runs."""

import asyncio
import contextlib
import functools
import sqlite3
from collections.abc import Callable, Coroutine
from pathlib import Path

import pytest
from memory_store import MemoryStore
from told import Told, board, record

from broker_bridge.events.fact import Fact
from broker_bridge.projector.builder import catch_up
from broker_bridge.projector.index import Index
from broker_bridge.projector.projector import Projector, follow
from broker_bridge.projector.schema import index_path
from broker_bridge.store.sqlite import SqliteStore


def facts(count: int, first: int = 1) -> list[Fact]:
    told = Told()
    for number in range(1, first + count):
        told.say("board.arrived", "10:00:00", board(f"B{number}"), station="aoi", how="unknown")
    return told.facts[first - 1 :]


def in_a_loop(test: Callable[[Path], Coroutine[None, None, None]]) -> Callable[[Path], None]:
    @functools.wraps(test)
    def run(tmp_path: Path) -> None:
        asyncio.run(test(tmp_path))

    return run


async def until(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(20):
        while not condition():  # noqa: ASYNC110  # there is no event to wait for: another process could do it
            await asyncio.sleep(0.005)


def known(path: Path, value: str) -> bool:
    with contextlib.suppress(Exception):
        index = Index(path)
        try:
            return bool(index.nodes(value, 10**9))
        finally:
            index.close()
    return False


@in_a_loop
async def test_follows_commit_after_commit(tmp_path: Path) -> None:
    store, path = MemoryStore(), tmp_path / "i.db"
    projector = Projector(store.reader, path, poll_s=0.001)
    running = asyncio.create_task(projector.run())
    for number in range(1, 4):
        await record(store, facts(1, number))
        await until(lambda commit=number: projector.commit == commit)  # type: ignore[misc]
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    assert known(path, "B3")


@in_a_loop
async def test_waits_for_a_reader_that_brings_the_index_up(tmp_path: Path) -> None:
    store, path = MemoryStore(), tmp_path / "i.db"
    await record(store, facts(1))
    catch_up(store.reader, path)
    await record(store, facts(1, 2))
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    projector = Projector(store.reader, path, poll_s=0.001)
    running = asyncio.create_task(projector.run())
    await asyncio.sleep(0)
    holder.execute("COMMIT")
    holder.close()
    await until(lambda: projector.commit == 2)
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running


@in_a_loop
async def test_the_role_waits_for_its_record_and_begins_anew_when_it_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    running = asyncio.create_task(follow(path))
    try:
        store = await SqliteStore.open(path, "one")
        await record(store, facts(2))
        await until(lambda: known(index_path(path), "B2"))
        await store.close()
        for file in tmp_path.glob("record.db*"):
            file.unlink()
        store = await SqliteStore.open(path, "two")
        await record(store, facts(1, 7))
        await until(lambda: known(index_path(path), "B7"))
        assert not known(index_path(path), "B2")
        await store.close()
    finally:
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running


@in_a_loop
async def test_settles_now_and_then_until_nothing_is_left(tmp_path: Path) -> None:
    store, path = MemoryStore(), tmp_path / "i.db"
    left = [True, True, False]
    settled: list[Path] = []

    def settle(reader: object, index: Path) -> bool:
        settled.append(index)
        return left.pop(0) if left else False

    projector = Projector(store.reader, path, poll_s=0.001, settle=settle, settle_s=0.0)
    running = asyncio.create_task(projector.run())
    await record(store, facts(1, 1))
    await until(lambda: projector.commit == 1 and not left)
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    assert settled[:3] == [path] * 3


@in_a_loop
async def test_an_index_that_was_deleted_under_the_role_is_made_anew(tmp_path: Path) -> None:
    store, path = MemoryStore(), tmp_path / "i.db"
    projector = Projector(store.reader, path, poll_s=0.001)
    running = asyncio.create_task(projector.run())
    await record(store, facts(1, 1))
    await until(lambda: projector.commit == 1)
    for end in ("", "-wal", "-shm"):
        path.with_name(path.name + end).unlink(missing_ok=True)
    await record(store, facts(1, 2))
    await until(lambda: known(path, "B1") and known(path, "B2"))
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
