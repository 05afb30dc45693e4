"""Boards of two plants never share one history: an outbox that was carried over is refused before anything is sent."""

import asyncio
import shutil
from pathlib import Path

import pytest
from chain import Chain, rows
from servers import until

from broker_bridge.cli.main import main


def test_an_outbox_of_another_plant_is_refused_by_run_and_backfill_and_told_by_check(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first = Chain(tmp_path / "harbour")

    async def life() -> None:
        async with first.running():
            first.put("a.csv", rows(1, 3))
            await until(lambda: first.count() == 3, "recorded")

    asyncio.run(life())
    other = Chain(tmp_path / "other")
    other.config.write_text(
        other.config.read_text().replace('site = "harbour-works"', 'site = "other-works"')
    )
    (other.folder / "data").mkdir()
    shutil.copy(first.folder / "data" / "outbox.db", other.folder / "data" / "outbox.db")
    what = "holds events of the plant 'harbour-works', and plant.site is 'other-works'"

    assert main(["check", str(other.config), "--offline"]) == 1
    told = capsys.readouterr().out
    assert f"PROBLEM     outbox: {other.folder / 'data' / 'outbox.db'}: this outbox {what}" in told
    (other.folder / "old.csv").write_bytes(rows(10, 1))
    old = str(other.folder / "old.csv")
    for words in (
        ["run", str(other.config), "--roles", "broker,recorder,edge"],
        ["backfill", "--adapter", "aoi-files", str(other.config), old],
    ):
        assert main(words) == 3, words
        assert what in capsys.readouterr().err
    assert other.count() == 0
