"""What happens to a file once its events are safe: it stays, is deleted, or is moved. Failing changes nothing."""

import asyncio
import time
from collections.abc import Sequence
from typing import Final

from broker_bridge.adapters.base import SourceWriter
from broker_bridge.adapters.logs.adapter.folder import Changed, Folder, Found
from broker_bridge.config import FilesAdapter

_AGAIN_S: Final = 60.0
"""Pause before a failed deletion or move is tried again."""


class After:
    """Tidies up behind the reading of one source."""

    def __init__(self, config: FilesAdapter, folder: Folder, writer: SourceWriter) -> None:
        self._config = config
        self._folder = folder
        self._writer = writer
        self._failed: dict[str, float] = {}

    async def done(self, files: Sequence[Found]) -> None:
        """Tidy up files that have just been read."""
        if self._config.after == "leave":
            return
        for found in files:
            try:
                await asyncio.to_thread(self._tidy, found)
            except Changed:
                self._failed.pop(found.name, None)  # written again: it will be read again
            except OSError as error:
                self._writer.count(after_failed=1)
                self._failed[found.name] = time.monotonic()
                self._writer.report("reading", f"{found.name} cannot be tidied up: {error.strerror or error}")
            else:
                self._failed.pop(found.name, None)

    async def leftovers(self, files: Sequence[Found]) -> None:
        """Tidy up files that were read earlier and are still there, not more often than every minute."""
        if self._config.after == "leave":
            return
        now = time.monotonic()
        await self.done(
            [found for found in files if now - self._failed.get(found.name, -_AGAIN_S) >= _AGAIN_S]
        )

    def _tidy(self, found: Found) -> None:
        if self._config.after == "delete":
            self._folder.remove(found)
        elif self._config.move_to is not None:
            self._folder.move(found, self._config.move_to)
