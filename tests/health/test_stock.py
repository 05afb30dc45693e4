"""What `check` says of outbox and record: whose they are, what waits, and what only flows."""

import asyncio
import sqlite3
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from contracts.arrivals import SOURCE, arrival

from broker_bridge.adapters.base import Statement, Taking
from broker_bridge.config import Settings
from broker_bridge.db import Held, lock
from broker_bridge.edge.archive import Archive
from broker_bridge.edge.outbox import KIND, Outbox
from broker_bridge.edge.outbox import now_utc as now
from broker_bridge.events.base import Origin
from broker_bridge.events.source import SourceConnected
from broker_bridge.health import stock
from broker_bridge.health.finding import Finding
from broker_bridge.store.base import Heard
from broker_bridge.store.schema import RECORD
from broker_bridge.store.sqlite import SqliteStore

EPOCH = 7


def plant(data: Path, site: str = "harbour") -> Settings:
    return Settings.model_validate(
        {
            "plant": {"site": site},
            "roles": ["edge", "recorder"],
            "edge": {"outbox": data / "outbox.db"},
            "record": {"path": data / "record.db"},
        }
    )


def recorded(data: Path, *numbers: int, upto: int = 0) -> None:
    """A record with these numbers of a source that has given `upto`."""

    async def life() -> None:
        store = await SqliteStore.open(data / "record.db", "record")
        await store.commit([arrival(number, epoch=EPOCH) for number in numbers])
        if upto:
            await store.commit([], (), [Heard(SOURCE, EPOCH, upto, b"{}")])
        await store.close()

    asyncio.run(life())


def given(data: Path, count: int, receipted: int = 0) -> None:
    """An outbox whose source gave its events two minutes ago."""

    async def life() -> None:
        outbox = await Outbox.open(
            data / "outbox.db", archive=Archive(data), ceiling_bytes=10**9,
            clock=lambda: now() - timedelta(minutes=2),
        )  # fmt: skip
        writer = await outbox.writer(SOURCE)
        said = SourceConnected(origin=Origin(adapter="a", time_means="taken_in"))
        await writer.take(
            [Taking("g", outbox.level(SOURCE).last + n, 1, (Statement(said, now()),)) for n in range(count)]
        )
        await outbox.receipt(SOURCE, receipted, 1)
        await outbox.close()

    asyncio.run(life())


def of(found: list[Finding], subject: str) -> Finding:
    (finding,) = [one for one in found if one.subject == subject]
    return finding


def held(path: Path, kind: object = RECORD) -> Held:
    return lock(path, kind)  # type: ignore[arg-type]


def never(seconds: float) -> None:
    pytest.fail("nothing is late, and it waited")


def look(settings: Settings, meanwhile: Callable[[float], None]) -> list[Finding]:
    """The findings about the record while its recorder runs."""
    mark = held(settings.record.path)
    try:
        return list(stock.record(settings, meanwhile))
    finally:
        mark.close()


@pytest.mark.parametrize("kind", ["record", "outbox"])
def test_a_newer_database_is_no_damage(tmp_path: Path, kind: str) -> None:
    """To put back a backup would throw away what the newer program has recorded."""
    recorded(tmp_path, 1)
    given(tmp_path, 1)
    connection = sqlite3.connect(tmp_path / f"{kind}.db")
    connection.execute("PRAGMA user_version=99")
    connection.close()
    (finding,) = stock.record(plant(tmp_path)) if kind == "record" else stock.outbox(plant(tmp_path))
    assert finding.level == "problem"
    assert "version 99, newer than this program knows" in finding.text
    assert "upgrade the program" in finding.text + finding.advice
    assert "backup" not in finding.advice


def test_a_damaged_record_is_damage(tmp_path: Path) -> None:
    recorded(tmp_path, 1)
    path = tmp_path / "record.db"
    raw = bytearray(path.read_bytes())
    raw[100:200] = b"\xff" * 100  # the first page's header and cells: the schema
    path.write_bytes(raw)
    (finding,) = stock.record(plant(tmp_path))
    assert finding.level == "damaged"


def test_what_is_missing_and_does_not_come_is_a_problem(tmp_path: Path) -> None:
    recorded(tmp_path, 1, 2, 5, upto=9)
    text = "6 events that the source has given are not in the record (numbers 3 to 9)"
    stopped = of(list(stock.record(plant(tmp_path), never)), SOURCE)
    assert (stopped.level, stopped.text) == ("problem", text)
    assert "start the role recorder" in stopped.advice

    def others(_: float) -> None:
        more(tmp_path, 6)  # what came later does not fill the hole

    stuck = of(look(plant(tmp_path), others), SOURCE)
    assert (stuck.level, stuck.text) == ("problem", text.replace("6 events", "5 events"))
    assert "look at its disk" in stuck.advice


def more(data: Path, *numbers: int) -> None:
    """The recorder goes on."""
    beside = data / "record.db.lock"
    beside.rename(data / "held")  # the test itself holds it in the recorder's place
    recorded(data, *numbers)
    (data / "held").rename(beside)


def test_what_is_missing_and_comes_is_none(tmp_path: Path) -> None:
    recorded(tmp_path, 1, upto=9)
    flowing = of(look(plant(tmp_path), lambda _: more(tmp_path, 2, 3)), SOURCE)
    assert flowing.level == "notice"
    assert "6 events" in flowing.text
    assert "2 came into the record within 2 s, so it catches up" in flowing.text
    found = look(plant(tmp_path), lambda _: more(tmp_path, *range(4, 10)))
    assert [one for one in found if one.subject == SOURCE] == []
    assert {one.level for one in look(plant(tmp_path), never)} == {"fine"}


def test_a_backlog_that_shrinks_is_none(tmp_path: Path) -> None:
    given(tmp_path, 5)
    path = tmp_path / "outbox.db"
    alone = of(list(stock.outbox(plant(tmp_path), never)), SOURCE)
    assert alone.level == "problem"
    assert "5 not in the record yet, the oldest since 2 min" in alone.text
    mark = held(path, KIND)
    try:
        assert of(list(stock.outbox(plant(tmp_path), lambda _: None)), SOURCE).level == "problem"

        def receipts(_: float) -> None:
            connection = sqlite3.connect(path)
            connection.execute("UPDATE sources SET receipted = 3")
            connection.commit()
            connection.close()

        flowing = of(list(stock.outbox(plant(tmp_path), receipts)), SOURCE)
    finally:
        mark.close()
    assert flowing.level == "notice"
    assert "3 came into the record within 2 s" in flowing.text


def test_an_outbox_of_another_plant_is_a_problem(tmp_path: Path) -> None:
    given(tmp_path, 1, receipted=1)
    assert {one.level for one in stock.outbox(plant(tmp_path), never)} == {"fine"}
    found = of(
        [one for one in stock.outbox(plant(tmp_path, "other-works"), never) if one.level != "fine"], "outbox"
    )
    assert found.level == "problem"
    assert "of the plant 'harbour', and plant.site is 'other-works'" in found.text


def test_a_record_with_events_of_another_plant_is_told(tmp_path: Path) -> None:
    recorded(tmp_path, 1)
    assert {one.level for one in stock.record(plant(tmp_path), never)} == {"fine"}
    (_, told) = stock.record(plant(tmp_path, "other-works"), never)
    assert told.level == "notice"
    assert "holds events of the plant 'harbour' too" in told.text
