"""A drop folder with its adapter and a writer in memory, and what a machine drops into it."""

import asyncio
import contextlib
import functools
import os
from collections.abc import AsyncIterator, Callable, Coroutine
from pathlib import Path
from typing import Any

from fakes import MemorySourceWriter
from logs_reading import ended, rows, until

from broker_bridge.adapters.logs.adapter import FolderAdapter
from broker_bridge.config import FilesAdapter

LINE = "2026-03-02 06:00:00;{};OK\n"


def content(*codes: str) -> bytes:
    return "".join(LINE.format(code) for code in codes).encode()


def in_a_loop(test: Callable[..., Coroutine[Any, Any, None]]) -> Callable[..., None]:
    """Run an async test in a loop of its own."""

    @functools.wraps(test)
    def run(*args: Any, **kwargs: Any) -> None:
        asyncio.run(test(*args, **kwargs))

    return run


class Plant:
    """A folder, a mapping, a writer, and the adapter between them."""

    def __init__(self, path: Path) -> None:
        self.drop = path / "drop"
        self.drop.mkdir()
        self.mapping = path / "mapping.toml"
        self.mapping.write_text(rows())
        self.writer = MemorySourceWriter()
        self.settings: dict[str, Any] = {"poll_s": 0.01}

    def config(self, **stated: Any) -> FilesAdapter:
        fixed = {"kind": "files", "name": "test", "area": "smt", "line": "line-1", "station": "aoi-1"}
        paths = {"folder": self.drop, "mapping": self.mapping}
        return FilesAdapter.model_validate(fixed | paths | self.settings | stated)

    @contextlib.asynccontextmanager
    async def running(self, **stated: Any) -> AsyncIterator["asyncio.Task[None]"]:
        task = asyncio.create_task(FolderAdapter(self.config(**stated)).run(self.writer))
        try:
            yield task
        finally:
            await ended(task)

    async def until(self, task: "asyncio.Task[None]", condition: Callable[[], object]) -> None:
        await until(condition, task)

    async def looks(self, task: "asyncio.Task[None]", polls: int = 4) -> None:
        """Wait until the folder has been looked at so many times more."""
        wanted = self.writer.looks + polls
        await self.until(task, lambda: self.writer.looks >= wanted)

    @property
    def codes(self) -> list[str | None]:
        return [statement.subject for taking in self.writer.takings for statement in taking.statements]

    @property
    def ids(self) -> list[tuple[str, int, int]]:
        return [(taking.generation, taking.position, taking.revision) for taking in self.writer.takings]

    def put(self, name: str, data: bytes) -> Path:
        """Drop a file as a careful machine does: under another name first."""
        partial = self.drop.parent / "partial"
        partial.write_bytes(data)
        os.rename(partial, self.drop / name)
        return self.drop / name
