"""Runs the adapters of an edge: one that fails does not stop the others."""

import asyncio
import logging
import random
from collections.abc import Mapping
from typing import Final

from broker_bridge.adapters.base import Adapter
from broker_bridge.edge.outbox import Outbox
from broker_bridge.errors import ConfigError

log = logging.getLogger(__name__)

_FIRST_WAIT_S: Final = 1.0
_LONGEST_WAIT_S: Final = 60.0


class Supervisor:
    """Adapters by their source. `run` returns only when cancelled, or when every adapter refused to start."""

    def __init__(self, outbox: Outbox, adapters: Mapping[str, Adapter]) -> None:
        self._outbox = outbox
        self._adapters = adapters
        self.refused: dict[str, ConfigError] = {}

    async def run(self) -> None:
        """Run all adapters. Raises the ConfigError of the first when none of them could start as configured."""
        async with asyncio.TaskGroup() as group:
            for source, adapter in self._adapters.items():
                group.create_task(self._keep_running(source, adapter), name=f"adapter {source}")
        if self.refused:
            raise next(iter(self.refused.values()))

    async def _keep_running(self, source: str, adapter: Adapter) -> None:
        writer = await self._outbox.writer(source)
        wait = _FIRST_WAIT_S
        while True:
            began = asyncio.get_running_loop().time()
            try:
                await adapter.run(writer)
                return
            except ConfigError as error:
                log.error("%s: refused to start: %s", source, error)
                writer.report("refused", str(error))
                self.refused[source] = error
                return
            except Exception as error:
                # Whatever it is, the other machines' records must go on; the traceback is for us.
                log.exception("%s: adapter failed, starting it again in %.0f s", source, wait)
                writer.report("failed", f"{type(error).__name__}: {error}")
            if asyncio.get_running_loop().time() - began > _LONGEST_WAIT_S:
                wait = _FIRST_WAIT_S
            await asyncio.sleep(wait * random.uniform(0.5, 1.0))
            wait = min(wait * 2, _LONGEST_WAIT_S)
