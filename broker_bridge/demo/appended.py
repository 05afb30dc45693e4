"""What is appended to a growing log, to takings: named by its head once that is whole, as the adapter names it. Pure."""

from collections import Counter
from datetime import datetime

from broker_bridge.adapters.base import Taking
from broker_bridge.adapters.logs.adapter.growing import GrowingLog, Progress, head_of, log_generation
from broker_bridge.adapters.logs.mapping.compiled import Compiled
from broker_bridge.adapters.logs.mapping.takings import Place


class AppendedLog:
    """One log from its beginning. `heads` counts, over all logs of a source, those that began in the same way."""

    def __init__(self, mapping: Compiled, place: Place, name: str, heads: Counter[str]) -> None:
        self._mapping = mapping
        self._place = place
        self._name = name
        self._heads = heads
        self._beginning = b""
        self._log: GrowingLog | None = None

    def add(self, data: bytes, at: datetime) -> list[Taking]:
        """What is complete with these bytes, taken in at `at`."""
        if self._log is not None:
            return self._log.feed(data)
        self._beginning += data
        head = head_of(self._mapping, [self._beginning])
        if head is None:
            return []
        self._heads[head.hash] += 1
        self._log = GrowingLog(
            self._mapping,
            self._place,
            self._name,
            generation=log_generation(self._mapping, head, self._heads[head.hash], self._name),
            modified=at,
            progress=Progress(),
        )
        return self._log.feed(self._beginning)

    def end(self) -> list[Taking]:
        """What is still open now that nothing more will be appended."""
        return [] if self._log is None else self._log.close()
