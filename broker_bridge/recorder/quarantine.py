"""Refused payloads, examined again: after an upgrade some of them are events."""

from typing import Final

from broker_bridge.bus.topics import Topics
from broker_bridge.recorder.intake import examine
from broker_bridge.store.base import Arrival, StoreWriter

_PAGE: Final = 20
"""Payloads in hand at a time: each may have the largest size."""


async def retry_refusals(store: StoreWriter, topics: Topics, site: str) -> int:
    """Turn refusals that are valid by now into events; returns how many payloads that were.

    What is still refused stays as it is. May be repeated at any time; raises StoreUnavailable as `commit` does.
    """
    mended = after = 0
    while rows := await store.refusals(after, _PAGE):
        after = rows[-1].number
        arrivals: list[Arrival] = []
        resolved: list[int] = []
        for row in rows:
            found = examine(topics, row.refusal.topic, row.refusal.body, site=site)
            valid = [item for item in found if isinstance(item, Arrival)]
            if len(valid) == len(found):
                arrivals += valid
                resolved.append(row.number)
        if resolved:
            await store.commit(arrivals, resolved=resolved)
            mended += len(resolved)
    return mended
