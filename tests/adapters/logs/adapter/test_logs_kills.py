"""Killed at any call of the outbox, before or after it has kept what it was given: events equal a clean run's."""

import asyncio
import gzip
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest
from fakes import MemorySourceWriter
from logs_reading import ended, rows, until

from broker_bridge.adapters.base import Taking
from broker_bridge.adapters.logs.adapter import FolderAdapter
from broker_bridge.config import FilesAdapter

LINE = "2026-03-02 06:00:00;{};OK\n"


class Killed(BaseException):
    """The process is gone."""


class MortalWriter(MemorySourceWriter):
    """Dies at one call of `take` or `archive`."""

    def __init__(self, dies_at: int | None, kept: bool) -> None:
        super().__init__()
        self.dies_at = dies_at
        self.kept_before_death = kept
        self.calls = 0

    def _call(self) -> bool:
        self.calls += 1
        return self.calls - 1 == self.dies_at

    async def take(
        self,
        takings: Sequence[Taking],
        state: Mapping[str, bytes | None] | None = None,
        *,
        reserved: bool = False,
    ) -> int:
        dies = self._call()
        if dies and not self.kept_before_death:
            raise Killed
        kept = await super().take(takings, state, reserved=reserved)
        if dies:
            raise Killed
        return kept

    async def archive(self, raw: bytes) -> str:
        if self._call():
            raise Killed
        return await super().archive(raw)


def drop(folder: Path) -> None:
    folder.mkdir(parents=True)
    many = "".join(LINE.format(f"M{number}") for number in range(700))
    (folder / "0.csv").write_text(many)
    for number in range(1, 6):
        (folder / f"{number}.csv").write_text(LINE.format(f"S{number}") + ("odd\n" if number == 3 else ""))
    (folder / "6.csv.gz").write_bytes(gzip.compress(LINE.format("S1").encode()))


async def run(folder: Path, mapping: Path, writer: MemorySourceWriter) -> None:
    """Until everything has been read and deleted; raises Killed."""
    config = FilesAdapter(
        kind="files",
        name="test",
        area="smt",
        line="line-1",
        folder=folder,
        mapping=mapping,
        poll_s=0.001,
        after="delete",
    )
    task = asyncio.create_task(FolderAdapter(config).run(writer))
    await until(lambda: not list(folder.iterdir()), task)
    await ended(task)


def run_or_die(folder: Path, mapping: Path, writer: MortalWriter) -> bool:
    try:
        asyncio.run(run(folder, mapping, writer))
    except Killed:
        return True
    return False


@pytest.mark.parametrize("kept", [False, True], ids=["before", "after"])
def test_killed_at_every_call_in_turn(tmp_path: Path, kept: bool) -> None:
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(rows())
    clean = MortalWriter(None, kept)
    drop(tmp_path / "clean")
    run_or_die(tmp_path / "clean", mapping, clean)
    expected = sorted((taking.generation, taking.position) for taking in clean.takings)
    assert len(expected) == 706

    deaths = 0
    for point in range(1000):
        writer = MortalWriter(point, kept)
        folder = tmp_path / f"run{point}"
        drop(folder)
        died = run_or_die(folder, mapping, writer)
        while run_or_die(folder, mapping, writer):
            pass
        assert sorted((taking.generation, taking.position) for taking in writer.takings) == expected, point
        if not died:
            break
        deaths += 1
    assert deaths >= 8
