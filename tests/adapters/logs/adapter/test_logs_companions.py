"""Companion files in a drop folder: waited for, pinned, never moved. Reels and boards are invented."""

import asyncio
import os
from pathlib import Path

import pytest
from fakes import MemorySourceWriter
from logs_reading import ended, until
from reel_table import PLACED, TABLE, line

from broker_bridge.adapters.base import Request
from broker_bridge.adapters.logs.adapter import FolderAdapter
from broker_bridge.config import FilesAdapter

LATER = 1_772_460_000  # 2026-03-02 14:00 UTC


class Plant:
    def __init__(self, path: Path) -> None:
        self.drop = path / "drop"
        self.drop.mkdir()
        self.mapping = path / "mapping.toml"
        self.mapping.write_text(PLACED)
        self.writer = MemorySourceWriter()

    def put(self, name: str, text: str, written: int = LATER) -> None:
        path = self.drop.parent / "partial"
        path.write_text(text)
        os.utime(path, (written, written))
        os.rename(path, self.drop / name)

    def config(self, **stated: object) -> FilesAdapter:
        fixed = {
            "kind": "files",
            "name": "test",
            "area": "smt",
            "line": "line-1",
            "station": "place-1",
            "poll_s": 0.01,
        }
        return FilesAdapter.model_validate(
            fixed | {"folder": self.drop, "mapping": self.mapping, "stable_polls": 1} | stated
        )

    def run(self, *, until_told: str = "", looks: int = 8, **stated: object) -> None:
        async def run() -> None:
            task = asyncio.create_task(FolderAdapter(self.config(**stated)).run(self.writer))
            wanted = self.writer.looks + looks
            await until(
                lambda: self.writer.condition == until_told if until_told else self.writer.looks >= wanted,
                task,
            )
            await ended(task)

        asyncio.run(run())

    def reels(self) -> list[tuple[int, str | None]]:
        return [
            (taking.revision, statement.data.material.id)  # type: ignore[attr-defined]
            for taking in self.writer.takings
            for statement in taking.statements
        ]


@pytest.fixture
def plant(tmp_path: Path) -> Plant:
    return Plant(tmp_path)


def test_a_log_waits_for_its_table(plant: Plant) -> None:
    plant.put("one.log", line("07:00:00"))
    plant.run(until_told="waiting")
    assert plant.writer.takings == []
    plant.put("reels.txt", TABLE)
    plant.run()
    assert plant.reels() == [(1, "REEL-1")]
    assert (plant.drop / "reels.txt").exists()


def test_a_table_that_comes_while_the_log_waits_is_taken_at_once(plant: Plant) -> None:
    plant.put("one.log", line("07:00:00"))

    async def run() -> None:
        task = asyncio.create_task(FolderAdapter(plant.config()).run(plant.writer))
        await until(lambda: plant.writer.condition == "waiting", task)
        plant.put("reels.txt", TABLE)
        await until(lambda: plant.writer.takings, task)
        await ended(task)

    asyncio.run(run())
    assert plant.reels() == [(1, "REEL-1")]


def test_a_log_waits_for_a_table_that_is_new_enough(plant: Plant) -> None:
    plant.put("reels.txt", TABLE, LATER - 8 * 3600)
    plant.put("one.log", line("07:00:00"))
    plant.run(until_told="waiting")
    assert plant.writer.takings == []
    plant.put("reels.txt", TABLE)
    plant.run()
    assert plant.reels() == [(1, "REEL-1")]


def test_a_table_that_never_comes_is_told_as_not_known(plant: Plant) -> None:
    plant.put("one.log", line("07:00:00"))
    plant.run(looks=40, incomplete_after_s=0.05)
    assert plant.reels() == [(1, None)]
    (taking,) = plant.writer.takings
    assert "companion_missing" in taking.statements[0].data.origin.flags


def test_a_table_that_changes_later_changes_nothing(plant: Plant) -> None:
    plant.put("reels.txt", TABLE)
    plant.put("one.log", line("07:00:00"))
    plant.run(after="delete")
    assert not (plant.drop / "one.log").exists()
    plant.put("reels.txt", TABLE.replace("REEL-1", "REEL-7"))
    plant.put("one.log", line("07:00:00"))
    plant.run()
    assert plant.reels() == [(1, "REEL-1")]


def test_reading_again_uses_the_table_of_then(plant: Plant) -> None:
    plant.put("reels.txt", TABLE)
    plant.put("one.log", line("07:00:00"))
    plant.run(after="delete")
    plant.put("reels.txt", TABLE.replace("REEL-1", "REEL-7"))
    plant.mapping.write_text(PLACED.replace("revision = 1", "revision = 2"))
    plant.writer.waiting.append(Request(1, "retry", {"all": ""}))
    plant.run()
    assert plant.reels() == [(1, "REEL-1"), (2, "REEL-1")]
