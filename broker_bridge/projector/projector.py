"""The role that keeps the index up while the plant runs, and what is derived from it now and then."""

import asyncio
import logging
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from broker_bridge.errors import NotFound, StoreUnavailable
from broker_bridge.projector.builder import Builder
from broker_bridge.projector.schema import index_path
from broker_bridge.store.base import StoreReader
from broker_bridge.store.sqlite_reader import SqliteReader

log = logging.getLogger(__name__)

POLL_S: Final = 0.1
SETTLE_S: Final = 300.0
"""How often histories are settled: a board on the line is told of every few seconds, and each time its whole history
would be made anew. A question settles what is left."""
_LONGEST_WAIT_S: Final = 5.0
_PATIENCE_MS: Final = 5000
"""How long the role waits for a reader that brings the index up itself."""


class Projector:
    """The role: follows the record's commits and keeps its index up to date."""

    def __init__(
        self,
        reader: StoreReader,
        index: Path,
        *,
        poll_s: float = POLL_S,
        settle: Callable[[StoreReader, Path], bool] | None = None,
        settle_s: float = SETTLE_S,
    ) -> None:
        """`settle` settles some histories and tells whether there are more; it is called every `settle_s`."""
        self._settle = settle
        self._settle_s = settle_s
        self._settled_at = time.monotonic()
        self._reader = reader
        self._index = index
        self._poll_s = poll_s
        self._builder: Builder | None = None
        self._identity: tuple[int, int] | None = None
        self.commit = 0
        """The index is as of this commit."""

    async def run(self) -> None:
        """Follow the record until cancelled. What may pass is waited for."""
        wait = self._poll_s
        try:
            while True:
                try:
                    if await self._in_thread(self._step) or await self._in_thread(self._settle_some):
                        continue
                    wait = self._poll_s
                except StoreUnavailable as error:
                    log.warning("the index waits: %s", error)
                    # Its file may be another one by now, or none: then this connection would wait for ever.
                    self._leave()
                    wait = min(2 * wait, _LONGEST_WAIT_S)
                await asyncio.sleep(wait)
        finally:
            self._leave()

    def _leave(self) -> None:
        if self._builder is not None:
            self._builder.close()
            self._builder = None
            self.commit = 0

    async def _in_thread(self, work: Callable[[], bool]) -> bool:
        step = asyncio.ensure_future(asyncio.to_thread(work))
        try:
            return await asyncio.shield(step)
        except asyncio.CancelledError:
            await asyncio.wait([step])  # a thread cannot be cancelled; a step takes a fraction of a second
            raise

    def _settle_some(self) -> bool:
        if self._settle is None or time.monotonic() - self._settled_at < self._settle_s:
            return False
        if self._settle(self._reader, self._index):
            return True
        self._settled_at = time.monotonic()
        return False

    def _step(self) -> bool:
        if self._builder is not None and _identity(self._index) != self._identity:
            log.warning("%s was deleted or replaced: it is made anew", self._index)
            self._leave()
        if self._builder is None:
            self._builder = Builder(self._index, self._reader, busy_ms=_PATIENCE_MS)
            self._identity = _identity(self._index)
        builder = self._builder
        if self.commit and self._reader.head().commit == self.commit:
            return False
        changed = builder.step()
        self.commit = builder.commit
        return changed


def _identity(path: Path) -> tuple[int, int] | None:
    """Device and number of a file; None when it is not there."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino


async def follow(record: Path, settle: Callable[[StoreReader, Path], bool] | None = None) -> None:
    """Keep the index of a record for ever: waits for the record to be there, begins anew when it is replaced."""
    while True:
        try:
            reader = SqliteReader(record)
        except (NotFound, StoreUnavailable):
            await asyncio.sleep(POLL_S)
            continue
        try:
            async with asyncio.TaskGroup() as group:
                following = group.create_task(
                    Projector(reader, index_path(record), settle=settle).run(), name="index"
                )
                await replaced(record)
                log.warning("%s was replaced by another file: the index begins anew", record)
                following.cancel()
        finally:
            reader.close()


async def replaced(record: Path) -> None:
    """Wait until another file lies at the record's path, or none."""
    inode = record.stat().st_ino
    while True:
        await asyncio.sleep(1.0)
        try:
            if record.stat().st_ino != inode:
                return
        except OSError:
            return
