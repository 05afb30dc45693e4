"""Pure: what a source is told of its numbers."""

from collections.abc import Iterable
from datetime import datetime

from broker_bridge.bus.wire import MAX_EPOCHS, MAX_RANGES, EpochReceipt, Receipt
from broker_bridge.store.base import Progress


def receipt(
    record: str, incarnation: int, source: str, progress: Iterable[Progress], issued: datetime
) -> Receipt:
    """The receipt of one source from the progress of all its epochs."""
    youngest_first = sorted(progress, key=lambda entry: -entry.epoch)[:MAX_EPOCHS]
    return Receipt(
        record=record,
        incarnation=incarnation,
        source=source,
        epochs=tuple(
            EpochReceipt(
                epoch=entry.epoch,
                contiguous=entry.contiguous,
                missing=entry.missing()[:MAX_RANGES],
                reached=entry.above[-1][1] if entry.above else entry.contiguous,
                closed=entry.closed,
            )
            for entry in youngest_first
        ),
        issued=issued,
        fenced=youngest_first[0].epoch if len(youngest_first) > 1 else None,
    )
