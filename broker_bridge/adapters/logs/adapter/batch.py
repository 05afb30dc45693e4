"""Steps that wait to be kept, several files in one transaction; when they do not fit, as many as fit."""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Final

from broker_bridge.adapters.base import SourceWriter
from broker_bridge.adapters.logs.adapter.intake import CHUNK, Step
from broker_bridge.errors import OutboxFull, StoreUnavailable

_WEIGHT: Final = 8 * 2**20
_SHORTEST_WAIT_S: Final = 0.2
_LONGEST_WAIT_S: Final = 30.0

Sleep = Callable[[float], Awaitable[None]]


class Batch:
    """Collects steps and keeps them in order. Nothing of a step is kept before all that came before it is."""

    def __init__(self, writer: SourceWriter, sleep: Sleep = asyncio.sleep) -> None:
        self._writer = writer
        self._sleep = sleep
        self._steps: list[Step] = []
        self._takings = self._weight = 0
        self.pending: dict[str, bytes | None] = {}
        """Read state of the steps that wait."""

    async def add(self, step: Step) -> bool:
        """Take one more step; returns True when everything up to it has been kept."""
        self._steps.append(step)
        self._takings += len(step.takings)
        self._weight += step.weight
        self.pending.update(step.state)
        if self._takings < CHUNK and self._weight < _WEIGHT and len(self._steps) < CHUNK:
            return False
        await self.flush()
        return True

    async def flush(self) -> None:
        """Keep everything that waits; returns when it is safe. While it does not fit, it waits and says so."""
        wait, most = _SHORTEST_WAIT_S, len(self._steps)
        while self._steps:
            part = self._steps[:most]
            state: dict[str, bytes | None] = {}
            for step in part:
                state.update(step.state)
            try:
                await self._writer.take([taking for step in part for taking in step.takings], state)
            except OutboxFull as error:
                if len(part) > 1:
                    most = len(part) // 2
                    continue
                if part[0].halves is not None:
                    self._steps[:1] = part[0].halves()
                    continue
                self._writer.report("waiting", f"files stay where they are: {error}")
            except StoreUnavailable as error:
                self._writer.report("waiting", str(error))
            else:
                del self._steps[: len(part)]
                wait = _SHORTEST_WAIT_S
                continue
            await self._sleep(wait)
            wait = min(wait * 2, _LONGEST_WAIT_S)
        self.pending.clear()
        self._takings = self._weight = 0
