"""A folder of logs that grow, looked at when a test says so: no tasks, no waiting."""

import asyncio
import os
from pathlib import Path
from typing import Any

from fakes import MemorySourceWriter
from logs_reading import rows

from broker_bridge.adapters.base import Taking
from broker_bridge.adapters.logs.adapter.folder_adapter import FolderAdapter, Pickup
from broker_bridge.config import FilesAdapter

LINE = "2026-03-02 06:00:00;{};OK\n"


def lines(*codes: str) -> bytes:
    return "".join(LINE.format(code) for code in codes).encode()


class Logs:
    """The folder, the outbox, and the pick-up between them."""

    def __init__(self, path: Path, text: str | None = None, **stated: Any) -> None:
        self.path = path / "logs"
        self.path.mkdir()
        self.mapping = path / "mapping.toml"
        self.mapping.write_text(rows() if text is None else text)
        self.writer = MemorySourceWriter()
        self.stated: dict[str, Any] = {"pickup": "growing", "incomplete_after_s": 3600.0} | stated
        self._pickup: Pickup | None = None
        self._clock = 1_700_000_000

    def config(self) -> FilesAdapter:
        fixed = {"kind": "files", "name": "test", "area": "smt", "line": "line-1", "station": "oven"}
        return FilesAdapter.model_validate(
            fixed | {"folder": self.path, "mapping": self.mapping} | self.stated
        )

    def restart(self) -> None:
        """The process ends here and another one begins."""
        self._pickup = None

    def look(self, times: int = 1) -> None:
        """Look at the folder so many times, each until nothing more is to be read."""
        asyncio.run(self._look(times))

    async def _look(self, times: int) -> None:
        if self._pickup is None:
            self._pickup = await FolderAdapter(self.config())._begin(self.writer)
        for _ in range(times):
            await self._pickup.answer_requests()
            while not await self._pickup.cycle():
                pass

    # -- the machine

    def append(self, name: str, data: bytes) -> None:
        with (self.path / name).open("ab") as file:
            file.write(data)
        self.touch(name)

    def touch(self, name: str) -> None:
        """Give a file a later time of change than any other: tests are faster than some clocks."""
        self._clock += 1
        os.utime(self.path / name, (self._clock, self._clock))

    # -- what came of it

    @property
    def events(self) -> list[Taking]:
        """What holds: of every raw record the highest revision, in the order in which it came first."""
        held: dict[tuple[str, int], Taking] = {}
        for taking in self.writer.takings:
            key = taking.generation, taking.position
            if key not in held or taking.revision >= held[key].revision:
                held[key] = taking
        return list(held.values())

    @property
    def codes(self) -> list[str]:
        """Board codes of the events that hold."""
        return [
            statement.subject or ""
            for taking in self.events
            for statement in taking.statements
            if statement.data.TYPE == "inspection.completed"
        ]

    @property
    def gaps(self) -> list[Any]:
        return [t.statements[0].data for t in self.events if t.statements[0].data.TYPE == "source.gap"]

    @property
    def ids(self) -> list[tuple[str, int, int]]:
        return [(t.generation, t.position, t.revision) for t in self.writer.takings]
