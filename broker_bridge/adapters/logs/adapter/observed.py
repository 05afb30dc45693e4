"""A reading that lets somebody look on: the same records, the same takings, one pass."""

from collections.abc import Callable, Iterator

from broker_bridge.adapters.base import Taking
from broker_bridge.adapters.logs.adapter.reading import Reading
from broker_bridge.adapters.logs.protocol.record import NativeRecord, Refused


class ObservedReading(Reading):
    """A Reading that shows every record to `observer` before it is mapped."""

    observer: Callable[[NativeRecord | Refused], None] | None = None
    _mapped = False

    def __iter__(self) -> Iterator[Taking]:
        # A reading of content with a stated end goes over its records once before: they are shown once.
        self._mapped = True
        yield from super().__iter__()

    def records(self) -> Iterator[NativeRecord | Refused]:
        """See Reading."""
        observer = self.observer if self._mapped else None
        if observer is None:
            yield from super().records()
            return
        for item in super().records():
            observer(item)
            yield item
