"""The record lent to requests: while its index is made anew they are told so, not that a board is not there."""

import asyncio
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest
from told import Told, board, record

from broker_bridge.projector.builder import Builder
from broker_bridge.projector.index import Index
from broker_bridge.projector.schema import index_path
from broker_bridge.queries.record import LIVE
from broker_bridge.store.sqlite import SqliteStore
from broker_bridge.store.sqlite_reader import SqliteReader
from broker_bridge.web.records import Records

LAST = 2 * LIVE


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A record of as many boards as LAST says, each told of once."""
    told = Told()
    for number in range(1, LAST + 1):
        told.say(
            "board.arrived", "10:00:00", board(f"B{number}"), station="aoi", how="unknown",
            commit=1 + number // (LIVE // 4),
        )  # fmt: skip
    path = tmp_path / "record.db"

    async def write() -> None:
        store = await SqliteStore.open(path, "harbour-works")
        try:
            await record(store, told.facts)
        finally:
            await store.close()

    asyncio.run(write())
    return path


def test_while_an_index_is_made_anew_answers_say_so(path: Path, service: Callable[..., httpx.Client]) -> None:
    reader = SqliteReader(path)
    builder = Builder(index_path(path), reader, busy_ms=1000)
    builder.step()
    builder.close()
    reader.close()
    # Another process that goes on with it.
    holder = sqlite3.connect(index_path(path), isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    client = service(f"sqlite:////{str(path).lstrip('/')}")
    page = {"accept": "text/html"}
    for asked in ("/api/v1/board?id=B1", f"/api/v1/board?id=B{LAST}", "/api/v1/quarantine"):
        answer = client.get(asked)
        assert (answer.status_code, answer.headers["retry-after"]) == (503, "5"), asked
        assert f"of the record's {LAST:,} events; ask again" in answer.json()["detail"]
    for asked in (f"/scan?id=B{LAST}", "/board?id=B1"):
        answer = client.get(asked, headers=page)
        assert (answer.status_code, answer.headers["retry-after"]) == (503, "5"), asked
        assert "ask again in a moment" in answer.text
    started = client.get("/", headers=page)
    assert started.status_code == 200
    assert "still being made" in started.text
    state = client.get("/api/v1/record").json()
    assert state["answers_as_of"] < state["commit"]
    assert state["events"] == LAST
    assert "still being made" in state["note"]
    holder.execute("ROLLBACK")
    holder.close()
    deadline = time.monotonic() + 20
    while (found := client.get(f"/api/v1/board?id=B{LAST}")).status_code == 503:
        assert time.monotonic() < deadline, found.text
    assert found.status_code == 200
    assert "note" not in client.get("/api/v1/record").json()


def test_an_index_that_somebody_else_brings_up_is_left_to_them(path: Path) -> None:
    clock = [0.0]
    records = Records(f"sqlite:////{str(path).lstrip('/')}", lambda: clock[0])
    reader = SqliteReader(path)
    builder = Builder(index_path(path), reader, busy_ms=1000)
    builder.step()

    def stands() -> int:
        with records.reading() as one:
            return one.held().number

    begun = Index(index_path(path)).cursor().number
    assert 0 < begun < LAST
    assert stands() == LAST, "the first time nobody is known to bring it up"
    assert stands() == LAST
    # The record grows, and a projector follows it in steps.
    index_path(path).unlink()
    builder.close()
    builder = Builder(index_path(path), reader, busy_ms=1000)
    builder.step()
    records._cursor = Index(index_path(path)).cursor()
    builder.step()
    moved = Index(index_path(path)).cursor().number
    assert begun < moved < LAST
    clock[0] += 2
    assert stands() == moved, "it moved: left alone"
    builder.close()
    clock[0] += 2
    assert stands() == LAST, "it stood still: brought up"
    records.close()
    reader.close()
