"""The tables as an outlet: events as they come, what is derived a little later."""

import asyncio
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from broker_bridge.config import TablesOutlet
from broker_bridge.events.fact import Fact
from broker_bridge.outlets.base import Outgoing, Refused
from broker_bridge.outlets.cursor import standing
from broker_bridge.outlets.leaving import Choice, Marked
from broker_bridge.outlets.tables.writer import Writer
from broker_bridge.projector.schema import index_path
from broker_bridge.queries.record import Record, open_with
from broker_bridge.store.sqlite_reader import SqliteReader

_WINDOW: Final = 20_000
_SCAN: Final = 5_000


class Tables:
    """One folder of tables. A receiver that keeps at rest what it got: delivering again gives the same files."""

    wants_bodies = False
    window = _WINDOW

    def __init__(
        self,
        config: TablesOutlet,
        record: Path,
        position: Path,
        choice: Choice,
        *,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        """`record`, `position`: the files of the record and of this outlet's position. Raises UsageError where the extra is not installed."""
        self.pause_s = config.every_s
        self._record = record
        self._position = position
        self._choice = choice
        self._now = now
        self._derived_at: float | None = None
        self._marked = Marked()
        self._writer = Writer(
            config.folder,
            tables=config.tables,
            csv=config.csv,
            may_tell=lambda part: choice.may_tell(part, self._marked),
        )

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    async def send(self, events: Sequence[Outgoing]) -> Sequence[Refused]:
        """See Outlet."""
        work = asyncio.ensure_future(asyncio.to_thread(self._take, [event.fact for event in events]))
        try:
            await asyncio.shield(work)
        except asyncio.CancelledError:
            await asyncio.wait([work])  # a thread cannot be cancelled; what it writes is whole files
            raise
        return ()

    def _take(self, facts: Sequence[Fact]) -> None:
        reader = SqliteReader(self._record)
        try:
            record = open_with(reader, index_path(self._record))
            try:
                if facts:
                    # Also what the position has passed and nobody was sent may lie there under a number of before.
                    self._writer.take(record, facts, standing(self._position).number + 1)
                if self._due():
                    self._learn(record)
                    self._writer.derive(record)
                    self._derived_at = self._now()
            finally:
                record.index.close()
        finally:
            reader.close()

    def _due(self) -> bool:
        return self._derived_at is None or self._now() - self._derived_at >= self.pause_s

    def _learn(self, record: Record) -> None:
        """Which parts are marked."""
        self._marked = Marked()
        after, upto = 0, record.as_of().number
        while found := record.reader.typed(("line.part_declared",), after, upto, _SCAN):
            self._marked.declare(found)
            after = found[-1].number
