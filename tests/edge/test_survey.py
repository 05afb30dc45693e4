"""An outbox looked at from outside, while its edge runs."""

import asyncio
from pathlib import Path

import pytest

from broker_bridge.edge.archive import Archive
from broker_bridge.edge.outbox import Outbox
from broker_bridge.edge.survey import kept
from broker_bridge.errors import NotFound

SOURCES = ("/harbour-works/smt/line-1/aoi-files", "/harbour-works/smt/line-1/spi-files")


def test_what_an_adapter_keeps_is_seen_from_outside(tmp_path: Path) -> None:
    path = tmp_path / "outbox.db"

    async def life() -> None:
        outbox = await Outbox.open(path, archive=Archive(tmp_path / "archive"), ceiling_bytes=10**9)
        try:
            for source in SOURCES:
                writer = await outbox.writer(source)
                await writer.take([], {"seen/a_%": source.encode(), "seen/b": b"2", "folder": b"3"})
            assert kept(path, SOURCES[0], "seen/") == {"seen/a_%": SOURCES[0].encode(), "seen/b": b"2"}
            assert kept(path, SOURCES[1], "seen/a_") == {"seen/a_%": SOURCES[1].encode()}
            assert kept(path, "/nobody", "") == {}
        finally:
            await outbox.close()

    asyncio.run(life())


def test_there_is_nothing_to_see_before_the_first_start(tmp_path: Path) -> None:
    with pytest.raises(NotFound):
        kept(tmp_path / "outbox.db", SOURCES[0], "")
