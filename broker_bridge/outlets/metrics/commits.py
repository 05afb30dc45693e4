"""How long commits take: a writer of the record that keeps the time beside it."""

import time
from bisect import bisect_left
from collections.abc import Sequence
from typing import Final

from broker_bridge.store.base import (
    Arrival,
    Committed,
    Head,
    Heard,
    Progress,
    Refusal,
    RefusedRow,
    StoreWriter,
)

BOUNDS_S: Final = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0)


class CommitTimes:
    """Counts of commits by how long they took."""

    def __init__(self) -> None:
        self.counts = [0] * (len(BOUNDS_S) + 1)
        self.total_s = 0.0

    def add(self, seconds: float) -> None:
        """Count one."""
        self.counts[bisect_left(BOUNDS_S, seconds)] += 1
        self.total_s += seconds


OF_THIS_PROCESS: Final = CommitTimes()
"""A process holds one recorder."""


class TimedWriter:
    """The writer, timed. All methods as StoreWriter has them."""

    def __init__(self, writer: StoreWriter, times: CommitTimes) -> None:
        self._writer = writer
        self._times = times

    async def commit(
        self,
        arrivals: Sequence[Arrival] = (),
        refusals: Sequence[Refusal] = (),
        heard: Sequence[Heard] = (),
        resolved: Sequence[int] = (),
    ) -> Committed:
        """See StoreWriter; one that fails is no commit."""
        began = time.perf_counter()
        done = await self._writer.commit(arrivals, refusals, heard, resolved)
        if done.commit:
            self._times.add(time.perf_counter() - began)
        return done

    async def progress(self) -> list[Progress]:
        """See StoreWriter."""
        return await self._writer.progress()

    async def refusals(self, after: int, limit: int) -> list[RefusedRow]:
        """See StoreWriter."""
        return await self._writer.refusals(after, limit)

    async def head(self) -> Head:
        """See StoreWriter."""
        return await self._writer.head()

    async def close(self) -> None:
        """See StoreWriter."""
        await self._writer.close()
