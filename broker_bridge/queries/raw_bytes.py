"""The raw bytes of what is in quarantine: from the record, or from the archive of an edge on this machine."""

from typing import TYPE_CHECKING

from broker_bridge.queries.quarantine import Kept

if TYPE_CHECKING:
    from broker_bridge.config import Settings


def raw_of(item: Kept, settings: "Settings | None") -> bytes | None:
    """The bytes; None where neither holds them."""
    if item.raw is not None or settings is None:
        return item.raw
    whole = file_of(item, settings)
    if whole is not None:
        return whole if item.offset is None else whole[item.offset : item.offset + (item.size or 0)]
    if (
        item.archived is not None
        or item.generation is None
        or item.offset is None
        or not settings.edge.outbox.exists()
    ):
        return None
    from broker_bridge.adapters.logs.adapter.log_state import PIECES, bytes_of
    from broker_bridge.edge.archive import Archive
    from broker_bridge.edge.survey import kept

    of_log = kept(settings.edge.outbox, item.source, f"{PIECES}{item.generation}/")
    return bytes_of(of_log, Archive(settings.edge.archive).get, item.offset, item.size or 0)


def file_of(item: Kept, settings: "Settings") -> bytes | None:
    """The whole file it stands in; None where the archive of this machine does not hold it, as for logs that grow."""
    if item.archived is None:
        return None
    from broker_bridge.edge.archive import Archive

    return Archive(settings.edge.archive).get(item.archived)
